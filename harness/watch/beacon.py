"""The running campaign's side of the live page: a small file with the latest progress.

The file is a convenience, not a record: it is replaced whole about once a second, never synced to disk, and
nothing that goes wrong with it reaches the measurement.
"""

from __future__ import annotations

import json
import os
import time
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from harness import inside
from harness.engine.progress import Observer, Progress

BEACON_NAME: Final = "live.json"
#: No beacon is larger.
BEACON_BYTES: Final = 1 << 20
_PERIOD_S: Final = 1.0
_HISTORY_PERIOD_S: Final = 5.0
_HISTORY_LENGTH: Final = 180
_HISTORY_QUANTITIES: Final[tuple[str, ...]] = (
    "core_temp_c",
    "cpu_temp_c",
    "power_w",
    "cpu_power_w",
    "ambient_temp_c",
)


class Beacon:
    """An observer that passes everything on and keeps ``live.json`` fresh.

    Args:
        folder: The campaign folder.
        inner: The observer that is told everything as well.
        now_s: Real monotonic seconds, also where the campaign's clock is a virtual one.
    """

    def __init__(self, folder: Path, inner: Observer, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._folder = folder.absolute()
        self._path = self._folder / BEACON_NAME
        self._inner = inner
        self._now_s = now_s
        self._written_s = -_PERIOD_S
        self._sampled_s = -_HISTORY_PERIOD_S
        self._history: deque[dict[str, float]] = deque(maxlen=_HISTORY_LENGTH)
        self._began_s = now_s()

    def on_progress(self, progress: Progress) -> None:
        """Pass on; write if the last writing is a second ago."""
        self._inner.on_progress(progress)
        now_s = self._now_s()
        if now_s - self._sampled_s >= _HISTORY_PERIOD_S:
            self._sampled_s = now_s
            point = {q: progress.readings[q] for q in _HISTORY_QUANTITIES if q in progress.readings}
            self._history.append({"t_s": round(now_s - self._began_s, 1), **point})
        if now_s - self._written_s >= _PERIOD_S:
            self._written_s = now_s
            self._write({**asdict(progress), "history": list(self._history)})

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        """Pass on; the next progress is written at once."""
        self._inner.on_attempt(cell_id, which, attempt_index, verdict, reason)
        self._written_s = -_PERIOD_S

    def on_message(self, level: str, message: str) -> None:
        """Pass on; the page reads messages from the campaign's log."""
        self._inner.on_message(level, message)

    def close(self) -> None:
        """Take the file away: nothing runs any more. Safe to call twice."""
        try:
            inside.remove(self._folder, self._path)
        except OSError:
            return

    def _write(self, content: dict[str, Any]) -> None:
        content |= {"pid": os.getpid(), "written_utc": datetime.now(UTC).isoformat(timespec="milliseconds")}
        try:
            text = json.dumps(content, allow_nan=False, default=_plain)
            inside.write_whole(self._folder, self._path, text.encode())
        except (OSError, ValueError):  # a page without news is better than a night that ends
            return


def _plain(value: object) -> object:
    """What JSON lacks: paths as whole ones, so that another process finds them, and parts of the plan."""
    if isinstance(value, Path):
        return str(value.absolute())
    return value.model_dump(mode="json") if isinstance(value, BaseModel) else str(value)
