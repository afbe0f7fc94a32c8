"""``manifest.json``: SHA-256 and size of every file that the store answers for."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.store.artifacts import sha256_of
from harness.store.files import SafeFiles

MANIFEST_NAME: Final = "manifest.json"
FORMAT: Final = 1


def write_manifest(
    files: SafeFiles,
    campaign_id: str,
    now_utc: datetime,
    known: Mapping[str, tuple[str, int]],
    hashed_now: Iterable[Path],
    sealed: Mapping[str, Any],
) -> None:
    """Write the manifest.

    Args:
        files: The campaign folder.
        campaign_id: Whose manifest it is.
        now_utc: When it is written.
        known: Path relative to the folder -> (SHA-256, bytes), for files that never change again.
        hashed_now: Further files, hashed as they are now.
        sealed: Rows and hashes of the journal's tables (:func:`harness.store.soundness.seal`).
    """
    entries: dict[str, Any] = {
        path: {"sha256": digest, "bytes": size} for path, (digest, size) in known.items()
    }
    for path in hashed_now:
        if inside.is_file(files.folder, path):
            name = path.relative_to(files.folder).as_posix()
            entries[name] = {
                "sha256": sha256_of(path, files.folder),
                "bytes": inside.size_bytes(files.folder, path),
            }
    content = {
        "format": FORMAT,
        "campaign_id": campaign_id,
        "written_utc": now_utc.isoformat(),
        "journal": dict(sealed),
        "files": dict(sorted(entries.items())),
    }
    text = json.dumps(content, indent=1) + "\n"
    files.write_whole(files.folder / MANIFEST_NAME, text.encode())


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest's content; ``files`` is always a table. Empty but for that where it can't be read."""
    try:
        content = json.loads(inside.read_bytes(folder, folder / MANIFEST_NAME))
        files = content["files"]
        whole = isinstance(files, dict) and all(
            isinstance(entry, dict)
            and isinstance(entry.get("sha256"), str)
            and isinstance(entry.get("bytes"), int)
            for entry in files.values()
        )
    except (OSError, ValueError, LookupError, TypeError):
        return {"files": {}}
    return content if whole else {**content, "files": {}}
