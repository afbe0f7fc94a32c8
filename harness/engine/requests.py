"""Requests that come through the campaign folder: ``control.json``.

Written by ``levelrig stop``, the live page or by hand.

``{"request": "pause-after-attempt"}`` lets the running attempt end first, ``{"request": "stop"}`` ends it
now; both restore the factory state and leave a resumable folder. The file is removed when it is taken. With
``"for": [process ids]`` only a run that is, or is supervised by, one of these takes it.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness import inside
from harness.engine.messages import StopKind, StopRequested

CONTROL_NAME: Final = "control.json"
#: Environment variable that marks a supervised run; it holds the supervisor's process id.
SUPERVISED: Final = "LEVELRIG_SUPERVISED"
#: No request is larger.
CONTROL_BYTES: Final = 4096
_KINDS: Final[dict[str, StopKind]] = {"pause-after-attempt": "pause", "stop": "stop"}


@dataclass(frozen=True)
class Request:
    """A request that waits in the folder.

    Attributes:
        wish: ``stop`` or ``pause-after-attempt``.
        meant_for: Processes that it names; empty: whoever runs the campaign.
    """

    wish: str
    meant_for: frozenset[int] = frozenset()


def ask(folder: Path, request: Request) -> None:
    """Put a request into the folder; one that waits there already is replaced. Raises OSError."""
    content = {"request": request.wish, "for": sorted(request.meant_for)}
    inside.write_whole(folder, folder / CONTROL_NAME, (json.dumps(content) + "\n").encode())


def waiting_request(folder: Path) -> Request | None:
    """The request that waits in the folder, if any; an unreadable file says nothing."""
    path = folder / CONTROL_NAME
    if not os.path.lexists(path):  # nearly always; the careful way in costs fifty times as much
        return None
    try:
        document = json.loads(inside.read_bytes(folder, path, CONTROL_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(document, dict):
        return None
    wish, named = document.get("request"), document.get("for", [])
    if not isinstance(wish, str) or wish not in _KINDS or not isinstance(named, list):
        return None
    return Request(wish, frozenset(pid for pid in named if isinstance(pid, int)))


def run_pids() -> frozenset[int]:
    """Processes that this run goes by: itself, and its supervisor where it has one."""
    supervisor = os.environ.get(SUPERVISED, "")
    return frozenset({os.getpid(), int(supervisor)} if supervisor.isdecimal() else {os.getpid()})


def take_request(folder: Path, own_pids: Collection[int] = ()) -> StopRequested | None:
    """The request that waits in the folder, if it is for this run; it is removed.

    Args:
        folder: The campaign folder.
        own_pids: Processes that this run goes by; empty: see :func:`run_pids`.
    """
    request = waiting_request(folder)
    if request is None or not _is_for(request, own_pids or run_pids()):
        return None
    drop_request(folder)
    reason = f"{request.wish} was asked for through {CONTROL_NAME}; the run command goes on"
    return StopRequested(_KINDS[request.wish], reason)


def drop_stale_request(folder: Path, own_pids: Collection[int] = ()) -> str | None:
    """Remove what an earlier run left, as a run begins; a sentence that says so, or None."""
    request = waiting_request(folder)
    if request is None or (request.meant_for and _is_for(request, own_pids or run_pids())):
        return None
    drop_request(folder)
    return f"{CONTROL_NAME} held '{request.wish}', asked for before this run began; it was dropped"


def drop_request(folder: Path) -> None:
    """Remove the request. One that can't be removed is left."""
    with contextlib.suppress(OSError):
        inside.remove(folder, folder / CONTROL_NAME)


def _is_for(request: Request, own_pids: Collection[int]) -> bool:
    return not request.meant_for or not request.meant_for.isdisjoint(own_pids)
