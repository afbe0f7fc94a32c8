"""A read that never returns, on the real clock: sampling, stopping, closing and the program's end go on."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from harness.clock import SystemClock
from harness.rig import Channel, Reading
from harness.telemetry import KeptRows, Sampler, source


class Steady:
    """A sensor that counts."""

    def __init__(self, name: str = "steady", quantity: str = "memory_used_mib") -> None:
        self.name = name
        self.quantity = quantity
        self.reads = 0

    def channels(self) -> list[Channel]:
        return [Channel(self.quantity, "test")]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        self.reads += 1
        return {self.quantity: float(self.reads)}

    def close(self) -> None: ...


class Hanging(Steady):
    """Its reads hang from the third on until ``free`` is set; so does its close."""

    def __init__(self) -> None:
        super().__init__("hanging", "gpu_memory_used_mib")
        self.free = threading.Event()

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        if self.reads >= 2:
            self.free.wait()
        return super().read(quantities)

    def close(self) -> None:
        self.free.wait()


def until(true: Callable[[], bool], seconds: float = 60.0) -> bool:
    end_s = time.monotonic() + seconds
    while not true() and time.monotonic() < end_s:
        time.sleep(0.02)
    return true()


def test_a_read_that_never_returns_is_told_and_the_other_sensors_are_sampled_on():
    events: list[tuple[str, str]] = []
    hanging, steady, kept = Hanging(), Steady(), KeptRows()
    sampler = Sampler(
        [hanging, steady],
        SystemClock(),
        0.05,
        sensor_tries=3,
        on_event=lambda code, text: events.append((code, text)),
    )
    sampler.record_to(kept)
    sampler.start()
    assert until(lambda: any(code == "sensor-hanging" for code, _ in events))
    reads = steady.reads
    assert until(lambda: steady.reads > reads + 20)
    assert sampler.latest("gpu_memory_used_mib") is None
    assert "a read does not return" in (sampler.why_unread("gpu_memory_used_mib") or "")
    assert sampler.latest("memory_used_mib") is not None
    hanging.free.set()
    assert until(lambda: sampler.latest("gpu_memory_used_mib") is not None)
    assert until(lambda: any(code == "sensor-back" for code, _ in events))
    sampler.stop_recording()
    sampler.close()
    rows = kept.whole()
    assert rows["gpu_memory_used_mib"].null_count > rows["memory_used_mib"].null_count
    (trouble,) = [text for text in sampler.troubles(0.0) if text.startswith("sensor-hanging")]
    assert "left behind" in trouble


def test_stop_and_close_return_while_a_read_and_a_close_hang():
    hanging, steady = Hanging(), Steady()
    sampler = Sampler([hanging, steady], SystemClock(), 0.05, sensor_tries=3, on_event=lambda *_: None)
    sampler.start()
    assert until(lambda: hanging.reads >= 2 and steady.reads > 30)
    done = threading.Event()

    def end() -> None:
        sampler.stop()
        sampler.close()
        done.set()

    threading.Thread(target=end, daemon=True).start()
    assert done.wait(60)
    assert not hanging.free.is_set()
    hanging.free.set()


def test_another_read_is_tried_after_a_while_and_so_many_are_left_behind_at_most(monkeypatch):
    monkeypatch.setattr(source, "RENEW_AFTER_S", 0.05)
    hanging = Hanging()
    hanging.reads = 2
    before = threading.active_count()
    sampler = Sampler([hanging], SystemClock(), 0.02, sensor_tries=3, on_event=lambda *_: None)
    sampler.start()
    taken = sampler._sources[0]
    assert until(lambda: taken.left_behind == source.MOST_LEFT_BEHIND)
    time.sleep(0.5)
    assert taken.left_behind == source.MOST_LEFT_BEHIND
    assert threading.active_count() <= before + source.MOST_LEFT_BEHIND + 2  # and the ticker
    hanging.free.set()
    sampler.close()
    assert until(lambda: threading.active_count() <= before)


CAMPAIGN = """
import sys, threading, time
from pathlib import Path
from harness.clock import SystemClock
from harness.engine.campaign import RunOptions, run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.schema import Plan
from harness.rig import Channel
from harness.testing import ScriptedRig, ScriptedWorkload

