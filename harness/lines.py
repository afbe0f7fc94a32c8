"""Lines of text that arrive bit by bit: cut from a stream, followed in a growing file, in bounded memory."""

from __future__ import annotations

import codecs
from collections.abc import Sequence
from pathlib import Path

from harness import inside
from harness.patterns import LONGEST_LINE, Pattern

#: Most that one look reads of a file, bytes. What is left is read at the next look.
MOST_AT_ONCE = 4 << 20


def whole_lines(data: bytes) -> bytes:
    """The same text as a block that can be searched: UTF-8, every line ended by ``\\n`` alone."""
    if b"\r" in data:
        data = data.replace(b"\r", b"\n")
    return data if data.isascii() else data.decode("utf-8", "replace").encode("utf-8")


def wide_encoding(head: bytes) -> str | None:
    """The UTF-16 that a text begins in, by its mark or by a first letter of two bytes; None for other texts.

    Programs of Windows write their logs so.
    """
    first = head[:2]
    if first == codecs.BOM_UTF16_LE or (len(first) == 2 and first[0] and not first[1]):
        return "utf-16-le"
    if first == codecs.BOM_UTF16_BE or (len(first) == 2 and not first[0] and first[1]):
        return "utf-16-be"
    return None


def some_text(data: bytes) -> str:
    """A part of a text, as a person can read it: UTF-8, or UTF-16 of mostly Latin letters."""
    for encoding, zeros in (("utf-16-le", data[1::2]), ("utf-16-be", data[::2])):
        if zeros.count(0) > len(data) // 4:
            return data.decode(encoding, "replace").removeprefix("\ufeff")
    return data.decode("utf-8", "replace")


class LineCutter:
    """Cuts a stream of bytes into blocks of whole lines, in bounded memory; UTF-16 becomes UTF-8.

    A line longer than :data:`LONGEST_LINE` is cut there, and the rest of it is passed over.

    Args:
        head: The first bytes of the text, where the stream begins further on.
    """

    def __init__(self, head: bytes = b"") -> None:
        self._rest = b""
        self._skipping = False
        self._head: bytes | None = b""
        self._decoder: codecs.IncrementalDecoder | None = None
        if head:
            self._begin(head)

    @property
    def unfinished(self) -> bool:
        """Whether it holds the beginning of a line whose end has not come yet."""
        return bool(self._rest or self._head)

    def _begin(self, head: bytes) -> None:
        encoding = wide_encoding(head)
        self._head = None
        if encoding is not None:
            self._decoder = codecs.getincrementaldecoder(encoding)("replace")

    def _narrow(self, data: bytes, ended: bool) -> bytes:
        """The same in UTF-8; what can't be told yet waits for the next part."""
        if self._head is not None:
            data = self._head + data
            if len(data) < 2 and not ended:
                self._head = data
                return b""
            self._begin(data)
        if self._decoder is None:
            return data
        return self._decoder.decode(data, ended).removeprefix("\ufeff").encode("utf-8", "replace")

    def feed(self, data: bytes, *, ended: bool = False) -> bytes:
        """The lines that this part completes, as a block; all that is left if the stream has ended."""
        # A damaged or half character is replaced only once its line is whole.
        if self._head is not None or self._decoder is not None:
            data = self._narrow(data, ended)
        if b"\r" in data:
            data = data.replace(b"\r", b"\n")
        if self._skipping:
            end = data.find(b"\n")
            if end < 0:
                return b""
            data, self._skipping = data[end + 1 :], False
        end = data.rfind(b"\n") + 1
        if end:
            block, self._rest = self._rest + data[:end], data[end:]
        else:
            block, self._rest = b"", self._rest + data
        if ended and self._rest:
            block, self._rest = block + self._rest[:LONGEST_LINE] + b"\n", b""
        elif len(self._rest) > LONGEST_LINE:
            block, self._rest, self._skipping = block + self._rest[:LONGEST_LINE] + b"\n", b"", True
        return whole_lines(block)


