"""The steps of one run of a title, as a pure state machine: what is seen goes in, what to do comes out.

No clock, no screen, no file: times come with each call. Whoever carries the orders out calls
:meth:`Play.now`, does that one thing, and tells what came of it. A wait is met by two looks in a row, so that
a picture that flashes by is none. An act is done once and never again: what a second press would do is not
known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from harness.plan.steps_table import LEAVE_WITHIN_S, StepSpec, SurpriseSpec

#: Looks in a row that must show what is waited for.
HITS: Final = 2
#: Waits that one look decides: what they ask for does not flash by.
_SURE: Final = frozenset(("line", "file", "process"))
#: A surprise that was answered is given so long to go, seconds.
GOING_S: Final = 5.0
#: Steps that a run of a title may make in all; surprises and `then` can lead to many.
MOST_STEPS: Final = 10_000

Part = Literal["before", "window", "after"]


@dataclass(frozen=True)
class Program:
    """All that a title's steps say, for one setting, placeholders filled in."""

    steps: tuple[StepSpec, ...]
    sequences: Mapping[str, tuple[StepSpec, ...]] = field(default_factory=dict)
    surprises: tuple[SurpriseSpec, ...] = ()
    measure_s: float | None = None

    @property
    def boundary(self) -> int:
        """Index of the step with which the measured window is over; the number of steps where none says."""
        for way in ("end", "leave"):
            for index, step in enumerate(self.steps):
                if step.way == way:
                    return index
        return len(self.steps)


@dataclass(frozen=True)
class Seen:
    """What one look showed.

    Attributes:
        met: What the step waits for is so now.
        detail: How near it is, in a few words, for the reason of a step that fails.
        surprise: Index of the surprise that is on the screen; None for none.
    """

    met: bool
    detail: str = ""
    surprise: int | None = None


@dataclass(frozen=True)
class Look:
    """Look whether what the step waits for is so."""

    step: StepSpec
    place: str
    surprises: tuple[int, ...] = ()


@dataclass(frozen=True)
class Do:
    """Do what the step says, once; not where one of the surprises is on the screen."""

    step: StepSpec
    place: str
    surprises: tuple[int, ...] = ()


@dataclass(frozen=True)
class Hold:
    """Nothing now: the rig waits for its stages, or the window for its time."""

    place: str
    until_s: float | None = None


@dataclass(frozen=True)
class Point:
    """A point of the measurement is reached; it counts from the time at which this is confirmed."""

    way: Literal["ready", "begin", "end"]
    place: str


@dataclass(frozen=True)
class Over:
    """Nothing is left to do.

    Attributes:
        failure: Why the steps could not go on; empty where all were done.
        place: The step that failed, in words.
        picture: The picture that it wanted, where it wanted one.
    """

    failure: str = ""
    place: str = ""
    picture: str = ""


Order = Look | Do | Hold | Point | Over


@dataclass
class _Frame:
    """A place in a list of steps."""

    name: str
    steps: Sequence[StepSpec]
    index: int = 0
    answers: int | None = None  # the surprise that these steps answer


@dataclass
class Times:
    """When the points of the measurement were reached, by the clock of the calls; None: not yet."""

    ready_s: float | None = None
    begin_s: float | None = None
    end_s: float | None = None


