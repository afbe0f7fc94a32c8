"""A desk that is all in memory: windows with pictures, and a list of what was pressed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from harness.steps.desk import Button, Window


@dataclass
class FakeDesk:
    """Windows from the lowest to the topmost, each with its pixels.

    Attributes:
        done: What was done, in order, as ``key down enter``, ``move 3 4``.
        may_focus: Whether a window that asks for the focus gets it.
    """

    shown: list[tuple[Window, Any]] = field(default_factory=list)
    has_focus: int | None = None
    may_focus: bool = True
    done: list[str] = field(default_factory=list)
    screen: tuple[int, int] = (200, 100)

    def size(self) -> tuple[int, int]:
        return self.screen

    def windows(self) -> Sequence[Window]:
        return [window for window, _ in self.shown]

    def focused(self) -> Window | None:
        return next((window for window, _ in self.shown if window.id == self.has_focus), None)

    def focus(self, window: Window) -> None:
        self.done.append(f"focus {window.id}")
        if self.may_focus:
            self.has_focus = window.id

    def grab(self, x: int, y: int, width: int, height: int) -> Any:
        whole = np.zeros((self.screen[1], self.screen[0], 3), np.uint8)
        for window, pixels in self.shown:
            whole[window.y : window.y + window.height, window.x : window.x + window.width] = pixels
        return whole[max(0, y) : y + height, max(0, x) : x + width].copy()

    def key(self, name: str, down: bool) -> None:
        self.done.append(f"key {'down' if down else 'up'} {name}")

    def move(self, x: int, y: int) -> None:
        self.done.append(f"move {x} {y}")

    def button(self, name: Button, down: bool) -> None:
        self.done.append(f"button {'down' if down else 'up'} {name}")

    def ask_to_close(self, window: Window) -> None:
        self.done.append(f"close {window.id}")

    def close(self) -> None:
        self.done.append("closed")
