"""Campaigns over several nights, through the real driver and store on a virtual clock."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from harness.engine.campaign import RunOptions, run_campaign
from harness.engine.messages import StopRequested
from harness.engine.night import NightWatch
from harness.engine.progress import Silent, StopSignal
from harness.plan.schema import Plan
from harness.store.campaign import CampaignStore
from harness.testing import FakeClock, RecordingControl, ScriptedRig

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def berlin(monkeypatch):
    """The system's own local time is Berlin's."""
    if not hasattr(time, "tzset"):
        pytest.skip("needs tzset")
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def plan_of(**changes):
    document = {
        "plan": {"question": "?", "repeats": 3, "reference": "factory", "allow_hardware_changes": True},
        "conditions": {"cooldown": {"seconds": 60}, "warm_up": {"seconds": 5}},
        "sampling": {"period_s": 10.0},
        "profiles": [{"name": "factory"}, {"name": "quiet", "control": "tuning"}],
        "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": 20}],
    }
    return Plan.model_validate(document | changes)


class Hearing(Silent):
    def __init__(self, act=None):
        self.messages = []
        self._act = act

    def on_message(self, level, message):
        self.messages.append(message)

    def on_progress(self, progress):
        if self._act is not None:
            self._act(progress)


def run(folder, rig, plan, observer=None, stop=None, **options):
    return run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=observer or Hearing(),
        stop=stop or StopSignal(),
        options=RunOptions(**options),
    )


def starting(text, **more):
    start_utc = datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)
    clock = FakeClock(start_utc=start_utc)
    control = RecordingControl()
    return ScriptedRig(clock=clock, controls={"tuning": control}, **more), control


def measured(folder):
    """(local start of the attempt, verdict, reason code), oldest first."""
    with CampaignStore.read(folder) as store:
        rows = store.attempts_table().to_pylist()
    return [(r["started_utc"].astimezone(BERLIN), r["verdict"], r["reason_code"]) for r in rows]


def test_three_nights_one_of_them_after_a_change_of_clocks(tmp_path, berlin):
    """Six attempts of about a minute and a half, in hours of 23:58 to 00:02: two fit into a night."""
    rig, control = starting("2030-03-29T23:50")
    while_waiting = set()

    def look(progress):
        if progress.detail.startswith("waits"):
            while_waiting.add(control.state["profile"])

    hearing = Hearing(look)
    result = run(tmp_path / "c", rig, plan_of(night={"starts_at": "23:58", "ends_at": "00:02"}), hearing)
    assert (result.exit_code, result.accepted) == (0, 6)
    found = measured(tmp_path / "c")
    assert [verdict for _, verdict, _ in found] == ["accepted"] * 6
    evenings = [f"{start - timedelta(hours=1):%d %b}" for start, _, _ in found]
    assert {day: evenings.count(day) for day in evenings} == {"29 Mar": 2, "30 Mar": 2, "31 Mar": 2}
    firsts = [
        min(s for s, _, _ in found if f"{s - timedelta(hours=1):%d %b}" == day) for day in set(evenings)
    ]
    assert {f"{start:%H:%M}" for start in firsts} == {"23:58"}
    waits = [text.split(";")[0] for text in hearing.messages if text.startswith("waits until")]
    assert waits == ["waits until Fri 23:58", "waits until Sat 23:58", "waits until Sun 23:58"]
    assert while_waiting == {None}


def test_an_attempt_that_still_runs_at_the_end_is_measured_again_and_costs_no_try(tmp_path, berlin):
    """A night too short for what an attempt takes is tried, and interrupted at its end."""
    rig, _ = starting("2030-01-10T23:58")
    plan = plan_of(night={"starts_at": "23:58", "ends_at": "23:59"}, retries={"attempts_per_repeat": 1})
    stop = StopSignal()

    def look(progress):
        if progress.detail.startswith("waits"):
            stop.request("stop", "enough")

    run(tmp_path / "c", rig, plan, Hearing(look), stop)
    found = measured(tmp_path / "c")
    assert ("interrupted", "night-over") in {(verdict, code) for _, verdict, code in found}
    with CampaignStore.read(tmp_path / "c") as store:
        assert not any(repeat.exhausted for repeat in store.standing().repeats)


def test_an_end_alone_ends_the_run_resumable(tmp_path, berlin):
    rig, _ = starting("2030-01-10T23:27")
    result = run(tmp_path / "c", rig, plan_of(night={"ends_at": "23:30"}))
    assert result.exit_code == 130
    assert "the plan ends the night at 23:30" in result.reason
    assert 0 < result.accepted < 6


@pytest.mark.parametrize("wish", ["stop", "pause"])
def test_a_stop_ends_the_wait_between_nights(tmp_path, berlin, wish):
    rig, _ = starting("2030-01-10T12:00")
    stop = StopSignal()
    hearing = Hearing(lambda progress: progress.phase_s > 600 and stop.request(wish, "asked for"))
    result = run(
        tmp_path / "c", rig, plan_of(night={"starts_at": "23:00", "ends_at": "07:00"}), hearing, stop
    )
    assert (result.exit_code, result.accepted) == (130, 0)
    assert rig.clock.now_s() < 3600


def test_the_longest_night_counts_from_its_start_over_restarts(tmp_path, berlin):
    plan = plan_of(limits={"night_ends_after_s": 300})
    rig, _ = starting("2030-01-10T22:00")
    assert "after 300 s" in run(tmp_path / "c", rig, plan).reason
    began_s = rig.clock.now_s()
    run(tmp_path / "c", rig, plan, night_elapsed_s=200.0)
    assert rig.clock.now_s() - began_s == pytest.approx(100, abs=30)
    rig.clock.sleep_s(120)
    began_s = rig.clock.now_s()
    result = run(tmp_path / "c", rig, plan, night_elapsed_s=None)  # after a reboot: what the folder knows
    assert rig.clock.now_s() - began_s < 60
    assert "after 300 s" in result.reason


def test_a_clock_that_is_set_right_counts_at_once():
    clock = FakeClock(start_utc=datetime(2030, 1, 10, 12, tzinfo=UTC))
    night = NightWatch(plan_of(night={"starts_at": "23:00", "ends_at": "07:00"}), clock, zone=UTC)
    assert night.waits_until() == datetime(2030, 1, 10, 23, tzinfo=UTC)
    clock.step_utc(12 * 3600)
    assert night.waits_until() is None
    clock.step_utc(-2 * 3600)
    assert night.waits_until() == datetime(2030, 1, 10, 23, tzinfo=UTC)


def test_each_of_several_nights_has_its_own_longest_length():
    clock = FakeClock(start_utc=datetime(2030, 1, 10, 23, tzinfo=UTC))
    plan = plan_of(night={"starts_at": "23:00", "ends_at": "07:00"}, limits={"night_ends_after_s": 3600})
    night = NightWatch(plan, clock, zone=UTC)
    clock.sleep_s(3000)
    assert night.waits_until() is None
    clock.sleep_s(1000)
    assert night.waits_until() == datetime(2030, 1, 11, 23, tzinfo=UTC)
    assert night.ends_run() is None
    clock.sleep_s(86400 - 4000)
    assert night.waits_until() is None
    alone = NightWatch(plan_of(night={"ends_at": "07:00"}), clock, zone=UTC)
    clock.sleep_s(86400)
    assert isinstance(alone.ends_run(), StopRequested)
