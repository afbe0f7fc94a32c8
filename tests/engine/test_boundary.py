"""Whatever comes across a seam becomes the reason of one attempt, and the night is measured to its end.

Each row of the table is one whole night through the real driver, store and checks: in each attempt at one
title (but the first: a title that was never measured would be set aside with all its profiles) another fault
comes from one call of one seam. Common practice (fault injection), no source.
"""

from __future__ import annotations

import asyncio
import dataclasses
import json
import sqlite3
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness import log as harness_log
from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.errors import DiskFull, PlanError, SensorUnavailable, StoreError
from harness.guard.times import RESTORE_PAUSES_S
from harness.plan.schema import Plan
from harness.rig import Control, FrameLog, FrameLogSource, Rig, Workload, WorkloadState
from harness.telemetry.sampler import Sampler
from harness.testing import RecordingControl, ScriptedRig, ScriptedSensor, ScriptedWorkload, WorkloadScript


class Unprintable(Exception):
    """Its message can't be made."""

    def __str__(self) -> str:
        raise ValueError("no message")


judging = sys.modules["harness.checks.judge"]  # the package has a function of that name

#: Makes one of each kind of fault.
ERRORS: dict[str, Callable[[], BaseException]] = {
    "KeyError": lambda: KeyError("frames"),
    "ValueError": lambda: ValueError("stray \ud800 surrogate and \x00"),
    "TypeError": lambda: TypeError("x" * 100_000),
    "AssertionError": AssertionError,
    "ZeroDivisionError": ZeroDivisionError,
    "RecursionError": lambda: RecursionError("too deep"),
    "MemoryError": MemoryError,
    "UnicodeDecodeError": lambda: UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"),
    "PermissionError": lambda: PermissionError(13, "denied", "device"),
    "OperationalError": lambda: sqlite3.OperationalError("database is locked"),
    "ArrowInvalid": lambda: pa.ArrowInvalid("not a table"),
    "LinAlgError": lambda: np.linalg.LinAlgError("singular"),
    "SystemExit": lambda: SystemExit(1),
    "GeneratorExit": GeneratorExit,
    "StopIteration": StopIteration,
    "CancelledError": asyncio.CancelledError,
    "Unprintable": Unprintable,
    "StoreError": lambda: StoreError("said by a plugin"),
    "DiskFull": lambda: DiskFull("said by a plugin"),
    "SensorUnavailable": lambda: SensorUnavailable("said by the wrong seam"),
}

#: Those that the seams could mistake for one of their own, and one of the rest; the others by hand.
ALIKE = (
    "KeyError",
    "SystemExit",
    "CancelledError",
    "Unprintable",
    "StoreError",
    "DiskFull",
    "SensorUnavailable",
)
EACH_ERROR = [name if name in ALIKE else pytest.param(name, marks=pytest.mark.endurance) for name in ERRORS]

#: Call -> (verdicts, reason code) of the attempts in which it raises; None where it costs nothing.
RAISING: dict[str, tuple[str, str] | None] = {
    "rig.open_workload": ("failed", "launch-failed"),
    "workload.start": ("failed", "launch-failed"),
    "workload.poll in launch": ("failed", "launch-failed"),
    "workload.poll in warm-up": ("failed", "workload-failed"),
    "workload.poll in soak": ("failed", "workload-failed"),
    "workload.poll in measure": ("failed", "workload-failed"),
    "workload.poll in close": ("failed", "workload-failed"),
    "workload.process_id": None,
    "workload.growing_log": None,
    "workload.stop": ("failed", "workload-failed"),
    "workload.frame_log": ("rejected", "frame-log"),
    "workload.score": ("rejected", "score"),
    "rig.read_frame_log": ("rejected", "frame-log"),
    "rig.open_control": ("failed", "profile-refused"),
    "control.snapshot": ("failed", "profile-refused"),
    "control.apply": ("failed", "profile-refused"),
    "control.read_back": ("failed", "profile-refused"),
    "control.adapt_launch": ("failed", "profile-refused"),
    "control.verify_under_load": ("failed", "profile-refused"),
    "check": ("rejected", "check-failed"),
}
GOOD_STATE = WorkloadState(running=True)
NO_FRAMES = pa.table({"t_s": pa.array([], pa.float64()), "frametime_ms": pa.array([], pa.float64())})


