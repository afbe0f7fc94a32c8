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
) -> None:
    """Write the manifest.

    Args:
        files: The campaign folder.
        campaign_id: Whose manifest it is.
        now_utc: When it is written.
        known: Path relative to the folder -> (SHA-256, bytes), for files that never change again.
        hashed_now: Further files, hashed as they are now.
    """
    entries: dict[str, Any] = {
        path: {"sha256": digest, "bytes": size} for path, (digest, size) in known.items()
    }
    for path in hashed_now:
        if inside.is_file(files.folder, path):
            name = path.relative_to(files.folder).as_posix()
            entries[name] = {"sha256": sha256_of(path), "bytes": path.stat().st_size}
    content = {
        "format": FORMAT,
        "campaign_id": campaign_id,
        "written_utc": now_utc.isoformat(),
        "files": dict(sorted(entries.items())),
    }
    text = json.dumps(content, indent=1) + "\n"
    files.write_whole(files.folder / MANIFEST_NAME, text.encode())
