"""Whole campaigns through the real driver, store and checks, on scripted doubles and a virtual clock."""

from __future__ import annotations

import contextlib
import dataclasses
import gc
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness import log as harness_log
from harness.commands.after_run import conclude
from harness.commands.status import summarise
from harness.engine.campaign import RunOptions, Unguarded, run_campaign
from harness.engine.progress import Progress, StopSignal
from harness.errors import CampaignBusy, ControlRefused, DiskFull, PlanChanged, PlanError, Problem
from harness.plan.schema import Cell, Plan, ProfileSpec
from harness.store.campaign import CampaignStore
from harness.testing import RecordingControl, ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript


def plan_of(**changes: Any) -> Plan:
    document: dict[str, Any] = {
        "plan": {
            "question": "Does the quiet setting keep the frame rate?",
            "repeats": 2,
            "reference": "factory",
            "allow_hardware_changes": True,
        },
        "conditions": {
            "cooldown": {"until_at_most_c": 45, "timeout_s": 60},
            "warm_up": {"seconds": 5},
        },
        "sampling": {"period_s": 0.5},
        "profiles": [{"name": "factory"}, {"name": "quiet", "control": "tuning", "power_limit_w": 225}],
        "titles": [
            {"name": "harbour-lights", "workload": "command", "measure_s": 20},
            {"name": "salt-road", "workload": "command", "measure_s": 20},
        ],
    }
    for table, values in changes.items():
        document[table] = {**document.get(table, {}), **values} if isinstance(values, dict) else values
    return Plan.model_validate(document)


class Watching:
    """An observer that keeps what it hears and may act on it."""

    def __init__(self, act: Any = None) -> None:
        self.attempts: list[tuple[str, str, int, str, str | None]] = []
        self.messages: list[str] = []
        self._act = act

    def on_progress(self, progress: Progress) -> None:
        if self._act is not None:
            self._act(progress)

    def on_attempt(self, cell_id: str, repeat: str, attempt: int, verdict: str, reason: str | None) -> None:
        self.attempts.append((cell_id, repeat, attempt, verdict, reason))

    def on_message(self, level: str, message: str) -> None:
        self.messages.append(message)


def run(folder: Path, rig: ScriptedRig, plan: Plan | None = None, **options: Any) -> tuple[Any, Watching]:
    observer = options.pop("observer", Watching())
    plan = plan or plan_of()
    result = run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=observer,
        stop=options.pop("stop", StopSignal()),
        wanted_cells=options.pop("wanted_cells", None),
        guard=options.pop("guard", None),
        options=RunOptions(**options),
    )
    return result, observer


#: Uneven frame times with a mean of 10 ms, so 100 FPS.
JITTER_MS = np.random.default_rng(7).permutation(np.linspace(9.0, 11.0, 6000)).tolist()


def rig_with(workload: Any = None, **script: Any) -> ScriptedRig:
    rig = ScriptedRig()
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0, **script}, rig.clock)]
    rig.controls["tuning"] = RecordingControl("tuning", changes_hardware=True)
    scripted = workload or (lambda cell: WorkloadScript())
    rig.workload = lambda cell: ScriptedWorkload(
        rig.clock, dataclasses.replace(scripted(cell), frametime_ms=JITTER_MS)
    )
    return rig


def attempts(folder: Path) -> list[dict[str, Any]]:
    return pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()


