"""Which windows of a desk are the title's, and whether input would reach one of them and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Final

from harness.errors import WorkloadFailed
from harness.patterns import Pattern
from harness.steps.desk import Desk, Window

#: A window below this is a helper that is not shown, px.
_LEAST_SIDE: Final = 16


class Stray(WorkloadFailed):
    """Input would go to another program's window."""


class OwnWindows:
    """The title's windows on a desk.

    Args:
        desk: The desk.
        process_ids: Gives the title's processes now.
    """

    def __init__(self, desk: Desk, process_ids: Callable[[], Collection[int]]) -> None:
        self._desk = desk
        self._process_ids = process_ids
        self._chosen: int | None = None
        self._had_focus = False

    def all(self) -> list[Window]:
        """Those that are shown, from the lowest to the one on top."""
        own = set(self._process_ids())
        return [window for window in self._desk.windows() if window.process_id in own]

    def matching(self, pattern: str | None) -> list[Window]:
        """Those whose caption matches; all for None."""
        found = [w for w in self.all() if min(w.width, w.height) >= _LEAST_SIDE]
        return (
            found if pattern is None else [w for w in found if Pattern(pattern).search(w.caption) is not None]
        )

    def choose(self, window: Window) -> None:
        """Places count from this one's corner from now on."""
        self._chosen = window.id

    def main(self) -> Window | None:
        """The one that places count from: the one chosen, while it is there; else the largest."""
        found = self.matching(None)
        chosen = next((window for window in found if window.id == self._chosen), None)
        return chosen or max(found, key=lambda window: window.width * window.height, default=None)

    def ready_for_keys(self) -> Window:
        """The title's window that has the focus. Given it once; taken away later by another, it is a stray.

        Raises:
            Stray: Another program's window has the focus, or none of the title's.
        """
        main = self.main()
        if main is None:
            raise Stray("the title has no window that could get keys")
        focused = self._desk.focused()
        own = {window.id for window in self.all()}
        if focused is not None and focused.id in own:
            self._had_focus = True
            return focused
        if focused is not None and self._had_focus:
            raise Stray(f"the focus was taken by {described(focused)}; nothing was pressed")
        self._desk.focus(main)
        focused = self._desk.focused()
        if focused is None or focused.id not in own:
            holder = "no window" if focused is None else described(focused)
            raise Stray(f"the title's window did not get the focus ({holder} has it); nothing was pressed")
        self._had_focus = True
        return focused

    def under(self, x: int, y: int) -> Window:
        """The title's window on top at that point of the screen.

        Raises:
            Stray: It is another program's, or none.
        """
        own = {window.id for window in self.all()}
        top = next((window for window in reversed(list(self._desk.windows())) if window.holds(x, y)), None)
        if top is None:
            raise Stray(f"no window of the title is at {x}, {y} of the screen; nothing was clicked")
        if top.id not in own:
            raise Stray(f"{described(top)} lies over the title's window there; nothing was clicked")
        return top


def described(window: Window) -> str:
    """A window in words, with its program."""
    import psutil

    name = ""
    if window.process_id is not None:
        try:
            name = f" of {psutil.Process(window.process_id).name()} (process {window.process_id})"
        except psutil.Error:
            name = f" of process {window.process_id}"
    return (
        f"the window {window.caption[:80]!r}{name}" if window.caption else f"a window{name} without caption"
    )