def frames_of(t_s: Any, frametime_ms: Any) -> pa.Table:
    return pa.table({"t_s": t_s, "frametime_ms": frametime_ms})


#: Call -> what it gives instead of what it should.
RETURNING: dict[str, list[Any]] = {
    "rig.open_workload": [None, 7, "title", object()],
    "workload.poll in warm-up": [
        None,
        True,
        {"running": True},
        dataclasses.replace(GOOD_STATE, running=None),  # type: ignore[arg-type]
        dataclasses.replace(GOOD_STATE, exit_code=10**40, running=False),
        dataclasses.replace(GOOD_STATE, exit_code=float("nan")),  # type: ignore[arg-type]
        dataclasses.replace(GOOD_STATE, passes=10**12),
        dataclasses.replace(GOOD_STATE, passes=-1),
        dataclasses.replace(GOOD_STATE, last_sign_s=float("nan")),
        dataclasses.replace(GOOD_STATE, failure=7),  # type: ignore[arg-type]
    ],
    "workload.frame_log": [
        7,
        "frames.csv",
        Path("frames.csv"),
        FrameLogSource("frames.csv", None),  # type: ignore[arg-type]
    ],
    "workload.score": [float("nan"), float("inf"), "12", [1.0], 10**400, True, object()],
    "rig.read_frame_log": [
        None,
        NO_FRAMES,
        FrameLog(None, 0),
        FrameLog(pa.table({"a": [1]}), 1),
        FrameLog(pa.table({"t_s": [1.0]}), 1),
        FrameLog(frames_of(["a"], ["b"]), 1),
        FrameLog(frames_of([1.0, None], [10.0, 10.0]), 2),
        FrameLog(frames_of([1.0, 2.0], [10.0, float("nan")]), 2),
        FrameLog(frames_of([1.0, float("inf")], [10.0, 10.0]), 2),
        FrameLog(frames_of([1.0], [-10.0]), 1),
        FrameLog(frames_of([1.0], [0.0]), 1),
        FrameLog(frames_of([1.0], [10.0]), 10**30),
        FrameLog(frames_of([1.0], [10.0]), 1, {"lost": 3}),
        FrameLog(frames_of([1.0], [10.0]), 1, clock="moon"),  # type: ignore[arg-type]
        FrameLog(frames_of([1.0], [10.0]), 1, notes="note"),  # type: ignore[arg-type]
        FrameLog(NO_FRAMES, 0),
        FrameLog(frames_of([[1.0]], [[10.0]]), 1),
    ],
    "rig.open_control": [None, 7, object()],
    "control.snapshot": [None, 7, [1], {"x": {1, 2}}, {"x": float("nan")}, {"x": "y" * 2_000_000}],
    "control.read_back": [None, 7, [1], {"x": object()}, {"x": float("inf")}],
    "control.adapt_launch": [None, 7, {}],
    "control.verify_under_load": [None, 7, "not in force", [7], {"a": 1}],
    "check": [7, ["sentence"], object()],
}
SILENT: dict[str, list[Any]] = {
    "workload.process_id": [0, -1, "12", 10**30, 1.5, True],
    "workload.growing_log": [7, "frames.csv", object()],
}


class Faults:
    """Gives the next fault at one call of one seam; every other call goes through.

    Args:
        where: The call, as in the table.
        plan: What to do each time, in turn: return this value or raise it.
    """

    def __init__(self, where: str, make: list[Callable[[], Any]]) -> None:
        self.where = where
        self._make = make
        self.given = 0
        self.armed = True

    def meet(self, call: str, otherwise: Callable[[], Any]) -> Any:
        """The fault, if this is its call."""
        if not self.armed or call != self.where:
            return otherwise()
        made = self._make[self.given % len(self._make)]()
        self.given += 1
        if isinstance(made, BaseException):
            raise made
        return made


