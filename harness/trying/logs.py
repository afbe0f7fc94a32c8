"""The frame log that a title wrote in a try, also where the plan names another, and how to read it."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import HarnessError
from harness.frames.propose import Proposal, propose_mapping
from harness.frames.sample import take_sample

#: So many files are looked at for one that holds frames, so large at most, so deep, among so many.
_TRIED, _MOST_BYTES, _DEEPEST, _MOST_FILES = 4, 256 << 20, 3, 5000
_NO_LOGS: Final = frozenset({".exe", ".dll", ".so", ".png", ".jpg", ".bmp", ".mp4", ".ini", ".py", ".pyc"})
_STAMPED = re.compile(r"[0-9]{2,}(?:[-_.:T ]?[0-9]{2,})*")


@dataclass(frozen=True)
class Candidate:
    """A log that could be the one: where it lies, how the plan would name it, how to read it."""

    path: Path
    name: str
    proposal: Proposal


def columns_of(path: Path) -> list[str]:
    """Names of a log's columns, their places where they have none. Empty where there is no table."""
    try:
        return [column.name or f"#{column.place}" for column in take_sample(path).columns]
    except (HarnessError, OSError, ValueError):
        return []


def proposed(path: Path) -> Proposal | None:
    """How the numbers of a file say that it is read; None where they say nothing."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            return None
        return propose_mapping(path)
    except (HarnessError, OSError, ValueError):
        return None


def look_for(folders: Iterable[Path], since_unix_s: float) -> Candidate | None:
    """The likeliest frame log among what was written since then; None where nothing looks like one.

    Args:
        folders: The attempt's own, and the title's.
        since_unix_s: When the title was started.
    """
    for folder in dict.fromkeys(folders):
        fresh = sorted(_written(folder, since_unix_s), key=lambda pair: -pair[0])
        for _, path in fresh[:_TRIED]:
            proposal = proposed(path)
            if proposal is not None and proposal.mapping:
                return Candidate(path, name_of(path.relative_to(folder)), proposal)
    return None


def name_of(path: Path) -> str:
    """How a plan names a file whose name changes from run to run: numbers of a date become ``*``."""
    *folders, name = path.parts
    plain = _STAMPED.sub("*", name)
    return "/".join((*(_STAMPED.sub("*", part) for part in folders), re.sub(r"\*+", "*", plain)))


def _written(folder: Path, since_unix_s: float) -> Iterable[tuple[int, Path]]:
    """Size and path of files written since then."""
    seen = 0
    for root, inner, names in os.walk(folder):
        if len(Path(root).relative_to(folder).parts) >= _DEEPEST:
            inner.clear()
        for name in names:
            seen += 1
            path = Path(root) / name
            if seen > _MOST_FILES:
                return
            try:
                stat = path.lstat()
            except OSError:
                continue
            fresh = stat.st_mtime >= since_unix_s - 1.0 and 0 < stat.st_size <= _MOST_BYTES
            if fresh and path.is_file() and not path.is_symlink() and path.suffix.lower() not in _NO_LOGS:
                yield stat.st_size, path
