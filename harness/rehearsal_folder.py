"""The folder of a rehearsal: made again each time, and never another one cleared for it.

Whose folder it is says a marker that a rehearsal leaves in what it made, bound to that very folder: a copy of
it in another folder says nothing. Whatever a rehearsal does not write itself stops the clearing.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from harness import inside
from harness.errors import StoreError
from harness.store.lock import LOCK_NAME, FolderLock

MARKER_NAME: Final = "rehearsal.json"
#: What a rehearsal writes, at the top of its folder.
_OWN: Final = frozenset(
    {
        MARKER_NAME, LOCK_NAME, "plan.toml", "rig.json", "journal.sqlite", "journal.sqlite-wal",
        "journal.sqlite-shm", "journal.mended", "manifest.json", "log.jsonl", "ballast", "live.json",
        "control.json", "attempts",
        "dataset", "report", "CITATION.cff", "ro-crate-metadata.json",
    }
)  # fmt: skip


def make_room(folder: Path) -> None:
    """Clear an earlier rehearsal out of its folder, and mark the folder as a rehearsal's.

    Raises:
        StoreError: The folder holds something that no rehearsal made here; nothing was removed.
        CampaignBusy: A rehearsal is at work in it.
    """
    if folder.is_symlink():
        raise StoreError(f"{folder}: a link; a rehearsal clears its folder, so name the folder itself")
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder}: not a folder; name another with --into")
    if inside.children(folder, folder):
        _clear(folder)
    inside.make_folders(folder, folder)
    content = {"made_by": "levelrig rehearse", "folder": folder.stat().st_ino}
    inside.write_whole(folder, folder / MARKER_NAME, (json.dumps(content) + "\n").encode())


def _clear(folder: Path) -> None:
    _require_own(folder)
    lock = FolderLock(folder, datetime.now(UTC))
    try:
        _require_own(folder)
        # The marker last: cut off before, the rest is still known as a rehearsal's.
        for entry in sorted(inside.children(folder, folder), key=lambda path: path.name == MARKER_NAME):
            if entry.name != LOCK_NAME:
                inside.remove_all(folder, entry)
    except OSError as error:
        raise StoreError(f"{folder}: can't be cleared ({error}); name another with --into") from error
    finally:
        lock.release()


def _require_own(folder: Path) -> None:
    """Raises StoreError unless a rehearsal made all that is in this folder."""
    other = [entry.name for entry in inside.children(folder, folder) if not _is_own(entry)]
    if not _is_marked(folder):
        why = "no rehearsal made it"
    elif other:
        why = f"it also holds {', '.join(other[:3])}, which no rehearsal made"
    else:
        return
    raise StoreError(f"{folder}: left alone, as {why}; remove it yourself, or name another with --into")


def _is_own(entry: Path) -> bool:
    name = entry.name
    return name in _OWN or name.removesuffix(".partial") in _OWN or name.startswith("log.jsonl")


def _is_marked(folder: Path) -> bool:
    rig = folder / "rig.json"
    try:
        marker = json.loads(inside.read_bytes(folder, folder / MARKER_NAME))
        made_here = marker["folder"] == folder.stat().st_ino
        is_rig_there = inside.is_there(folder, rig)
        simulated = not is_rig_there or json.loads(inside.read_bytes(folder, rig))["simulated"] is True
    except (OSError, ValueError, LookupError, TypeError):
        return False
    return made_here and simulated