def test_a_whole_campaign_measures_every_repeat_once_and_leaves_a_complete_folder(tmp_path):
    harness_log.configure(verbose=False)
    rig = rig_with()
    result, _ = run(tmp_path / "c", rig)
    assert (result.exit_code, result.accepted, result.wanted) == (0, 8, 8)
    rows = attempts(tmp_path / "c")
    assert [row["verdict"] for row in rows] == ["accepted"] * 8
    assert {(row["cell_id"], row["repeat_index"]) for row in rows} == {
        (f"{title}.default.{profile}", repeat)
        for title in ("harbour-lights", "salt-road")
        for profile in ("factory", "quiet")
        for repeat in (1, 2)
    }
    # By definition: average FPS = frames / elapsed time.
    assert all(row["average_fps"] == pytest.approx(100.0, rel=1e-3) for row in rows)
    assert all(row["mean_power_w"] == pytest.approx(200.0) for row in rows)
    assert all(row["measured_s"] == pytest.approx(20.0) for row in rows)
    first = tmp_path / "c" / "attempts" / rows[0]["cell_id"] / "1.1"
    telemetry = pq.read_table(first / "telemetry.parquet")
    assert set(telemetry["phase"].to_pylist()) >= {"cooldown", "warm-up", "measure"}
    assert telemetry["t_s"][0].as_py() < 0 <= telemetry["t_s"][-1].as_py()
    assert pq.read_table(first / "frames.parquet").num_rows == pytest.approx(2000, abs=2)
    assert (first / "output.log.gz").is_file()
    assert not (first / "work").exists()
    log = [json.loads(line) for line in (tmp_path / "c" / "log.jsonl").read_text().splitlines()]
    assert sum(entry["event"] == "attempt ends" for entry in log) == 8


def test_each_profile_is_applied_from_the_restored_state_and_the_night_ends_restored(tmp_path):
    rig = rig_with()
    run(tmp_path / "c", rig)
    control = rig.controls["tuning"]
    assert isinstance(control, RecordingControl)
    changes = [call for call in control.calls if call[0] in ("apply", "restore")]
    applied = 0
    for name, _ in changes:
        applied += {"apply": 1, "restore": -1}[name]
        assert applied in (0, 1)
    assert applied == 0
    assert control.state == {"profile": None}


def test_a_second_run_on_a_finished_folder_measures_nothing(tmp_path):
    run(tmp_path / "c", rig_with())
    result, observer = run(tmp_path / "c", rig_with())
    assert result.exit_code == 0
    assert observer.attempts == []
    assert len(attempts(tmp_path / "c")) == 8


def test_a_title_that_crashes_under_one_profile_is_set_aside_there_and_the_night_goes_on(tmp_path):
    def script(cell: Cell) -> WorkloadScript:
        bad = cell.cell_id == "salt-road.default.quiet"
        return WorkloadScript(crashes_after_s=8.0 if bad else None)

    result, observer = run(tmp_path / "c", rig_with(script))
    assert (result.exit_code, result.accepted, result.wanted) == (4, 6, 8)
    crashed = [a for a in observer.attempts if a[3] == "failed"]
    assert [a[0] for a in crashed] == ["salt-road.default.quiet"] * 2
    assert {row["reason_code"] for row in attempts(tmp_path / "c") if row["verdict"] == "failed"} <= {
        "title-crashed",
        "title-failed",
    }


def test_a_title_that_hangs_is_ended_and_measured_again_up_to_the_bound(tmp_path):
    def script(cell: Cell) -> WorkloadScript:
        return WorkloadScript(silent_after_s=3.0 if cell.title.name == "salt-road" else None)

    plan = plan_of(
        retries={"attempts_per_repeat": 2, "set_aside_after_crashes": 9},
        titles=[
            {"name": "harbour-lights", "workload": "command", "measure_s": 20},
            {"name": "salt-road", "workload": "command", "measure_s": 200, "silent_at_most_s": 30},
        ],
    )
    result, _ = run(tmp_path / "c", rig_with(script), plan)
    assert (result.exit_code, result.accepted) == (4, 4)
    hung = [row for row in attempts(tmp_path / "c") if row["reason_code"] == "title-hung"]
    assert len(hung) == 8  # 2 profiles x 2 repeats x 2 tries
    assert all(row["duration_s"] < 60 for row in hung)


