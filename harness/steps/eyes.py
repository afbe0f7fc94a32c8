"""Looks at the title's window for what a step or a surprise wants to see there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from harness.plan.steps_table import StepSpec, SurpriseSpec
from harness.steps.desk import Desk, Window
from harness.steps.likeness import Found, Picture, Pixels, find
from harness.steps.own_windows import OwnWindows
from harness.steps.play import Seen

_NO_WINDOW: Final = "the title has no window"


class Eyes:
    """Looks for pictures and windows.

    Args:
        desk: The desk.
        own: The title's windows.
        pictures: File name in the plan -> picture.
        surprises: The title's surprises."""

    def __init__(
        self,
        desk: Desk,
        own: OwnWindows,
        pictures: Mapping[str, Picture],
        surprises: Sequence[SurpriseSpec],
    ) -> None:
        self._desk = desk
        self._own = own
        self._pictures = pictures
        self._surprises = surprises

    def window(self) -> tuple[Window, Pixels] | None:
        """The title's main window and what the screen shows in its place, other windows over it included."""
        main = self._own.main()
        if main is None:
            return None
        pixels: Pixels = self._desk.grab(main.x, main.y, main.width, main.height)
        return main, pixels

    def screen(self) -> Pixels:
        """The whole screen."""
        width, height = self._desk.size()
        grabbed: Pixels = self._desk.grab(0, 0, width, height)
        return grabbed

    def look(self, step: StepSpec, watched: Sequence[int], *, thorough: bool = False) -> Seen:
        """One look: surprises first, which may lie over what is waited for. A look that decides a failure is
        ``thorough``."""
        if (surprise := self.surprise(watched)) is not None:
            return Seen(False, surprise=surprise)
        if step.way == "window":
            return self._look_for_window(step)
        if step.picture is None:
            return Seen(False)
        found, detail = self.seek(step.picture, step.area, step, thorough=thorough)
        there = found is not None and found.likeness_pct >= step.likeness_pct
        return Seen(there != step.gone, detail)

    def surprise(self, watched: Sequence[int]) -> int | None:
        """Index of the first of these surprises that is on the screen; None where none is."""
        if not watched or self._own.main() is None:
            return None
        for index in watched:
            surprise = self._surprises[index]
            found, _ = self.seek(surprise.picture, surprise.area)
            if found is not None and found.likeness_pct >= surprise.likeness_pct:
                return index
        return None

    def _look_for_window(self, step: StepSpec) -> Seen:
        pattern = step.window if isinstance(step.window, str) else None
        matching = self._own.matching(pattern)
        if matching and not step.gone:
            self._own.choose(max(matching, key=lambda window: window.width * window.height))
        captions = ", ".join(repr(window.caption[:60]) for window in self._own.all())
        detail = f"the title shows {captions}" if captions else "it shows none"
        return Seen(bool(matching) != step.gone, detail)

    def seek(
        self,
        name: str,
        area: Sequence[int] | None = None,
        step: StepSpec | None = None,
        *,
        thorough: bool = False,
    ) -> tuple[Found | None, str]:
        """Where in the title's window a picture is most like, in the window's px, and how like, in words.

        Where ``step.at`` says its place, only places that near count; elsewhere it is told where it is.
        """
        seen = self.window()
        if seen is None:
            return None, _NO_WINDOW
        _, whole = seen
        picture = self._pictures[name]
        width, height = picture.size
        at = None if step is None else step.at
        left, top, right, bottom = 0, 0, whole.shape[1], whole.shape[0]
        if area is not None:
            left, top = max(0, area[0]), max(0, area[1])
            right, bottom = min(right, area[0] + area[2]), min(bottom, area[1] + area[3])
        if step is not None and at is not None:
            left, top = max(0, at[0] - step.shift_px), max(0, at[1] - step.shift_px)
            right = min(right, at[0] + width + step.shift_px)
            bottom = min(bottom, at[1] + height + step.shift_px)
        found = find(whole[top:bottom, left:right], picture, thorough=thorough or at is not None)
        if found is not None:
            found = Found(found.likeness_pct, found.x + left, found.y + top)
        asked = step.likeness_pct if step is not None else None
        return found, _words(found, asked, at is not None, whole.shape, picture)

    def size_of(self, name: str) -> tuple[int, int]:
        """Width and height of a picture, px."""
        return self._pictures[name].size

    def elsewhere(self, step: StepSpec) -> str:
        """For a picture that was not at its place: where else it is, in words; empty where nowhere."""
        if step.picture is None or (step.at is None and step.area is None):
            return ""
        found, _ = self.seek(step.picture, thorough=True)
        if found is None or found.likeness_pct < step.likeness_pct:
            return ""
        x, y = step.at or (step.area or [0, 0])[:2]
        moved = f", moved by {found.x - x} and {found.y - y} px" if step.at else ""
        return f"it is at {found.x}, {found.y} instead{moved}"


def _words(
    found: Found | None, asked: float | None, placed: bool, shape: Sequence[int], picture: Picture
) -> str:
    if found is None:
        width, height = picture.size
        return f"its {width} × {height} pixels do not fit into the window's {shape[1]} × {shape[0]}"
    where = "there" if placed else f"at {found.x}, {found.y}"
    wanted = "" if asked is None else f", and {asked:g} % are wanted"
    return f"the best likeness was {found.likeness_pct:.0f} % {where}{wanted}"
