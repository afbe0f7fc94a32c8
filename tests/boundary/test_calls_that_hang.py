"""A call across a seam that never returns: it is left behind, told, and nothing waits for it.

On the system's clock, with the limits of :mod:`harness.boundary.patience` made short. Common practice
(fault injection), no source.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from harness.boundary import GuardedControl, GuardedRig, GuardedWorkload, patience, wrappers
from harness.clock import SystemClock
from harness.errors import ControlRefused, FrameLogError, SeamError, WorkloadFailed
from harness.guard import times
from harness.plan.schema import Cell, ProfileSpec
from harness.rig import FrameLogSource, Launch, WorkloadState

LAUNCH = Launch(cell=cast(Cell, None), work_folder=Path(), output_path=Path("output.log"))
PROFILE = cast(ProfileSpec, None)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """What every hanging call waits for; set at the end, so that no thread is left."""
    for name, limit_s in {
        "START_LIMIT_S": 1.0,
        "POLL_LIMIT_S": 1.0,
        "POLL_STALE_S": 0.1,
        "STOP_LIMIT_S": 0.5,
        "TELL_LIMIT_S": 0.5,
        "GLANCE_LIMIT_S": 0.2,
        "READ_LOG_LIMIT_S": 0.5,
        "CONTROL_GRACE_S": 0.5,
        "CONTROL_CALL_S": 0.1,
    }.items():
        monkeypatch.setattr(wrappers, name, limit_s)
    event = threading.Event()
    yield event
    event.set()


class Title:
    """A workload of which one call hangs until ``held`` is set."""

    def __init__(self, held: threading.Event, hangs: str) -> None:
        self._held, self._hangs = held, hangs
        self.stops: list[float] = []

    def _do(self, name: str) -> None:
        if name == self._hangs:
            self._held.wait(60)

    def start(self, launch: Launch) -> None:
        self._do("start")

    def poll(self) -> WorkloadState:
        self._do("poll")
        return WorkloadState(running=True, ready=True)

    def process_id(self) -> int | None:
        self._do("process_id")
        return None

    def stop(self, grace_s: float) -> None:
        self._do("stop")
        self.stops.append(grace_s)

    def growing_log(self) -> FrameLogSource | None:
        self._do("growing_log")
        return None

    def frame_log(self) -> FrameLogSource | None:
        self._do("frame_log")
        return None

    def score(self) -> float | None:
        self._do("score")
        return 1.0


def until_raised(call: Callable[[], object], kind: type[SeamError], seconds: float = 20.0) -> str:
    """The sentence that the call raises at last; until then it must return at once."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        try:
            call()
        except kind as error:
            return str(error)
        time.sleep(0.05)
    raise AssertionError("it never raised")


@pytest.mark.parametrize("hangs", ["start", "poll"])
def test_a_title_whose_start_or_state_hangs_holds_nobody_up_and_fails_in_the_end(
    held: threading.Event, hangs: str
) -> None:
    title = Title(held, hangs)
    workload = GuardedWorkload(title, "the workload", SystemClock())
    workload.start(LAUNCH)
    first = workload.poll()
    assert (first.running, first.ready) == (True, False)
    sentence = until_raised(workload.poll, WorkloadFailed)
    assert f"the workload: {hangs} has not returned" in sentence
    assert "see what it waits for" in sentence
    with pytest.raises(WorkloadFailed, match=f"{hangs} has not returned"):
        workload.stop(0.0)
    assert title.stops == [0.0]


def test_a_title_that_starts_slowly_is_waited_for_beside_and_its_failure_is_told_by_the_poll(
    held: threading.Event,
) -> None:
    class Slow(Title):
        def start(self, launch: Launch) -> None:
            super().start(launch)
            raise WorkloadFailed("no such map", permanent=True)

    workload = GuardedWorkload(Slow(held, "start"), "the workload", SystemClock())
    workload.start(LAUNCH)
    assert not workload.poll().ready
    held.set()
    assert until_raised(workload.poll, WorkloadFailed) == "no such map"


