"""Carries a play out on a desk, on a thread of its own: the engine only asks how it stands."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from harness.clock import Clock
from harness.errors import WorkloadFailed
from harness.log import get_logger
from harness.plan.steps_table import StepSpec
from harness.steps.desk import Desk, NoDesk
from harness.steps.evidence import Evidence
from harness.steps.eyes import Eyes
from harness.steps.hands import Hands
from harness.steps.likeness import Picture
from harness.steps.own_windows import OwnWindows, Stray
from harness.steps.play import Do, Hold, Look, Over, Play, Point, Program, Seen
from harness.steps.senses import Senses

#: Between two looks at the screen; one takes some 20 ms of a processor (tests/bench/FIGURES.md).
LOOK_S: Final = 0.5
#: Between two looks that need no screen.
LISTEN_S: Final = 0.1
#: Between two questions whether it goes on.
_HOLD_S: Final = 0.05
#: Between two looks whether the picture still changes, inside the window.
STILL_LOOK_S: Final = 2.0

log = get_logger("levelrig.steps")


class _Ended(Exception):
    """The run ends: whatever is waited for is not waited for any more."""


@dataclass(frozen=True)
class Standing:
    """How the steps stand.

    Attributes:
        place: The present step, in words.
        ready, over: The title is ready; nothing is left to do.
        begin_s, end_s: When the measured window began and ended, by the rig's clock.
        failure: Why they could not go on; empty while they can.
        spoilt: The measurement is spoilt by that; else it was over, and only leaving the title failed.
        no_desk: It is screen and keyboard that can't be reached.
        marks: What went otherwise than planned and is no failure.
    """

    place: str = ""
    ready: bool = False
    over: bool = False
    begin_s: float | None = None
    end_s: float | None = None
    failure: str = ""
    spoilt: bool = False
    no_desk: bool = False
    marks: tuple[str, ...] = ()


@dataclass
class Surroundings:
    """What a player needs of the run around it.

    Attributes:
        open_desk: Opens screen, keyboard and pointer.
        process_ids: The title's processes now.
        senses: Answers waits that need no screen.
        run_command: Runs a command to its end, within so many seconds; raises WorkloadFailed.
        end_title: Ends the title at once.
        pictures: File name in the plan -> picture.
        still_at_most_s: Its picture may stand still so long inside the window; None: not watched.
    """

    open_desk: Callable[[], Desk]
    process_ids: Callable[[], Collection[int]]
    senses: Senses
    run_command: Callable[[StepSpec], None]
    end_title: Callable[[], None]
    pictures: Mapping[str, Picture] = field(default_factory=dict)
    still_at_most_s: float | None = None


class Player:
    """Plays a program. One use.

    Args:
        program: The steps.
        around: The run around it.
        evidence: Takes pictures and the account.
        clock: The rig's clock.
    """

    def __init__(self, program: Program, around: Surroundings, evidence: Evidence, clock: Clock) -> None:
        self._program = program
        self._around = around
        self._evidence = evidence
        self._clock = clock
        self._play = Play(program)
        self._lock = threading.Lock()
        self._standing = Standing()
        self._quit = threading.Event()
        self._stages_over = threading.Event()
        self._window_over = threading.Event()
        self._title_gone = threading.Event()
        self._started_s = clock.now_s()
        self._still: tuple[int, float] | None = None
        self._still_looked_s = 0.0
        self._end_kept = self._spoilt_at_end = self._no_desk = False
        self._outside = ""
        self._thread = threading.Thread(target=self._run, name="levelrig-steps", daemon=True)

    # --- what the engine's side calls -----------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def standing(self) -> Standing:
        """How it stands now."""
        with self._lock:
            return self._standing

    def stages_over(self) -> None:
        """The rig's stages are over: the window may begin."""
        self._stages_over.set()

    def leave(self, within_s: float) -> None:
        """The window is over: do what is left, for so long at most, and end."""
        self._window_over.set()
        self._thread.join(within_s)
        self.quit()

    def title_gone(self) -> None:
        """The title has ended: there is nothing left to look at."""
        self._title_gone.set()

    def title_failed(self, why: str) -> None:
        """The title itself says that it has failed: the steps end, with the evidence of a failure."""
        self._outside = why
        self._quit.set()

    def quit(self) -> None:
        """End at once. Safe to call twice."""
        self._quit.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(5.0)

    # --- the thread -----------------------------------------------------------------------------------------

    def _run(self) -> None:
        desk: Desk | None = None
        try:
            desk = self._desk = self._around.open_desk()
            self._own = OwnWindows(desk, self._around.process_ids)
            self._eyes = Eyes(desk, self._own, self._around.pictures, self._program.surprises)
            self._hands = Hands(desk, self._own, self._eyes, self._sleep, self._clock.now_s)
            self._loop()
        except _Ended:
            pass
        except NoDesk as error:  # no fault of the title's steps
            self._no_desk = True
            self._play.stop(str(error))
        except WorkloadFailed as error:
            self._play.stop(str(error))
        except Exception as error:  # a library or a display that breaks is a finding of the attempt
            log.exception("the steps broke")
            self._play.stop(f"{type(error).__name__}: {error}")
        finally:
            if self._outside:
                self._play.stop(self._outside)
            if desk is not None:
                self._keep_failure()
                with contextlib.suppress(Exception):
                    desk.close()
            self._note()
            self._evidence.write(self.standing().failure, self._play.marks)

    def _sleep(self, seconds: float) -> None:
        """Wait; raises where the run ends meanwhile."""
        until_s = self._clock.now_s() + seconds
        while (left_s := until_s - self._clock.now_s()) > 0:
            if self._quit.wait(min(left_s, 0.5)):
                raise _Ended
        if self._quit.is_set():
            raise _Ended

    def _loop(self) -> None:
        play, now_s, left = self._play, self._clock.now_s, False
        while not self._quit.is_set():
            if self._stages_over.is_set():
                play.stages_over()
            if self._window_over.is_set() and not left:
                left = True
                self._window_ends()
                play.window_over(now_s())
            self._note()
            order = play.now(now_s())
            match order:
                case Over():
                    return
                case Hold():
                    self._sleep(_HOLD_S)
                    self._see_that_it_moves()
                case Point():
                    self._reach(order)
                case Do():
                    self._act(order)
                case Look():
                    self._look(order)

    def _look(self, order: Look) -> None:
        step = order.step
        if self._title_gone.is_set():
            self._play.looked(self._clock.now_s(), Seen(step.gone, "the title has ended"))
            self._sleep(LISTEN_S)
            return
        on_screen = step.way in ("window", "picture") or bool(order.surprises)
        if step.picture is not None or order.surprises:
            self._hands.park()
        late = self._play.is_late(self._clock.now_s())
        seen = self._eyes.look(step, order.surprises, thorough=late) if on_screen else None
        if seen is None or (seen.surprise is None and step.way not in ("window", "picture")):
            seen = self._around.senses.look(step) if step.way != "wait_s" else seen
        if seen is not None:
            place = self._play.place
            if not seen.met and on_screen and late:
                seen = replace(
                    seen, detail="; ".join(filter(None, (seen.detail, self._eyes.elsewhere(step))))
                )
            self._play.looked(self._clock.now_s(), seen)
            if self._play.place != place:
                self._tell(order.place, "a surprise" if seen.surprise is not None else seen.detail or "met")
        self._sleep(LOOK_S if on_screen else LISTEN_S)
        self._see_that_it_moves()

    def _act(self, order: Do) -> None:
        step = order.step
        if order.surprises:
            self._hands.park()
            surprise = self._eyes.surprise(order.surprises)
            if surprise is not None:
                self._play.looked(self._clock.now_s(), Seen(False, surprise=surprise))
                self._tell(order.place, "a surprise")
                return
        self._around.senses.act_begins()
        try:
            match step.way:
                case "command":
                    self._around.run_command(step)
                case "leave":
                    self._leave(step)
                case _:
                    self._hands.do(step)
        except NoDesk:
            raise
        except Stray as error:
            self._play.stop(str(error))
            return
        except WorkloadFailed as error:
            self._play.refused(str(error))
            self._tell(order.place, str(error))
            return
        self._tell(order.place, "done")
        self._play.done(self._clock.now_s())

    def _leave(self, step: StepSpec) -> None:
        """Leave the title; whatever is still there after its time is ended by the rig."""
        if step.leave == "end":
            self._around.end_title()
        elif step.leave == "close":
            for window in self._own.all():
                self._desk.ask_to_close(window)
        until_s = self._clock.now_s() + step.within_s
        while self._around.process_ids() and not self._title_gone.is_set():
            if self._clock.now_s() >= until_s:
                raise WorkloadFailed(f"the title still ran after {step.within_s:g} s")
            self._sleep(LISTEN_S)

    def _reach(self, order: Point) -> None:
        """A point of the measurement: its picture is taken outside of the window."""
        now_s = self._clock.now_s
        if order.way == "end":
            self._play.done(now_s())
            self._note()
            self._window_ends()
        else:
            self._hands.park()
            self._keep(order.way)
            if not self._shows_failure():
                self._play.done(now_s())
        self._tell(order.place, order.way)

    def _window_ends(self) -> None:
        """Once: what the screen shows at the window's end."""
        if self._play.times.begin_s is not None and not self._end_kept:
            self._end_kept = True
            self._keep("end")
            self._spoilt_at_end = self._shows_failure()

    def _shows_failure(self) -> bool:
        """Whether a picture that means failure is on the screen; the steps are over then."""
        surprises = self._program.surprises
        failures = [index for index, surprise in enumerate(surprises) if surprise.sequence is None]
        found = self._eyes.surprise(failures)
        if found is None:
            return False
        self._play.looked(self._clock.now_s(), Seen(False, surprise=found))
        return True

    def _keep(self, name: str) -> None:
        seen = self._eyes.window()
        self._evidence.picture(name, None if seen is None else seen[1])

    def _see_that_it_moves(self) -> None:
        """Inside the window a title whose picture stands still has hung."""
        most_s, now_s = self._around.still_at_most_s, self._clock.now_s()
        if most_s is None or self._play.part != "window" or now_s - self._still_looked_s < STILL_LOOK_S:
            return
        self._still_looked_s = now_s
        seen = self._eyes.window()
        sign = 0 if seen is None else hash(seen[1].tobytes())
        if self._still is None or self._still[0] != sign:
            self._still = (sign, now_s)
        elif now_s - self._still[1] > most_s:
            self._play.stop(f"its picture has not changed for {now_s - self._still[1]:.0f} s: it has hung")

    # --- the account ----------------------------------------------------------------------------------------

    def _tell(self, place: str, what: str) -> None:
        self._evidence.tell(self._clock.now_s() - self._started_s, place, what)

    def _note(self) -> None:
        play = self._play
        over = play.now(self._clock.now_s()) if play.is_over else None
        failure = ""
        if isinstance(over, Over) and over.failure:
            failure = f"{over.place}: {over.failure}"
        standing = Standing(
            place=play.place,
            ready=play.times.ready_s is not None,
            over=over is not None,
            begin_s=play.times.begin_s,
            end_s=play.times.end_s,
            failure=failure,
            spoilt=bool(failure) and (play.part != "after" or self._spoilt_at_end),
            no_desk=self._no_desk,
            marks=tuple(play.marks),
        )
        with self._lock:
            self._standing = standing

    def _keep_failure(self) -> None:
        """The screen as it is, and the picture that was wanted."""
        over = self._play.now(self._clock.now_s()) if self._play.is_over else None
        if not isinstance(over, Over) or not over.failure:
            return
        with contextlib.suppress(Exception):
            self._evidence.picture("failed", self._eyes.screen())
        self._evidence.wanted(self._around.pictures.get(over.picture))