class Play:
    """One run through the steps.

    Attributes:
        times: When the points were reached.
        marks: What went otherwise than planned and is no failure, a sentence each.
    """

    def __init__(self, program: Program) -> None:
        self._program = program
        self._stack = [_Frame("", program.steps)]
        self._since_s: float | None = None
        self._hits = 0
        self._made = 0
        self._stages_over = False
        self._leaving_s: float | None = None
        self._answers: dict[int, int] = {}
        self._answered_s: dict[int, float] = {}
        self._over: Over | None = None
        self.times = Times()
        self.marks: list[str] = []

    # --- what is to be done ---------------------------------------------------------------------------------

    @property
    def part(self) -> Part:
        """Where it stands: before the window, in it, or after it."""
        if self.times.end_s is not None or self._leaving_s is not None:
            return "after"
        return "before" if self.times.begin_s is None else "window"

    @property
    def is_over(self) -> bool:
        """Nothing is left to do, or nothing more can be done."""
        return self._over is not None

    def now(self, now_s: float) -> Order:
        """What is to be done now. The same until something is told."""
        if self._over is not None:
            return self._over
        if self._leaving_s is not None and now_s - self._leaving_s > LEAVE_WITHIN_S:
            self._fail(f"leaving took over {LEAVE_WITHIN_S:g} s")
            return self.now(now_s)
        if self.times.end_s is not None and self._leaving_s is None:
            return Hold(self.place)  # until the rig has taken note
        step = self._step()
        if step is None:
            if self._leaving_s is None:
                return Hold(self.place)
            self._over = Over()
            return self._over
        if self._since_s is None:
            self._since_s, self._hits = now_s, 0
        match step.way:
            case "ready" | "begin" | "end":
                return self._point(step, now_s)
            case "wait_s":
                until_s = self._since_s + (step.wait_s or 0.0)
                if now_s >= until_s:
                    self._go_on()
                    return self.now(now_s)
                return (
                    Look(step, self.place, self._watched()) if self._watched() else Hold(self.place, until_s)
                )
            case "sequence":
                self._run(step.sequence or "")
                return self.now(now_s)
            case "leave" if self.part != "after":
                return Hold(self.place)
            case _ if step.waits:
                return Look(step, self.place, self._watched())
            case _:
                return Do(step, self.place, self._watched())

    def _point(self, step: StepSpec, now_s: float) -> Order:
        times = self.times
        if step.way == "begin":
            if times.ready_s is None:
                return Point("ready", self.place)
            return Point("begin", self.place) if self._stages_over else Hold(self.place)
        if step.way == "ready":
            if times.ready_s is None:
                return Point("ready", self.place)
            if not self._stages_over:
                return Hold(self.place)
            self._go_on()
            return self.now(now_s)
        if times.end_s is not None or self._leaving_s is not None:
            self._go_on()
            return self.now(now_s)
        measure_s = self._program.measure_s
        if measure_s is not None:  # the rig itself ends the window
            return Hold(self.place, None if times.begin_s is None else times.begin_s + measure_s)
        return Point("end", self.place)

    def _watched(self) -> tuple[int, ...]:
        """Surprises that are looked for: none inside the window, which looking would disturb, and not the one
        that is being answered, which is still there."""
        if self.part == "window":
            return ()
        answered = {frame.answers for frame in self._stack}
        return tuple(index for index in range(len(self._program.surprises)) if index not in answered)

    # --- what came of it ------------------------------------------------------------------------------------

    def looked(self, now_s: float, seen: Seen) -> None:
        """A look was made."""
        step = self._step()
        if self._over is not None:
            return
        if seen.surprise is not None:
            self._surprised(seen.surprise, now_s)
            return
        if step is None or not step.waits or step.way == "wait_s":
            return
        self._hits = self._hits + 1 if seen.met else 0
        if self._hits >= (1 if step.way in _SURE and not step.gone else HITS):
            self._go_on(now_s)
        elif self._since_s is not None and not self._hits and now_s - self._since_s >= step.within_s:
            what = "still there after" if step.gone else "it did not come within"
            self._not_met(f"{what} {step.within_s:g} s" + (f" ({seen.detail})" if seen.detail else ""))

    def is_late(self, now_s: float) -> bool:
        """Whether the time of the present wait is over: the next look decides."""
        step = self._step()
        return step is not None and self._since_s is not None and now_s - self._since_s >= step.within_s

    def done(self, now_s: float) -> None:
        """The act was done, or the point was reached at that time."""
        step = self._step()
        if self._over is not None or step is None:
            return
        if step.way in ("ready", "begin") and self.times.ready_s is None:
            self.times.ready_s = now_s
            return
        if step.way == "begin":
            self.times.begin_s = now_s
        elif step.way == "end":
            self.times.end_s = now_s
        self._go_on(now_s)

    def refused(self, why: str) -> None:
        """The act could not be done, and was not, or not wholly."""
        if self._over is None:
            self._not_met(why)

    def stop(self, why: str) -> None:
        """Something outside of the steps ends them: a stray window, a hung title."""
        if self._over is None:
            self._fail(why)

    def stages_over(self) -> None:
        """The rig's stages are over: the window may begin."""
        self._stages_over = True

    def window_over(self, now_s: float) -> None:
        """The rig has ended the window: what is left is how the title is left."""
        if self._leaving_s is not None:
            return
        self._leaving_s = now_s
        if self._over is None and self.times.end_s is None:
            main = self._stack[0]
            main.index = max(main.index, self._program.boundary)
            self._stack = [main]
            self._since_s, self._hits = None, 0

    # --- inside ---------------------------------------------------------------------------------------------

    @property
    def place(self) -> str:
        """Where it stands, in words: ``step 3 of 9 (wait for the picture menu.png)``."""
        step = self._step()
        main = self._stack[0]
        number = min(main.index + (len(self._stack) == 1), len(main.steps)) or 1
        words = f"step {number} of {len(main.steps)}"
        if len(self._stack) > 1:
            inner = self._stack[-1]
            words += f", sequence {inner.name}, step {min(inner.index + 1, len(inner.steps))}"
        return words if step is None else f"{words} ({step.in_words()})"

    def _step(self) -> StepSpec | None:
        """The present step; lists that are through are left."""
        while len(self._stack) > 1 and self._stack[-1].index >= len(self._stack[-1].steps):
            self._stack.pop()
        frame = self._stack[-1]
        return frame.steps[frame.index] if frame.index < len(frame.steps) else None

    def _go_on(self, now_s: float | None = None) -> None:
        frame = self._stack[-1]
        frame.index += 1
        if frame.answers is not None and now_s is not None:
            self._answered_s[frame.answers] = now_s
        self._since_s, self._hits = None, 0
        self._made += 1
        if self._made > MOST_STEPS:
            self._fail(f"over {MOST_STEPS} steps were made")

    def _run(self, name: str) -> None:
        """Go on with that sequence, and after it with the step that follows the present one."""
        self._go_on()
        self._stack.append(_Frame(name, self._program.sequences[name]))

    def _surprised(self, index: int, now_s: float) -> None:
        if now_s - self._answered_s.get(index, float("-inf")) < GOING_S:
            return
        surprise = self._program.surprises[index]
        what = f"the picture {surprise.picture} came" + (f": {surprise.says}" if surprise.says else "")
        answered = self._answers.get(index, 0)
        if surprise.sequence is None:
            self._fail(what, surprise.picture)
        elif answered >= surprise.times:
            self._fail(f"{what}, again after it was answered {answered}×", surprise.picture)
        else:
            self._answers[index] = answered + 1
            self.marks.append(f"surprise: {surprise.name} came and was answered, at {self.place}")
            self._since_s, self._hits = None, 0
            steps = self._program.sequences[surprise.sequence]
            self._stack.append(_Frame(surprise.sequence, steps, answers=index))

    def _not_met(self, why: str) -> None:
        step = self._step()
        if step is None or step.then == "fail":
            self._fail(why)
        elif step.then == "go-on":
            self.marks.append(f"step-passed-over: {self.place}: {why}")
            self._go_on()
        else:
            self.marks.append(f"step-passed-over: {self.place}: {why}; sequence {step.then} was run")
            self._run(step.then)

    def _fail(self, why: str, picture: str = "") -> None:
        step = self._step()
        wanted = picture or (step.pictures[0] if step is not None and step.pictures else "")
        self._over = Over(why, self.place, wanted)