def test_a_cooldown_that_is_not_reached_is_marked_skipped_or_stops_the_night_as_the_plan_says(tmp_path):
    for then, exit_code, verdicts in (
        ("mark", 0, {"accepted"}),
        ("skip", 4, {"rejected"}),
        ("stop", 3, {"failed"}),
    ):
        plan = plan_of(conditions={"cooldown": {"until_at_most_c": 30, "timeout_s": 20, "then": then}})
        result, _ = run(tmp_path / then, rig_with(), plan)
        rows = attempts(tmp_path / then)
        assert result.exit_code == exit_code
        assert {row["verdict"] for row in rows} == verdicts
        if then == "mark":
            assert all("cooldown-timeout" in row["marks"] for row in rows)
            assert all(row["cooldown_end"] == "timeout" for row in rows)


def test_a_core_over_the_plans_limit_ends_the_night_restored_with_exit_code_5(tmp_path):
    rig = rig_with(core_temp_c=lambda t_s: 40.0 if t_s < 15 else 91.0)
    result, _ = run(tmp_path / "c", rig, plan_of(limits={"core_temp_c": 88}))
    assert result.exit_code == 5
    assert "core_temp_c is 91.0 °C" in result.reason
    assert attempts(tmp_path / "c")[-1]["reason_code"] == "safety"
    control = rig.controls["tuning"]
    assert isinstance(control, RecordingControl)
    assert control.state == {"profile": None}


def test_a_stop_in_the_window_leaves_a_resumable_folder_and_the_rerun_completes_it(tmp_path):
    stop = StopSignal()

    def act(progress: Progress) -> None:
        if progress.accepted == 3 and progress.phase == "measure":
            stop.request("interrupt", "interrupted by SIGINT")

    result, _ = run(tmp_path / "c", rig_with(), observer=Watching(act), stop=stop)
    assert (result.exit_code, result.accepted) == (130, 3)
    assert attempts(tmp_path / "c")[-1]["verdict"] == "interrupted"
    result, _ = run(tmp_path / "c", rig_with())
    assert (result.exit_code, result.accepted) == (0, 8)
    verdicts = [row["verdict"] for row in attempts(tmp_path / "c")]
    assert sorted(verdicts) == ["accepted"] * 8 + ["interrupted"]


def test_a_pause_lets_the_running_attempt_be_accepted_first(tmp_path):
    stop = StopSignal()

    def act(progress: Progress) -> None:
        if progress.accepted == 1 and progress.phase == "warm-up":
            stop.request("pause", "asked for")

    result, _ = run(tmp_path / "c", rig_with(), observer=Watching(act), stop=stop)
    assert (result.exit_code, result.accepted) == (130, 2)
    assert [row["verdict"] for row in attempts(tmp_path / "c")] == ["accepted"] * 2


def test_a_profile_that_is_refused_fails_its_attempts_and_the_rest_is_measured(tmp_path):
    rig = rig_with()
    rig.controls["tuning"] = RecordingControl("tuning", changes_hardware=True, refuse=["quiet"])
    result, _ = run(tmp_path / "c", rig)
    assert (result.exit_code, result.accepted) == (4, 4)
    refused = [row for row in attempts(tmp_path / "c") if row["profile"] == "quiet"]
    assert {row["reason_code"] for row in refused} == {"profile-refused"}


def test_a_profile_that_shows_no_effect_under_load_is_rejected(tmp_path):
    rig = rig_with()
    rig.controls["tuning"] = RecordingControl("tuning", changes_hardware=True, inert=["quiet"])
    result, _ = run(tmp_path / "c", rig)
    assert (result.exit_code, result.accepted) == (4, 4)
    assert all("no effect" in row["reason"] for row in attempts(tmp_path / "c") if row["profile"] == "quiet")


