"""Follow a growing text file line by line, cheaply and without blocking."""

from __future__ import annotations

from pathlib import Path


class LineFollower:
    """Gives the whole lines that a file gained since the last look.

    A line ends with ``\\n`` or ``\\r``. A file that does not exist yet has no lines; one that became shorter
    is read from its start again. Bytes that are not UTF-8 are replaced.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._position = 0
        self._rest = b""

    def new_lines(self, *, ended: bool = False) -> list[str]:
        """Lines since the last call.

        Args:
            ended: The writer has ended: an unfinished last line counts as a line.
        """
        try:
            with self.path.open("rb") as file:
                size = file.seek(0, 2)
                if size < self._position:
                    self._position, self._rest = 0, b""
                file.seek(self._position)
                chunk = file.read()
                self._position = file.tell()
        except OSError:
            chunk = b""
        parts = (self._rest + chunk).replace(b"\r", b"\n").split(b"\n")
        self._rest = b"" if ended else parts[-1]
        whole = parts if ended else parts[:-1]
        return [line.decode("utf-8", "replace") for line in whole if line]

    def tail(self, lines: int = 5) -> list[str]:
        """The file's last lines, for a message; at most 4 KiB."""
        try:
            with self.path.open("rb") as file:
                file.seek(max(0, file.seek(0, 2) - 4096))
                text = file.read().decode("utf-8", "replace")
        except OSError:
            return []
        return [line for line in text.splitlines() if line.strip()][-lines:]
