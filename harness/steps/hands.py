"""Does what a step says, at the title's windows only: where input would go is looked at before each act."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.errors import WorkloadFailed
from harness.plan.key_names import keys_of
from harness.plan.steps_table import StepSpec
from harness.steps.desk import Desk
from harness.steps.eyes import Eyes
from harness.steps.own_windows import OwnWindows, Stray

#: Between two keys, and how long one is down, seconds: programs that look once a frame must see it.
BETWEEN_S: Final = 0.06
DOWN_S: Final = 0.06
#: Between two looks for a window that is to get input, seconds.
_LOOK_S: Final = 0.1
_PARK_PX: Final = 2


class Hands:
    """Keyboard and pointer, for one title.

    Args:
        desk: The desk.
        own: The title's windows.
        eyes: Finds pictures to click on.
        sleep_s: Waits; raises where the run ends meanwhile.
        now_s: The clock.
    """

    def __init__(
        self,
        desk: Desk,
        own: OwnWindows,
        eyes: Eyes,
        sleep_s: Callable[[float], None],
        now_s: Callable[[], float],
    ) -> None:
        self._desk = desk
        self._own = own
        self._eyes = eyes
        self._sleep_s = sleep_s
        self._now_s = now_s
        self._parked = False

    def park(self) -> None:
        """Take the pointer out of the way before looking, once after each act of it: what it hovers over
        changes, and a title that steers by it would turn at every look."""
        if not self._parked:
            width, height = self._desk.size()
            self._desk.move(width - _PARK_PX, height // 2)
            self._parked = True

    def do(self, step: StepSpec) -> None:
        """Do it, once.

        Raises:
            Stray: Input would not reach the title. Nothing, or no more, was done.
            WorkloadFailed: It can't be done.
        """
        self._await_window(step.within_s)
        match step.way:
            case "press":
                for _ in range(step.times):
                    for chord in step.presses():
                        self._press(chord, DOWN_S)
            case "hold":
                self._press(step.hold or "", step.for_s or 0.0)
            case "text":
                for sign in step.text or "":
                    self._press_sign(sign)
            case "move":
                self._move(*(step.move or (0, 0)))
            case "click":
                self._click(step)

    def _await_window(self, within_s: float) -> None:
        until_s = self._now_s() + within_s
        while self._own.main() is None:
            if self._now_s() >= until_s:
                raise Stray(f"the title showed no window within {within_s:g} s")
            self._sleep_s(_LOOK_S)

    def _press_sign(self, sign: str) -> None:
        named = {"\n": "enter", "\t": "tab", " ": "space"}
        self._press_keys((named.get(sign, sign),), DOWN_S / 2)

    def _press(self, chord: str, down_s: float) -> None:
        self._press_keys(keys_of(chord), down_s)

    def _press_keys(self, keys: tuple[str, ...], down_s: float) -> None:
        self._own.ready_for_keys()
        down: list[str] = []
        try:
            for key in keys:
                self._desk.key(key, True)
                down.append(key)
            self._sleep_held(down_s)
        except ValueError as error:
            raise WorkloadFailed(str(error), permanent=True) from error
        finally:
            for key in reversed(down):
                self._desk.key(key, False)
        self._sleep_s(BETWEEN_S)

    def _sleep_held(self, down_s: float) -> None:
        """A key that is held long goes up at once where the focus is taken."""
        until_s = self._now_s() + down_s
        while (left_s := until_s - self._now_s()) > 0:
            self._sleep_s(min(left_s, 0.5))
            if left_s > 0.5:
                self._own.ready_for_keys()

    def _move(self, x: int, y: int) -> None:
        main = self._own.main()
        if main is None:
            raise Stray("the title has no window")
        if not (0 <= x < main.width and 0 <= y < main.height):
            raise WorkloadFailed(
                f"{x}, {y} lies outside of the title's window, which has {main.width} × {main.height} pixels"
            )
        self._own.under(main.x + x, main.y + y)
        self._desk.move(main.x + x, main.y + y)
        self._parked = False
        self._sleep_s(BETWEEN_S)

    def _click(self, step: StepSpec) -> None:
        x, y = self._target(step)
        self._move(x, y)
        for _ in range(step.times):
            main = self._own.main()
            if main is not None:
                self._own.under(main.x + x, main.y + y)
            self._desk.button(step.button, True)
            try:
                self._sleep_s(DOWN_S)
            finally:
                self._desk.button(step.button, False)
            self._sleep_s(BETWEEN_S)

    def _target(self, step: StepSpec) -> tuple[int, int]:
        """Where in the window to click: the middle of the picture, which must be seen twice at one place."""
        if not isinstance(step.click, str):
            x, y = step.click or (0, 0)
            return x, y
        until_s, before = self._now_s() + step.within_s, None
        self.park()
        while True:
            found, words = self._eyes.seek(step.click, step.area, step)
            there = found is not None and found.likeness_pct >= step.likeness_pct
            if found is not None and there and before == (found.x, found.y):
                width, height = self._eyes.size_of(step.click)
                return found.x + width // 2, found.y + height // 2
            before = (found.x, found.y) if found is not None and there else None
            if self._now_s() >= until_s:
                raise WorkloadFailed(f"{step.click} was not seen within {step.within_s:g} s ({words})")
            self._sleep_s(0.25)
