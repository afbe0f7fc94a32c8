"""Requests that come through the campaign folder: ``control.json``, written by the live page or by hand.

``{"request": "pause-after-attempt"}`` lets the running attempt end first, ``{"request": "stop"}`` ends it
now; both restore the factory state and leave a resumable folder. The file is removed when it is taken.
"""

from __future__ import annotations

import contextlib
import json
from pathlib import Path
from typing import Final

from harness.engine.messages import StopKind, StopRequested

CONTROL_NAME: Final = "control.json"
_KINDS: Final[dict[str, StopKind]] = {"pause-after-attempt": "pause", "stop": "stop"}


def take_request(folder: Path) -> StopRequested | None:
    """The request that waits in the folder, if any; an unreadable file is left alone and says nothing."""
    path = folder / CONTROL_NAME
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    wish = document.get("request") if isinstance(document, dict) else None
    kind = _KINDS.get(wish) if isinstance(wish, str) else None
    if kind is None:
        return None
    with contextlib.suppress(OSError):  # it stays, and asks the next run as well
        path.unlink(missing_ok=True)
    return StopRequested(kind, f"{wish} was asked for through {CONTROL_NAME}; the run command goes on")