class FaultyWorkload(ScriptedWorkload):
    faults: Faults

    def start(self, launch: Any) -> None:
        self.faults.meet("workload.start", lambda: super(FaultyWorkload, self).start(launch))

    def poll(self) -> Any:
        return self.faults.meet(f"workload.poll in {PHASE[-1]}", super().poll)

    def process_id(self) -> Any:
        return self.faults.meet("workload.process_id", super().process_id)

    def stop(self, grace_s: float) -> None:
        super().stop(grace_s)
        self.faults.meet("workload.stop", lambda: None)

    def growing_log(self) -> Any:
        return self.faults.meet("workload.growing_log", super().growing_log)

    def frame_log(self) -> Any:
        return self.faults.meet("workload.frame_log", super().frame_log)

    def score(self) -> Any:
        return self.faults.meet("workload.score", super().score)


class FaultyControl(RecordingControl):
    faults: Faults

    def snapshot(self) -> Any:
        return self.faults.meet("control.snapshot", super().snapshot)

    def apply(self, profile: Any) -> None:
        self.faults.meet("control.apply", lambda: super(FaultyControl, self).apply(profile))

    def read_back(self, profile: Any) -> Any:
        return self.faults.meet("control.read_back", lambda: super(FaultyControl, self).read_back(profile))

    def adapt_launch(self, profile: Any, launch: Any) -> Any:
        return self.faults.meet(
            "control.adapt_launch", lambda: super(FaultyControl, self).adapt_launch(profile, launch)
        )

    def verify_under_load(self, profile: Any, readings: Any, process_id: Any) -> Any:
        return self.faults.meet(
            "control.verify_under_load",
            lambda: super(FaultyControl, self).verify_under_load(profile, readings, process_id),
        )


class FaultyRig(ScriptedRig):
    """Faults come in every attempt at ``salt-road`` but the first (controls: under ``quiet``)."""

    faults: Faults
    here = False  # the attempt under way is at ``salt-road``
    salt_roads = 0

    @property
    def at_fault(self) -> bool:
        """The attempt under way is one in which faults come."""
        return self.here and self.salt_roads > 1

    def open_workload(self, cell: Any) -> Any:
        self.here = cell.title.name == "salt-road"
        self.salt_roads += self.here

        def made() -> Any:
            kind = FaultyWorkload if self.at_fault else ScriptedWorkload
            script = WorkloadScript(ready_after_s=3.0, frametime_ms=JITTER_MS)
            workload = kind(self.clock, script)
            workload.faults = self.faults  # type: ignore[attr-defined]
            return workload

        return self.faults.meet("rig.open_workload", made) if self.at_fault else made()

    def read_frame_log(self, source: Any) -> Any:
        def read() -> Any:
            return ScriptedRig.read_frame_log(self, source)

        return self.faults.meet("rig.read_frame_log", read) if self.at_fault else read()


JITTER_MS = np.random.default_rng(7).permutation(np.linspace(9.0, 11.0, 6000)).tolist()


def plan_of(repeats: int, tries: int = 1) -> Plan:
    document: dict[str, Any] = {
        "plan": {
            "question": "Does the night go on?",
            "repeats": repeats,
            "reference": "factory",
            "allow_hardware_changes": True,
        },
        "conditions": {
            "cooldown": {"seconds": 1},
            "warm_up": {"seconds": 5},
            "soak": {"slope_at_most_c_per_min": 5, "window_s": 10, "timeout_s": 60},
        },
        "retries": {"attempts_per_repeat": tries, "launch_tries": 1},
        "sampling": {"period_s": 1.0},
        "profiles": [{"name": "factory"}, {"name": "quiet", "control": "tuning", "power_limit_w": 225}],
        "titles": [
            {"name": "harbour-lights", "workload": "command", "measure_s": 20},
            {"name": "salt-road", "workload": "command", "measure_s": 20},
        ],
    }
    return Plan.model_validate(document)


def night(folder: Path, rig: Any, plan: Plan, observer: Any = None, stop: StopSignal | None = None) -> Any:
    harness_log.configure(verbose=False)
    return run_campaign(
        plan=plan,
        plan_text=plan.model_dump_json(),
        plan_source="plan.toml",
        rig=rig,
        folder=folder,
        observer=observer or Silent(),
        stop=stop or StopSignal(),
    )


