"""Watches a title's windows from outside, through X: nothing of ours is in the title's process.

Where it presents through the Present extension, each completed present comes with its time by the display's
clock, which on Linux is the monotonic clock (µs). Where it puts pixels instead, Damage says that a window
changed: one event for all that was drawn since the event before was seen, by the time at which we saw it. So
frames may be missed where they follow each other faster than we look (above about 1,000 a second), and a
frame drawn in parts may count more than once: these are estimates, and the notes of each attempt say so.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from harness.capture.recorder import CaptureLog, Recording
from harness.capture.ring import RECORD
from harness.capture.x11 import NoDisplay, Window, XClient

#: Kinds of rows; their words are in :data:`harness.capture.ring.KINDS`.
COMPLETE: Final = 5
DAMAGE: Final = 6
_LOOK_EVERY_S: Final = 0.5
#: While no window was found yet.
_LOOK_SOON_S: Final = 0.05
_FLUSH_EVERY_S: Final = 0.25
_WAIT_S: Final = 0.1
_DEEPEST: Final = 4
_MOST_WINDOWS: Final = 2000
_COMPLETE_NOTIFY: Final = 1
_OF_PIXMAP: Final = 0
_SKIPPED: Final = 2


class WindowWatch(Recording):
    """Watches the windows of some processes.

    Args:
        log: Where the rows go.
        processes: Gives the title's processes now.
        environment: Names the display.

    Attributes:
        windows: Windows of the title that were found.

    Raises:
        NoDisplay: The display can't be reached, or has neither Present nor Damage.
    """

    def __init__(
        self, log: CaptureLog, processes: Callable[[], set[int]], environment: Mapping[str, str]
    ) -> None:
        super().__init__(log, "levelrig-windows")
        self._processes = processes
        self._client = XClient(environment)
        self._present = self._client.extension("Present")
        self._damage = self._client.extension("DAMAGE")
        if self._present is None and self._damage is None:
            raise NoDisplay("the display has neither the extension Present nor Damage")
        if self._present is not None:
            self._client.ask(self._present[0], 0, struct.pack("<II", 1, 0))
        if self._damage is not None:
            self._client.ask(self._damage[0], 0, struct.pack("<II", 1, 1))
        self._stated = self._client.atom("_NET_WM_PID")
        self._owners: dict[int, int] = {}
        self._damages: dict[int, int] = {}
        self.windows: dict[int, Window] = {}
        self._rows: list[tuple[int, int, int]] = []

    @property
    def seen(self) -> int:
        """Updates of its windows so far."""
        return sum(self._log.rows.values())

    def _write_last(self) -> None:
        self._flush()

    def _release(self) -> None:
        self._client.close()

    def _run(self) -> None:
        looked_s = flushed_s = float("-inf")
        try:
            while not self._ends.is_set():
                now_s = time.monotonic()
                if now_s - looked_s >= (_LOOK_EVERY_S if self.windows else _LOOK_SOON_S):
                    self._look_for_windows()
                    looked_s = time.monotonic()
                for seen_s, event in self._client.events(_WAIT_S if self.windows else _LOOK_SOON_S):
                    self._take(seen_s, event)
                if now_s - flushed_s >= _FLUSH_EVERY_S:
                    self._flush()
                    flushed_s = now_s
        except (NoDisplay, OSError, ValueError) as error:
            self.trouble = f"watching the title's windows broke off: {error}"

    def _look_for_windows(self) -> None:
        """Ask for events of the title's windows that are new."""
        processes = self._processes()
        level, seen = [(child, True) for child in self._client.children(self._client.root)], 0
        for _ in range(_DEEPEST):
            below = []
            for window, outermost in level:
                seen += 1
                if seen > _MOST_WINDOWS:
                    return
                own = self._owner_of(window) in processes
                if own or self._client.stated_process(window, self._stated) in processes:
                    self._watch(window, outermost=outermost)
                    below += [(child, False) for child in self._client.children(window)]
                else:  # of a window manager, perhaps, with the title's inside
                    below += [(child, outermost) for child in self._client.children(window)]
            level = below

    def _owner_of(self, window: int) -> int:
        client = window & ~self._client.id_mask
        if client not in self._owners:
            self._owners[client] = self._client.owner(window)
        return self._owners[client]

    def _watch(self, window: int, *, outermost: bool) -> None:
        shown = self._client.shown(window)
        if shown is None:
            return
        new = window not in self.windows
        self.windows[window] = shown
        if not new:
            return
        if self._present is not None:
            body = struct.pack("<III", self._client.new_id(), window, 1 << _COMPLETE_NOTIFY)
            self._client.send(self._present[0], 3, body)
        if self._damage is not None and outermost:  # what is drawn into those inside is seen in it too
            damage = self._client.new_id()
            self._damages[damage] = window
            self._client.send(self._damage[0], 1, struct.pack("<IIBxxx", damage, window, 3))

    def _take(self, seen_s: float, event: bytes) -> None:
        kind = event[0] & 0x7F
        if self._present is not None and kind == 35 and event[1] == self._present[0]:
            about, of, mode = struct.unpack_from("<HBB", event, 8)
            window, ust_us = struct.unpack_from("<I4xQ", event, 16)
            if about == _COMPLETE_NOTIFY and of == _OF_PIXMAP and mode != _SKIPPED:
                self._rows.append((COMPLETE, window, ust_us * 1000))
        elif self._damage is not None and kind == self._damage[1]:
            damage = struct.unpack_from("<I", event, 8)[0]
            self._client.send(self._damage[0], 3, struct.pack("<III", damage, 0, 0))
            if damage in self._damages:
                self._rows.append((DAMAGE, self._damages[damage], int(seen_s * 1e9)))

    def _flush(self) -> None:
        rows, self._rows = self._rows, []
        records = np.zeros(len(rows), RECORD)
        for place, (kind, window, at_ns) in enumerate(rows):
            shown = self.windows.get(window)
            record = records[place]
            record["kind_queue"], record["surface"], record["swapchain"] = kind << 24, window, window
            record["call_ns"] = record["return_ns"] = at_ns
            if shown is not None:
                record["width"], record["height"] = shown.width, shown.height
        self._log.add(0, records)
        self._log.flush()
