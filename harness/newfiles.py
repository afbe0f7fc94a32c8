"""Finds the file that a program wrote in this run, among those that a path or pattern means."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


class NewFiles:
    """Knows what was there before a program started, and so what it wrote.

    Args:
        pattern: A path or pattern with ``*``; absolute, or below one of the folders.
        folders: Where a relative one is looked for, in this order; the first is the program's own.
    """

    def __init__(self, pattern: str, folders: Sequence[Path]) -> None:
        self.pattern = pattern
        self._folders = tuple(dict.fromkeys(folders))
        self._before = {path: path.stat().st_mtime_ns for path in self._files()}

    def newest(self) -> Path | None:
        """The file that was written last since then; None where none was. Raises OSError."""
        fresh = {
            path: written
            for path in self._files()
            if (written := path.stat().st_mtime_ns) != self._before.get(path)
        }
        return max(fresh, key=fresh.__getitem__) if fresh else None

    def newest_now(self) -> Path | None:
        """The same beside a running program: None also where it can't be told at once."""
        if "**" in self.pattern:  # a search through whole trees takes too long
            return None
        try:
            return self.newest()
        except OSError:  # it is being replaced
            return None

    def what_is_there(self) -> str:
        """What lies where the file should, in words."""
        folder = self._folders[0]
        for path in self._matches():
            if (kind := _no_file(path)) is not None:
                return f"{path.name} is {kind}, which holds nothing to read"
            if path in self._before:
                return f"{path.name} was there before this run, which did not write it"
        try:
            there = sorted(path.name for path in folder.iterdir())[:10]
        except OSError:
            return "the folder itself is not there any more"
        return f"there: {', '.join(there) or 'nothing'}"

    def folder_is_missing(self) -> bool:
        """Whether an absolute path or pattern begins with a folder that is not there."""
        path = Path(self.pattern).expanduser()
        plain = [part for part in path.parent.parts if not set(part) & set("*?[")]
        whole = len(plain) == len(path.parent.parts)
        return path.is_absolute() and whole and not path.parent.is_dir()

    def _files(self) -> list[Path]:
        return [match for match in self._matches() if match.is_file()]

    def _matches(self) -> list[Path]:
        """Whatever is there, files or not."""
        path = Path(self.pattern).expanduser()
        if path.is_absolute():
            root, pattern = Path(path.anchor), path.relative_to(path.anchor).as_posix()
            return list(root.glob(pattern))
        return [match for folder in self._folders for match in folder.glob(path.as_posix())]


def _no_file(path: Path) -> str | None:
    """What a path is that is no file, in words; None for a file."""
    if path.is_file():
        return None
    if path.is_dir():
        return "a folder"
    if path.is_fifo() or path.is_socket():
        return "a pipe"
    if path.is_char_device() or path.is_block_device():
        return "a device"
    return "a link that leads nowhere"