def faulty_rig(where: str, make: list[Callable[[], Any]]) -> FaultyRig:
    rig = FaultyRig()
    rig.faults = Faults(where, make)
    rig.sensors = [ScriptedSensor({"core_temp_c": 40.0, "power_w": 200.0}, rig.clock)]
    control = FaultyControl("tuning", changes_hardware=True)
    control.faults = rig.faults
    rig.controls["tuning"] = control
    return rig


#: The phase that the engine is in, last.
PHASE: list[str] = [""]


@pytest.fixture(autouse=True)
def _phases(monkeypatch) -> None:
    told = Sampler.set_phase

    def set_phase(self: Any, name: str) -> None:
        PHASE[:] = [name]
        told(self, name)

    monkeypatch.setattr(Sampler, "set_phase", set_phase)


@pytest.fixture
def broken_check(monkeypatch) -> Callable[[FaultyRig], None]:
    """Makes one check of the rig's faulty attempts misbehave."""

    def use(rig: FaultyRig) -> None:
        def rule(evidence: Any, checks: Any) -> Any:
            """Misbehaves."""
            return rig.faults.meet("check", lambda: None) if rig.at_fault else None

        monkeypatch.setattr(judging, "CHECKS", (*judging.CHECKS, judging.Check("faulty", rule)))

    return use