def test_what_the_device_would_refuse_is_told_before_anything_is_changed(tmp_path):
    rig = rig_with()
    problem = Problem("profiles.quiet.power_limit_w", "225 W is outside 250 to 450 W", "choose at least 250")
    rig.controls["tuning"] = RecordingControl("tuning", problems={"quiet": problem})
    with pytest.raises(PlanError, match="outside 250 to 450 W"):
        run(tmp_path / "c", rig)
    assert not (tmp_path / "c").exists()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_card_left_tuned_by_a_crashed_run_is_restored_before_anything_else(tmp_path):
    class Killed(BaseException):
        """Stands in for SIGKILL: nothing of the program runs after it."""

    def act(progress: Progress) -> None:
        if progress.cell_id and progress.cell_id.endswith("quiet") and progress.phase == "measure":
            raise Killed

    record = Unguarded()  # outlives the run, as the record on the disk does
    rig = rig_with()
    with pytest.raises(Killed):
        run(tmp_path / "c", rig, observer=Watching(act), guard=record)
    gc.collect()  # the open stream of the killed run, which only the system would close
    control = rig.controls["tuning"]
    assert isinstance(control, RecordingControl)
    assert control.state["profile"] == "quiet"
    result, observer = run(tmp_path / "c", rig, guard=record)
    assert result.exit_code == 0
    assert any("restoring it first" in message for message in observer.messages)
    assert control.state == {"profile": None}


def test_a_changed_plan_needs_a_flag_where_it_discards_measured_work(tmp_path):
    run(tmp_path / "c", rig_with())
    longer = plan_of(
        titles=[
            {"name": "harbour-lights", "workload": "command", "measure_s": 30},
            {"name": "salt-road", "workload": "command", "measure_s": 20},
        ]
    )
    with pytest.raises(PlanChanged):
        run(tmp_path / "c", rig_with(), longer)
    result, observer = run(tmp_path / "c", rig_with(), longer, discard_changed=True)
    assert result.exit_code == 0
    assert len(observer.attempts) == 4


def test_two_runs_on_one_folder_are_refused(tmp_path):
    def act(progress: Progress) -> None:
        with pytest.raises(CampaignBusy):
            run(tmp_path / "c", rig_with())
        raise SystemExit

    with pytest.raises(SystemExit):
        run(tmp_path / "c", rig_with(), observer=Watching(act))


def test_the_end_of_the_night_is_foretold_within_a_tenth_once_three_attempts_are_done(tmp_path):
    rig = rig_with()
    told: list[tuple[float, float]] = []

    def act(progress: Progress) -> None:
        if progress.accepted >= 3 and progress.ends_in_s is not None:
            told.append((rig.clock.now_s(), progress.ends_in_s))

    run(tmp_path / "c", rig, observer=Watching(act))
    end_s = rig.clock.now_s()
    assert all(abs(now_s + left_s - end_s) < 0.1 * end_s for now_s, left_s in told)


def test_the_store_can_be_looked_at_while_the_campaign_runs(tmp_path):
    seen: list[int] = []

    def act(progress: Progress) -> None:
        if progress.phase == "measure":
            store = CampaignStore.read(tmp_path / "c")
            seen.append(store.standing().accepted_count)
            store.close()

    run(tmp_path / "c", rig_with(), plan_of(plan={"repeats": 1}), observer=Watching(act))
    assert max(seen) == 3


def test_a_request_in_the_folder_pauses_after_the_attempt_and_is_taken_once(tmp_path):
    def act(progress: Progress) -> None:
        if progress.accepted == 1 and progress.phase == "warm-up":
            (tmp_path / "c" / "control.json").write_text('{"request": "pause-after-attempt"}')

    result, _ = run(tmp_path / "c", rig_with(), observer=Watching(act))
    assert (result.exit_code, result.accepted) == (130, 2)
    result, _ = run(tmp_path / "c", rig_with())
    assert (result.exit_code, result.accepted) == (0, 8)