class LineTimes:
    """Since when the lines that a look brings can have been written, over one look at a stream after another.

    A line counts from its first byte: what it says of a clock may stand there, and its end may come later.

    Attributes:
        since_s: The lines of the next look were begun no earlier than this.
    """

    def __init__(self, now_s: float) -> None:
        self.since_s = self._emptied_s = now_s

    def looked(self, begun_s: float, *, lines: bool, unfinished: bool, emptied: bool = True) -> None:
        """Note a look.

        Args:
            begun_s: When it began.
            lines: Whether it brought whole lines.
            unfinished: Whether it left the beginning of a line.
            emptied: Whether it took all that was there.
        """
        if not emptied:
            return
        if not unfinished:
            self.since_s = begun_s
        elif lines:  # the new line's beginning came with the old ones' end
            self.since_s = self._emptied_s
        self._emptied_s = begun_s


def missing_lines(output: str, patterns: Sequence[str]) -> tuple[str, ...]:
    """Patterns that no line of a title's output matches."""
    block = whole_lines(output.encode("utf-8", "replace"))
    return tuple(text for text in patterns if not Pattern(text).matches(block))


def missing_in_file(output: Path, patterns: Sequence[str]) -> tuple[str, ...]:
    """Patterns that no line of a title's output file matches; all of them if there is no file.

    Reads the file in parts: its size bounds nothing but the time.
    """
    wanted = {text: Pattern(text) for text in patterns}
    cutter, ended = LineCutter(), False
    try:
        with inside.opened(output.parent, output) as file:
            while wanted and not ended:
                data = file.read(MOST_AT_ONCE)
                ended = not data
                block = cutter.feed(data, ended=ended)
                wanted = {text: one for text, one in wanted.items() if not (block and one.matches(block))}
    except OSError:
        pass
    return tuple(text for text in patterns if text in wanted)


class LineFollower:
    """Gives the whole lines that a file gained since the last look.

    A line ends with ``\\n`` or ``\\r``; one longer than :data:`~harness.patterns.LONGEST_LINE` is cut there.
    A file that does not exist yet has no lines; one that became shorter is read from its start again. Bytes
    that are not UTF-8 are replaced. One look reads at most :data:`MOST_AT_ONCE`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._position = 0
        self._cutter = LineCutter()
        #: Whether the last look took all that was there.
        self.at_end = True

    @property
    def unfinished(self) -> bool:
        """Whether it holds the beginning of a line whose end has not been written yet."""
        return self._cutter.unfinished

    def skip(self) -> None:
        """Pass over all that is in the file now."""
        try:
            with self.path.open("rb") as file:
                head, self._position = file.read(2), file.seek(0, 2)
        except OSError:
            head, self._position = b"", 0
        self._cutter = LineCutter(head)

    def new_block(self, *, ended: bool = False) -> bytes:
        """Lines since the last call, as a block that a pattern can search.

        Args:
            ended: The writer has ended: an unfinished last line counts as a line.
        """
        try:
            with self.path.open("rb") as file:
                size = file.seek(0, 2)
                if size < self._position:
                    self._position, self._cutter = 0, LineCutter()
                file.seek(self._position)
                data = file.read(MOST_AT_ONCE)
                self._position = file.tell()
                self.at_end = self._position >= size
        except OSError:
            data, self.at_end = b"", True
        return self._cutter.feed(data, ended=ended and self.at_end)

    def new_lines(self, *, ended: bool = False) -> list[str]:
        """Lines since the last call that are not empty; ``ended`` as in :meth:`new_block`."""
        return [line.decode("utf-8", "replace") for line in self.new_block(ended=ended).split(b"\n") if line]

    def tail(self, lines: int = 5) -> list[str]:
        """The file's last lines, for a message; at most 4 KiB."""
        try:
            with self.path.open("rb") as file:
                file.seek(max(0, file.seek(0, 2) - 4096))
                text = some_text(file.read(4096))
        except OSError:
            return []
        return [line for line in text.splitlines() if line.strip()][-lines:]
