"""The folder of a rehearsal: made anew each time, and never another one cleared for it.

Whose folder it is says a marker that a rehearsal leaves in what it made, bound to that very folder: a copy of
it in another folder says nothing. Whatever a rehearsal does not write itself stops the clearing.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

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
    if folder.is_dir() and any(folder.iterdir()):
        _clear(folder)
    folder.mkdir(parents=True, exist_ok=True)
    content = {"made_by": "levelrig rehearse", "folder": folder.stat().st_ino}
    (folder / MARKER_NAME).write_text(json.dumps(content) + "\n", encoding="utf-8")


def _clear(folder: Path) -> None:
    _require_own(folder)
    lock = FolderLock(folder, datetime.now(UTC))
    try:
        _require_own(folder)
        for entry in sorted(folder.iterdir(), key=lambda path: path.name == MARKER_NAME):
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry)
            elif entry.name != LOCK_NAME:
                entry.unlink()  # the marker last: cut off before, the rest is still known as a rehearsal's
    except OSError as error:
        raise StoreError(f"{folder}: can't be cleared ({error}); name another with --into") from error
    finally:
        lock.release()


def _require_own(folder: Path) -> None:
    """Raises StoreError unless a rehearsal made all that is in this folder."""
    other = sorted(entry.name for entry in folder.iterdir() if not _is_own(entry))
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
        made_here = json.loads((folder / MARKER_NAME).read_bytes())["folder"] == folder.stat().st_ino
        simulated = not rig.exists() or json.loads(rig.read_bytes())["simulated"] is True
    except (OSError, ValueError, LookupError, TypeError):
        return False
    return made_here and simulated