def test_a_request_that_makes_no_sense_is_left_alone(tmp_path):
    def act(progress: Progress) -> None:
        (tmp_path / "c" / "control.json").write_text('{"request": ["stop"')

    result, _ = run(tmp_path / "c", rig_with(), observer=Watching(act))
    assert result.exit_code == 0


def test_a_full_disk_fails_the_attempt_and_ends_the_night_resumable(tmp_path, monkeypatch):
    def full(*arguments: Any) -> None:
        raise DiskFull("no room left; free 20 MiB")

    with monkeypatch.context() as patched:
        patched.setattr(CampaignStore, "keep_file", full)
        result, _ = run(tmp_path / "c", rig_with())
    assert (result.exit_code, result.accepted) == (3, 0)
    assert "no room left" in result.reason
    result, _ = run(tmp_path / "c", rig_with())
    assert (result.exit_code, result.accepted) == (0, 8)


def test_an_adaptive_rule_passes_over_what_is_decided_and_the_campaign_is_complete(tmp_path):
    def wanted(repeats: pa.Table) -> set[str]:
        done = set(repeats["cell_id"].to_pylist())
        first = {f"harbour-lights.default.{profile}" for profile in ("factory", "quiet")}
        second = {f"salt-road.default.{profile}" for profile in ("factory", "quiet")}
        return second | (first - done)  # harbour-lights is decided after one repeat

    result, observer = run(tmp_path / "c", rig_with(), wanted_cells=wanted)
    assert (result.exit_code, result.accepted, result.wanted) == (0, 6, 6)
    assert sum("harbour-lights" in attempt[0] for attempt in observer.attempts) == 2


def test_a_wall_clock_that_is_set_during_an_attempt_has_it_measured_again(tmp_path):
    rig = rig_with()
    stepped: list[bool] = []

    def act(progress: Progress) -> None:
        if progress.accepted == 1 and progress.phase == "measure" and not stepped:
            stepped.append(True)
            rig.clock.step_utc(3600.0)

    result, _ = run(tmp_path / "c", rig, observer=Watching(act))
    assert (result.exit_code, result.accepted) == (0, 8)
    (failed,) = [row for row in attempts(tmp_path / "c") if row["verdict"] == "failed"]
    assert failed["reason_code"] == "clock-stepped"


class Fickle(RecordingControl):
    """A control whose card something else puts back while the first attempt at ``quiet`` is measured."""

    def __init__(self) -> None:
        super().__init__("tuning", changes_hardware=True)
        self.lose_at_read = 2

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        self.lose_at_read -= profile.name == "quiet"
        if self.lose_at_read == 0 and profile.name == "quiet":
            raise ControlRefused(f"{profile.name} reads back as the factory state")
        return super().read_back(profile)


def test_an_attempt_whose_profile_did_not_hold_to_the_windows_end_is_rejected_and_applied_again(tmp_path):
    rig = rig_with()
    rig.controls["tuning"] = control = Fickle()
    result, observer = run(tmp_path / "c", rig)
    assert result.exit_code == 0
    rejected = [seen for seen in observer.attempts if seen[3] == "rejected"]
    assert len(rejected) == 1
    assert rejected[0][0].endswith("quiet")
    assert "read back at the window's end: quiet reads back as the factory state" in rejected[0][4]
    table = pq.read_table(tmp_path / "c" / "dataset" / "attempts.parquet").to_pylist()
    assert [row["reason_code"] for row in table if row["verdict"] == "rejected"] == ["profile-lost"]
    assert all(row["average_fps"] for row in table)  # kept with its numbers
    applied = [name for call, name in control.calls if call == "apply"]
    assert applied.count("quiet") >= 2


class Slipping(RecordingControl):
    """Under load the profile ``quiet`` shows at first that it is not in force."""

    def __init__(self):
        super().__init__("tuning")
        self.shown = []

    def verify_under_load(self, profile, readings, process_id):
        if profile.name != "quiet":
            return []
        self.shown.append(sum(call == ("apply", "quiet") for call in self.calls))
        return ["the clock is above the ceiling"] if len(self.shown) == 1 else []