def rows_of(folder: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = pq.read_table(folder / "dataset" / "attempts.parquet").to_pylist()
    return rows


def of_the_control(where: str) -> bool:
    return where.startswith("control.") or where == "rig.open_control"


def hits(rows: list[dict[str, Any]], where: str) -> list[dict[str, Any]]:
    """The attempts in which the fault comes."""
    if of_the_control(where):
        return [row for row in rows if row["profile"] == "quiet"]
    return [row for row in rows if row["title"] == "salt-road"][1:]


def run_row(
    tmp_path: Path, where: str, make: list[Callable[[], Any]], check: Any, *, costs: bool = True
) -> list[dict[str, Any]]:
    """One night with one call at fault, one fault an attempt; the attempts that were hit.

    Faults that cost the attempt come in all tries of one repeat, the others in one repeat each.
    """
    rig = faulty_rig(where, make)
    if where == "check":
        check(rig)
    if where == "rig.open_control":
        # The first look at the plan's profiles opens the control in good order; later ones meet the fault.
        opened = rig.open_control
        rig.faults.armed = False
        rig.open_control = lambda kind: (  # type: ignore[method-assign]
            rig.faults.meet("rig.open_control", lambda: opened(kind)) if kind == "tuning" else opened(kind)
        )
        rig.open_sensors = lambda: setattr(rig.faults, "armed", True) or rig.sensors  # type: ignore
    repeats, tries = (1, len(make)) if costs else (len(make), 1)
    result = night(tmp_path / "c", rig, plan_of(repeats, tries))
    rows = rows_of(tmp_path / "c")
    assert result.wanted == 4 * repeats
    assert rig.faults.given >= len(make), "every fault came"
    hit = hits(rows, where)
    tries = 2 * len(make) if of_the_control(where) or not costs else 1 + len(make)
    assert len(rows) == 2 * repeats + tries, "every try was made"
    others = [row for row in rows if row not in hit]
    assert [row["verdict"] for row in others] == ["accepted"] * len(others)
    assert result.exit_code == (0 if all(row["verdict"] == "accepted" for row in hit) else 4)
    return hit


@pytest.mark.parametrize("where", RAISING)
def test_any_exception_at_any_call_of_any_seam_costs_its_own_attempt(where, tmp_path, broken_check):
    expected = RAISING[where]
    hit = run_row(tmp_path, where, list(ERRORS.values()), broken_check, costs=expected is not None)
    if expected is None:
        assert {row["verdict"] for row in hit} == {"accepted"}
        return
    assert {(row["verdict"], row["reason_code"]) for row in hit} == {expected}
    reasons = " | ".join(row["reason"] for row in hit)
    own = {"WorkloadFailed", "StoreError", "DiskFull", "SensorUnavailable"}
    assert [name for name in ERRORS if name not in own and name not in reasons] == []
    assert max(len(row["reason"]) for row in hit) < 2000
    faults = [json.loads(line) for line in (tmp_path / "c" / "log.jsonl").read_text().splitlines()]
    tracebacks = " ".join(entry.get("traceback", "") for entry in faults)
    assert [name for name in ERRORS if name not in tracebacks] == []


@pytest.mark.parametrize("where", RETURNING)
def test_anything_else_than_the_contract_says_costs_its_own_attempt(where, tmp_path, broken_check):
    hit = run_row(tmp_path, where, [lambda value=value: value for value in RETURNING[where]], broken_check)
    verdicts = Counter(row["verdict"] for row in hit)
    assert verdicts["accepted"] == 0, [row["reason"] for row in hit if row["verdict"] == "accepted"]
    assert all(row["reason_code"] and row["reason"] for row in hit)
    assert not any(row["reason_code"] == "program-fault" for row in hit)


@pytest.mark.parametrize("where", SILENT)
def test_a_wrong_answer_that_nobody_needs_costs_nothing(where, tmp_path, broken_check):
    make = [lambda value=value: value for value in SILENT[where]]
    hit = run_row(tmp_path, where, make, broken_check, costs=False)
    assert {row["verdict"] for row in hit} == {"accepted"}


def test_the_table_covers_every_call_that_the_seams_state():
    covered = {name.partition(" ")[0] for name in (*RAISING, *SENSOR_CALLS)}
    covered |= {"control.restore", "control.check", "rig.facts", "control.kind", "control.changes_hardware"}
    for seam, kind in (("rig", Rig), ("workload", Workload), ("control", Control)):
        stated = {name for name in vars(kind) if not name.startswith("_") and callable(getattr(kind, name))}
        assert {f"{seam}.{name}" for name in stated} <= covered
    assert len(RAISING) * len(ERRORS) == 400
    assert sum(map(len, RETURNING.values())) + sum(map(len, SILENT.values())) == 76
    assert len(SENSOR_CALLS) * len(ERRORS) == 80


#: Calls of the sensor seam.
SENSOR_CALLS = ("rig.open_sensors", "sensor.channels", "sensor.read", "sensor.close")


class FaultySensor(ScriptedSensor):
    faults: Faults

    def channels(self) -> Any:
        return self.faults.meet("sensor.channels", super().channels)

    def read(self, quantities: Any) -> Any:
        return self.faults.meet("sensor.read", lambda: super(FaultySensor, self).read(quantities))

    def close(self) -> None:
        self.faults.meet("sensor.close", super().close)


@pytest.mark.parametrize("name", EACH_ERROR)
@pytest.mark.parametrize("where", SENSOR_CALLS)
def test_any_exception_of_a_sensor_ends_no_night(where, name, tmp_path):
    rig = faulty_rig(where, [ERRORS[name]])
    sensor = FaultySensor({"fan_rpm": 900.0}, rig.clock, name="faulty")
    sensor.faults = rig.faults
    sound = rig.sensors[0]
    rig.sensors = [sensor, sound]
    rig.open_sensors = lambda: rig.faults.meet("rig.open_sensors", lambda: rig.sensors)  # type: ignore
    result = night(tmp_path / "c", rig, plan_of(1))
    assert result.exit_code in (0, 4)
    rows = rows_of(tmp_path / "c")
    assert len(rows) == 4
    if where in ("sensor.channels", "sensor.close"):
        assert {row["verdict"] for row in rows} == {"accepted"}


@pytest.mark.parametrize("value", [None, 7, "x", [1.0], {"fan_rpm": "fast"}, {"fan_rpm": 10**400}, {3: 1.0}])
def test_a_sensor_that_answers_nonsense_ends_no_night(value, tmp_path):
    rig = faulty_rig("sensor.read", [lambda: value])
    sensor = FaultySensor({"fan_rpm": 900.0}, rig.clock, name="faulty")
    sensor.faults = rig.faults
    rig.sensors = [sensor, *rig.sensors]
    result = night(tmp_path / "c", rig, plan_of(1))
    assert result.exit_code in (0, 4)
    assert len(rows_of(tmp_path / "c")) == 4


@pytest.mark.parametrize("name", ["KeyError", "MemoryError", "Unprintable", "StoreError", "DiskFull"])
def test_observers_that_raise_end_no_night(name, tmp_path):
    class Shouting(Silent):
        def on_progress(self, progress: Any) -> None:
            raise ERRORS[name]()

        def on_attempt(self, *arguments: Any) -> None:
            raise ERRORS[name]()

        def on_message(self, level: str, message: str) -> None:
            raise ERRORS[name]()

    result = night(tmp_path / "c", faulty_rig("nowhere", []), plan_of(1), Shouting())
    assert (result.exit_code, result.accepted) == (0, 4)


def refuses_to_restore(rig: Any, name: str, times: int) -> list[int]:
    """Let the control raise so often; how often it still will, to be changed."""
    refusals = [times]

    def restore(snapshot: Any) -> None:
        if refusals[0]:
            refusals[0] -= 1
            raise ERRORS[name]()

    rig.controls["tuning"].restore = restore
    return refusals


@pytest.mark.parametrize("name", EACH_ERROR)
def test_a_restore_that_raises_between_profiles_is_tried_again_and_the_night_goes_on(name, tmp_path):
    said = []

    class Hearing(Silent):
        def on_message(self, level: str, message: str) -> None:
            said.append(message)

    rig = faulty_rig("nowhere", [])
    refuses_to_restore(rig, name, 3)
    result = night(tmp_path / "c", rig, plan_of(2), Hearing())
    assert (result.exit_code, result.accepted, result.unrestored) == (0, 8, False)
    assert {row["verdict"] for row in rows_of(tmp_path / "c")} == {"accepted"}
    waits = [text.rpartition(" in ")[2] for text in said if "tried again in" in text]
    assert waits == ["1 s", "4 s", "15 s"]


def test_a_stop_ends_the_pause_before_the_next_try_to_restore(tmp_path):
    stop = StopSignal()

    class Stopping(Silent):
        def on_message(self, level: str, message: str) -> None:
            if "tried again in 4 s" in message:
                stop.request("interrupt", "interrupted by a test")

    rig = faulty_rig("nowhere", [])
    refusals = refuses_to_restore(rig, "KeyError", 2)
    result = night(tmp_path / "c", rig, plan_of(2), Stopping(), stop=stop)
    assert (result.exit_code, refusals, result.unrestored) == (130, [0], False)


@pytest.mark.parametrize("comes_back", [False, True])
@pytest.mark.parametrize("name", EACH_ERROR)
def test_a_restore_that_goes_on_raising_between_profiles_ends_the_night_and_uses_up_no_try(
    name, comes_back, tmp_path
):
    rig = faulty_rig("nowhere", [])
    refusals = refuses_to_restore(rig, name, len(RESTORE_PAUSES_S) + 2 if comes_back else 10**6)
    result = night(tmp_path / "c", rig, plan_of(2))
    assert result.exit_code == (4 if comes_back else 5)
    assert "between two profiles" in result.reason
    assert ("it was put back at the end" in result.reason) is comes_back
    assert ("levelrig restore" in result.reason) is not comes_back
    assert result.unrestored is not comes_back
    assert "interrupted" not in {row["verdict"] for row in rows_of(tmp_path / "c")}
    refusals[0] = 0
    again = night(tmp_path / "c", rig, plan_of(2))
    assert (again.exit_code, again.accepted, again.wanted) == (0, 8, 8)


@pytest.mark.parametrize("name", ERRORS)
def test_a_check_of_a_profile_that_raises_is_a_problem_of_the_plan(name, tmp_path):
    rig = faulty_rig("nowhere", [])

    def check(profile: Any) -> Any:
        raise ERRORS[name]()

    rig.controls["tuning"].check = check  # type: ignore[method-assign]
    with pytest.raises(PlanError, match=r"profiles\.quiet"):
        night(tmp_path / "c", rig, plan_of(1))
