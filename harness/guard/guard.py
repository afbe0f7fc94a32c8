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
from harness.guard.record import Content, RestoreRecord
from harness.guard.watch import Watch
from harness.identity import own_identity
from harness.log import get_logger

log = get_logger("levelrig.guard")


class Watching(Protocol):
    """The part of :class:`harness.guard.watch.Watch` that the guard needs."""

    def lives(self) -> bool: ...

    def tell(self, content: Content) -> None: ...

    def beat(self, *, changed: bool = True) -> None: ...

    def close(self) -> None: ...


class Guard:
    """Keeps the way back of every control; that of hardware in the machine's record, under a watch.

    The record is read once. From then on what this program knows counts: the watch is told it before the
    first change, and the file is repaired where somebody removed or changed it: it is for the next start.

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
        self._changed: dict[str, Mapping[str, Any]] | None = None
        self._acted = self._record.acted()

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        """Durable before anything is changed. Raises StoreError."""
        if not self._changes_hardware(control_kind):
            self._others.setdefault(control_kind, snapshot)
            return
        changed = {control_kind: dict(snapshot), **self._known()}
        with self._watching:
            self._record.repair(changed)
            self._changed = changed
            self._acted = self._record.acted()
            if not self._watch_again():
                self._tell()

    def open_snapshots(self) -> dict[str, Mapping[str, Any]]:
        """What this run, or one on this machine that crashed, left to be put back. Raises StoreError."""
        return {**self._known(), **self._others}

    def clear_snapshot(self, control_kind: str) -> None:
        """The control is restored, which was proven. Raises StoreError."""
        if self._others.pop(control_kind, None) is not None:
            return
        changed = {kind: state for kind, state in self._known().items() if kind != control_kind}
        with self._watching:
            if changed:
                self._record.repair(changed)
            else:
                self._record.discard()
            self._changed = changed
            self._tell()

    def settle(self) -> list[str]:
        """End every command that may still change hardware; names of those that could not be ended."""
        owner = ""
        with contextlib.suppress(HarnessError):
            owner = self._record.content().owner
        return end_changers(owner, self._record.path.parent)

    def undisturbed(self) -> bool:
        """Whether no watch has put the card back since the present profile was applied."""
        return self._record.acted() == self._acted

    def beat(self) -> None:
        """A sign of life; a watch that has ended is replaced. Safe to call from any thread."""
        with self._watching:
            if self._changed:
                with contextlib.suppress(HarnessError):  # tried again at the next sign of life
                    if self._record.repair(self._changed):
                        log.warning("the record of what is to be put back was changed or removed; repaired")
            if self._watch is not None:
                replaced = False
                with contextlib.suppress(HarnessError):
                    replaced = self._watch_again()
                if not replaced:
                    self._watch.beat(changed=bool(self._changed))

    def close(self) -> None:
        """End the watch; it restores what is still open, and holds the lock until it did."""
        with self._watching:
            if self._watch is not None:
                self._watch.close()
                self._watch = None
        if self._lock is not None:
            self._lock.release()

    def _known(self) -> dict[str, Mapping[str, Any]]:
        if self._changed is None:
            self._changed = dict(self._record.open_snapshots())
        return self._changed

    def _watch_again(self) -> bool:
        """Whether a watch had to be started; it was told then what is to be put back."""
        if self._watch is not None and self._watch.lives():
            return False
        self._watch = self._start_watch(self._record.path, self._lock)
        self._tell()
        return True

    def _tell(self) -> None:
        if self._watch is not None and self._changed:
            self._watch.tell(Content({k: dict(v) for k, v in self._changed.items()}, own_identity()))
        elif self._watch is not None:
            self._watch.beat(changed=False)
