"""A run's hold on the hardware: the record, the lock and the watch, as the engine sees them."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from harness.errors import HarnessError
from harness.guard.changers import end_changers
from harness.guard.lock import HardwareLock
from harness.guard.record import RestoreRecord
from harness.guard.watch import Watch


class Watching(Protocol):
    """The part of :class:`harness.guard.watch.Watch` that the guard needs."""

    def lives(self) -> bool: ...

    def beat(self) -> None: ...

    def close(self) -> None: ...


class Guard:
    """Keeps the way back of every control; that of hardware in the machine's record, under a watch.

    Args:
        changes_hardware: Whether a control kind writes to hardware. What does not is kept in memory only:
            it ends with the program.
        record: The machine's record.
        lock: The hardware's lock; let go of by :meth:`close`.
        start_watch: Starts the watch; before the first change, and again whenever it has ended.
    """

    def __init__(
        self,
        changes_hardware: Callable[[str], bool],
        record: RestoreRecord | None = None,
        lock: HardwareLock | None = None,
        start_watch: Callable[[Path, HardwareLock | None], Watching] | None = None,
    ) -> None:
        self._changes_hardware = changes_hardware
        self._record = record or RestoreRecord()
        self._lock = lock
        self._start_watch = start_watch or Watch
        self._watch: Watching | None = None
        self._watching = threading.Lock()
        self._others: dict[str, Mapping[str, Any]] = {}
        self._acted = self._record.acted()

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        """Durable before anything is changed. Raises StoreError."""
        if not self._changes_hardware(control_kind):
            self._others.setdefault(control_kind, snapshot)
            return
        self._record.save_snapshot(control_kind, snapshot)
        self._acted = self._record.acted()
        with self._watching:
            self._watch_again()

    def open_snapshots(self) -> dict[str, Mapping[str, Any]]:
        """What this run, or one on this machine that crashed, left to be put back. Raises StoreError."""
        return {**self._record.open_snapshots(), **self._others}

    def clear_snapshot(self, control_kind: str) -> None:
        """The control is restored, which was proven. Raises StoreError."""
        if self._others.pop(control_kind, None) is None:
            self._record.clear_snapshot(control_kind)

    def settle(self) -> list[str]:
        """End every command that may still change hardware; names of those that could not be ended."""
        owner = ""
        with contextlib.suppress(HarnessError):
            owner = self._record.owner()
        return end_changers(owner)

    def undisturbed(self) -> bool:
        """Whether no watch has put the card back since the present profile was applied."""
        return self._record.acted() == self._acted

    def beat(self) -> None:
        """A sign of life; a watch that has ended is replaced. Safe to call from any thread."""
        with self._watching:
            if self._watch is not None:
                with contextlib.suppress(HarnessError):  # tried again at the next sign of life
                    self._watch_again()
                self._watch.beat()

    def close(self) -> None:
        """End the watch; it restores what is still open, and holds the lock until it did."""
        with self._watching:
            if self._watch is not None:
                self._watch.close()
                self._watch = None
        if self._lock is not None:
            self._lock.release()

    def _watch_again(self) -> None:
        if self._watch is None or not self._watch.lives():
            self._watch = self._start_watch(self._record.path, self._lock)