def test_a_title_that_was_given_up_while_it_started_is_ended_once_it_has_started(
    held: threading.Event,
) -> None:
    title = Title(held, "start")
    workload = GuardedWorkload(title, "the workload", SystemClock())
    workload.start(LAUNCH)
    with pytest.raises(WorkloadFailed, match="start has not returned"):  # a window may just have closed
        workload.stop(0.0)
    held.set()
    end_s = time.monotonic() + 20
    while len(title.stops) < 2 and time.monotonic() < end_s:
        time.sleep(0.02)
    assert len(title.stops) == 2


@pytest.mark.parametrize(
    ("hangs", "call", "kind"),
    [
        ("stop", lambda w: w.stop(0.0), WorkloadFailed),
        ("frame_log", lambda w: w.frame_log(), FrameLogError),
        ("score", lambda w: w.score(), WorkloadFailed),
    ],
)
def test_the_other_calls_of_a_title_become_the_seams_error(
    held: threading.Event, hangs: str, call: Callable[[GuardedWorkload], object], kind: type[SeamError]
) -> None:
    workload = GuardedWorkload(Title(held, hangs), "the workload", SystemClock())
    with pytest.raises(kind, match=f"{hangs} has not returned"):
        call(workload)


@pytest.mark.parametrize("hangs", ["process_id", "growing_log"])
def test_what_only_informs_is_done_without(held: threading.Event, hangs: str) -> None:
    assert getattr(GuardedWorkload(Title(held, hangs), "the workload", SystemClock()), hangs)() is None


def test_no_thread_is_left_of_a_title_that_was_ended() -> None:
    before = threading.active_count()
    for _ in range(20):
        workload = GuardedWorkload(Title(threading.Event(), ""), "the workload", SystemClock())
        workload.start(LAUNCH)
        workload.poll()
        workload.stop(0.0)
        workload.poll()
        workload.score()
    end_s = time.monotonic() + 20
    while threading.active_count() > before and time.monotonic() < end_s:
        time.sleep(0.02)
    assert threading.active_count() <= before


def test_a_reader_that_hangs_is_left_behind(held: threading.Event) -> None:
    source = SimpleNamespace(spec=SimpleNamespace(reader="odd"), path="frames.odd")
    rig = SimpleNamespace(clock=SystemClock(), read_frame_log=lambda source: held.wait(60))
    with pytest.raises(FrameLogError, match=r"the reader odd of frames.odd has not returned"):
        GuardedRig(cast(Any, rig)).read_frame_log(cast(Any, source))


class Tuner:
    """A control of which one call hangs until ``held`` is set."""

    kind = "tuner"
    changes_hardware = True

    def __init__(self, held: threading.Event, hangs: str) -> None:
        self._held, self._hangs = held, hangs

    def __getattr__(self, name: str) -> Callable[..., Any]:
        if name.startswith("_") or name == "longest_call_s":
            raise AttributeError(name)

        def call(*arguments: object) -> Any:
            if name == self._hangs:
                self._held.wait(60)
            return {}

        return call


def test_nothing_is_restored_beside_a_change_that_hangs_and_it_is_once_that_has_returned(
    held: threading.Event,
) -> None:
    control = GuardedControl(cast(Any, Tuner(held, "apply")), "tuner", SystemClock())
    with pytest.raises(ControlRefused, match="control tuner: apply has not returned for"):
        control.apply(PROFILE)
    with pytest.raises(ControlRefused, match="apply has still not returned and may change the card yet"):
        control.restore({})
    held.set()
    control.restore({})
    assert control.read_back(PROFILE) == {}


@pytest.mark.parametrize("hangs", ["read_back", "verify_under_load", "snapshot"])
def test_the_card_is_put_back_beside_a_look_at_it_that_hangs(held: threading.Event, hangs: str) -> None:
    control = GuardedControl(cast(Any, Tuner(held, hangs)), "tuner", SystemClock())
    arguments = {"read_back": (PROFILE,), "verify_under_load": (PROFILE, {}, None), "snapshot": ()}
    with pytest.raises(ControlRefused, match=f"{hangs} has not returned for"):
        getattr(control, hangs)(*arguments[hangs])
    control.restore({})


def test_a_control_that_states_no_time_has_that_of_the_guard() -> None:
    assert patience.CONTROL_CALL_S == times.CALL_S