def test_after_an_attempt_whose_profile_was_not_in_force_all_of_it_is_applied_again(tmp_path):
    rig = rig_with()
    rig.controls["tuning"] = control = Slipping()
    result, observer = run(tmp_path / "c", rig)
    assert result.exit_code == 0
    assert [
        "the clock is above the ceiling" in seen[4] for seen in observer.attempts if seen[3] == "rejected"
    ] == [True]
    assert control.shown[1] > control.shown[0]
    telemetry = next((tmp_path / "c" / "attempts").rglob("telemetry.parquet"))
    field = pq.read_schema(telemetry).field("core_temp_c")
    assert {b"unit", b"meaning", b"sensor", b"source"} <= field.metadata.keys()


#: What :func:`plan_of` gives, as a person writes it.
AS_TOML = """
[plan]
question = "Does the quiet setting keep the frame rate?"
repeats = 2
reference = "factory"
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
control = "tuning"
[[titles]]
name = "harbour-lights"
workload = "command"
measure_s = 20
[[titles]]
name = "salt-road"
workload = "command"
measure_s = 20
"""


class Stuck(RecordingControl):
    """A control whose restore fails as often as it is told to."""

    failures_left = 0

    def __init__(self) -> None:
        super().__init__("tuning", changes_hardware=True)

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        if self.failures_left > 0:
            self.failures_left -= 1
            raise ControlRefused("the driver does not answer")
        super().restore(snapshot)


class StuckAtTheEnd(Watching):
    """Lets the restore fail from the last repeat on; whatever came last, there is something to restore."""

    def __init__(self, control: Stuck, guard: Unguarded, failures: int) -> None:
        super().__init__()
        self.control, self.guard, self.failures = control, guard, failures

    def on_attempt(self, *about: Any) -> None:
        super().on_attempt(*about)
        if len(self.attempts) == 8:
            self.guard.save_snapshot("tuning", {"profile": None})
            self.control.failures_left = self.failures


def end_stuck(folder: Path, failures: int) -> tuple[Any, StuckAtTheEnd, Unguarded]:
    rig, control, guard = rig_with(), Stuck(), Unguarded()
    rig.controls["tuning"] = control
    observer = StuckAtTheEnd(control, guard, failures)
    result, _ = run(folder, rig, observer=observer, guard=guard)
    return result, observer, guard


def test_a_restore_that_fails_at_the_end_is_tried_again_with_growing_pauses(tmp_path):
    result, observer, guard = end_stuck(tmp_path / "c", 3)
    assert result.exit_code == 0
    assert guard.open_snapshots() == {}
    told = [message for message in observer.messages if "does not answer" in message]
    assert [message.rpartition(" in ")[2] for message in told] == ["1 s", "4 s", "15 s"]


def test_a_card_that_is_not_back_makes_a_complete_night_end_with_5(tmp_path):
    result, _, guard = end_stuck(tmp_path / "c", 99)
    assert result.accepted == result.wanted == 8
    assert result.exit_code == 5
    assert (
        "could not be put back as it was found: not restored: tuning: the driver does not answer"
        in result.reason
    )
    assert "tuning" in guard.open_snapshots()
    with contextlib.closing(CampaignStore.read(tmp_path / "c")) as store:
        assert store.sessions()[-1].outcome == "unrestored"
        assert "does not answer" in summarise(store, datetime.now(UTC))["unrestored"]
    (tmp_path / "c" / "plan.toml").write_text(AS_TOML)
    page = conclude(tmp_path / "c").files.page.read_text(encoding="utf-8")
    assert "The card was not put back when the last run ended" in page
    run(tmp_path / "c", rig_with())  # nothing is left to be measured; the card is back
    with contextlib.closing(CampaignStore.read(tmp_path / "c")) as store:
        assert store.unrestored() == ""
