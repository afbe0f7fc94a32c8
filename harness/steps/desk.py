"""What is asked of a screen with keyboard and pointer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from harness.errors import WorkloadFailed

Button = Literal["left", "middle", "right"]


class NoDesk(WorkloadFailed):
    """Screen and keyboard can't be reached: no display, no library, or a session that forbids it."""


@dataclass(frozen=True)
class Window:
    """A window as it is now.

    Attributes:
        id: Its number on this desk.
        caption: Its title; empty for none.
        process_id: Whose it is; None where that can't be told.
        x, y: Upper left corner of its content on the screen, px.
        width, height: Of its content, px.
    """

    id: int
    caption: str
    process_id: int | None
    x: int
    y: int
    width: int
    height: int

    def holds(self, x: int, y: int) -> bool:
        """Whether a point of the screen lies inside."""
        return self.x <= x < self.x + self.width and self.y <= y < self.y + self.height


class Desk(Protocol):
    """Screen, keyboard and pointer of one session. Used by one thread. Calls raise NoDesk once it is gone."""

    def size(self) -> tuple[int, int]:
        """Width and height of the screen, px."""

    def windows(self) -> Sequence[Window]:
        """Windows that are shown, from the lowest to the one on top."""

    def focused(self) -> Window | None:
        """The window that gets keys now; None where it is none of these, as the screen's background."""

    def focus(self, window: Window) -> None:
        """Bring it to the front and give it the keys."""

    def grab(self, x: int, y: int, width: int, height: int) -> Any:
        """What the screen shows there, clipped to it: uint8, (height, width, 3), blue green red."""

    def key(self, name: str, down: bool) -> None:
        """A key goes down or up, by its name in a plan. Raises ValueError where this keyboard lacks it."""

    def move(self, x: int, y: int) -> None:
        """The pointer goes to that point of the screen."""

    def button(self, name: Button, down: bool) -> None:
        """A button of the pointer goes down or up."""

    def ask_to_close(self, window: Window) -> None:
        """Ask a window to close, as its button does."""

    def close(self) -> None:
        """Give it back: nothing stays pressed. Safe to call twice."""


#: Why not under Wayland.
WAYLAND: Final = (
    "this is a Wayland session, which lets no program see other programs' windows or press keys in them; log "
    "in to an X11 session instead, or run the titles in an X server of their own"
)


def missing_library(error: ImportError) -> str:
    """The sentence for a library that steps need and that is not installed."""
    return f"steps need the extra of that name ({error}); install it: pip install 'levelrig[steps]'"