class Card:
    name = "card"
    end_s = float("inf")
    def open_workload(self, cell):  # it hangs so long after the first title began
        self.end_s = min(self.end_s, time.monotonic() + float(sys.argv[2]))
        return ScriptedWorkload(clock)
    def channels(self): return [Channel("core_temp_c", "test"), Channel("power_w", "test")]
    def read(self, quantities):
        if time.monotonic() > self.end_s: threading.Event().wait()
        return {"core_temp_c": 50.0, "power_w": 200.0}
    def close(self): threading.Event().wait()

limits = {"core_temp_c": 90, "wait_for_readings_s": 2} if sys.argv[3] == "limit" else {}
plan = Plan.model_validate({
    "plan": {"question": "Does it end?", "repeats": 2, "reference": "factory"},
    "conditions": {"cooldown": {"seconds": 0.1}, "warm_up": {"seconds": 0.1}},
    "limits": limits, "retries": {"attempts_per_repeat": 1},
    "profiles": [{"name": "factory"}],
    "titles": [{"name": "harbour-lights", "workload": "command", "measure_s": float(sys.argv[4])}],
})
clock, card = SystemClock(), Card()
rig = ScriptedRig(clock=clock, sensors=[card], workload=card.open_workload)
result = run_campaign(plan=plan, plan_text=plan.model_dump_json(), plan_source="plan.toml", rig=rig,
    folder=Path(sys.argv[1]), observer=Silent(), stop=StopSignal(), options=RunOptions())
print("ended", result.exit_code, result.accepted, result.reason)
"""


def campaign(folder: Path, hangs_after_s: float, limit: str, measure_s: float) -> str:
    """The last line that a whole campaign prints whose driver hangs; its process must end by itself."""
    words = [sys.executable, "-c", CAMPAIGN, str(folder), str(hangs_after_s), limit, str(measure_s)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()[-1]


def test_a_campaign_whose_driver_never_returns_ends_and_its_repeats_are_not_accepted(tmp_path: Path):
    """Before, repeats were accepted without telemetry and the run hung in its end."""
    assert campaign(tmp_path / "c", 2.0, "none", 8.0).startswith("ended 4 0")


def test_with_a_limit_the_title_is_ended_no_try_is_used_and_the_run_ends_resumable(tmp_path: Path):
    line = campaign(tmp_path / "c", 4.0, "limit", 60.0)
    assert line.startswith("ended 3 0")
    assert "waited 2 s for readings" in line


def test_one_that_is_slow_is_waited_for_and_those_behind_one_that_hangs_are_read_in_the_same_row():
    """All go to one thread; what hangs keeps it, and the rest goes to a new one at once."""

    takes_s = 0.15

    class Slow(Steady):
        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            time.sleep(takes_s)
            return super().read(quantities)

    slow = [Slow(f"slow {n}", quantity) for n, quantity in enumerate(("fan_pct", "cpu_load_pct", "fan_rpm"))]
    hanging, behind = Hanging(), Steady("behind", "gpu_load_pct")
    hanging.reads = 2
    sampler = Sampler([*slow, hanging, behind], SystemClock(), 0.05, sensor_tries=3, on_event=lambda *_: None)
    sampler.tick()
    rows = {name: sampler.latest(name) for name in ("fan_pct", "cpu_load_pct", "fan_rpm", "gpu_load_pct")}
    assert all(rows.values()), rows  # 0.45 s in all: the limit is each one's own
    assert sampler.latest("gpu_memory_used_mib") is None
    sampler.tick()
    assert hanging.reads == 2
    assert behind.reads == 2
    takes_s = 0.0
    hanging.free.set()
    assert until(lambda: sampler.tick() is None and sampler.latest("gpu_memory_used_mib") is not None)
    sampler.close()


def test_what_a_late_read_raises_is_that_sensors_failure():
    class Refusing(Hanging):
        def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
            self.free.wait()
            raise ValueError("the driver said no")

    events: list[tuple[str, str]] = []
    refusing, steady = Refusing(), Steady()
    sampler = Sampler(
        [refusing, steady],
        SystemClock(),
        0.05,
        sensor_tries=1,
        on_event=lambda code, text: events.append((code, text)),
    )
    sampler.tick()
    refusing.free.set()
    assert until(lambda: sampler.tick() is None and any("the driver said no" in text for _, text in events))
    assert steady.reads > 1
    sampler.close()
