"""The frame rate of the title that runs now, from its growing frame log. Looked at only for a visitor."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.recent import GrowingLog
from harness.plan.schema import FrameLogSpec

#: A log that did not grow for longer says nothing of now, seconds.
STALE_S: Final = 3.0
#: The reader whose mapping tells how to read a log from its end.
_READER: Final = "columns"


@dataclass
class RunningRate:
    """Looks at the log that the beacon names, again and again."""

    _named: Mapping[str, Any] | None = None
    _log: GrowingLog | None = None
    _size: int = -1
    _grew_s: float = float("-inf")

    def look(
        self, frame_log: Mapping[str, Any] | None, now_s: float, owner_id: int | None = None
    ) -> float | None:
        """Frame rate over the last two seconds, 1/s; None where it is not known.

        It is not known where the title writes no log or none yet, where the log did not grow lately (the
        title hangs, or writes it in large pieces or at its end), and where it can't be read from its end.

        Args:
            frame_log: What the beacon says of it: ``path`` and ``spec``.
            now_s: Monotonic seconds.
            owner_id: Another user's beacon: only a file of that user is looked at.
        """
        try:
            if frame_log is None:
                return None
            self._note_growth(frame_log, now_s, owner_id)
            if self._log is None or now_s - self._grew_s > STALE_S:
                return None
            return self._log.recent_fps()
        except (OSError, KeyError, TypeError, ValidationError, FrameLogError):
            return None

    def _note_growth(self, frame_log: Mapping[str, Any], now_s: float, owner_id: int | None) -> None:
        """The time of its writing tells at the first look only: not every system keeps it up to date."""
        path = Path(frame_log["path"])
        stat = path.stat()
        if owner_id is not None and stat.st_uid != owner_id:
            self._named = self._log = None
            return
        if frame_log != self._named:
            self._named, self._log = frame_log, None
            self._grew_s = now_s - max(0.0, time.time() - stat.st_mtime)
            spec = FrameLogSpec.model_validate(frame_log["spec"])
            if spec.reader == _READER:
                self._log = GrowingLog(path, ColumnMapping.model_validate(spec.options))
        elif stat.st_size != self._size:
            self._grew_s = now_s
        self._size = stat.st_size
