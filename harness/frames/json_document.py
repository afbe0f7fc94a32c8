"""Rows of frames inside a JSON document: ``{"card": "...", "frames": [{...}, {...}]}``.

The document is looked through once for arrays of objects, in bounded memory; the rows are then read from
where their array begins, as those of a file that is one array.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from harness.errors import FrameLogError
from harness.frames.files import LONGEST_LINE_BYTES, open_text
from harness.frames.jsonlog import array_lines
from harness.numerals import counted

_READ_BYTES = 1 << 20
_TOKEN = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"|[{}\[\]:,]', re.DOTALL)
_MOST_DEEP = 100


@dataclass
class RowArray:
    """An array of objects in a document.

    Attributes:
        key: Keys that lead to it, joined by dots.
        begin: Place of its bracket in the text as UTF-8.
        rows: Objects in it.
    """

    key: str
    begin: int
    rows: int = 0


def rows_begin(path: Path, encoding: str, rows_key: str | None) -> RowArray | None:
    """Where the rows of a JSON document begin; None for a file of one object a line.

    Args:
        path: A file that begins with an object.
        encoding: As in the mapping.
        rows_key: The wanted array, where the document has several.
    Raises:
        FrameLogError: There are several arrays of rows and none is named, or the named one is not there.
    """
    if rows_key is None and is_object_a_line(path, encoding):
        return None
    found = row_arrays(path, encoding)
    listed = ", ".join(f"{array.key!r} ({counted(array.rows, 'row')})" for array in found) or "none"
    if rows_key is not None:
        named = [array for array in found if array.key == rows_key]
        if not named:
            raise FrameLogError(
                f"{path}: no array of objects under {rows_key!r} (rows_key); there are: {listed}",
                permanent=True,
            )
        return named[0]
    if len(found) > 1:
        raise FrameLogError(
            f"{path}: the document holds several arrays of rows: {listed}; set rows_key to the one of the "
            "frames",
            permanent=True,
        )
    return found[0] if found else None


def row_arrays(path: Path, encoding: str) -> list[RowArray]:
    """The arrays of objects in a document, those inside the rows of another left out; in file order."""
    found: list[RowArray] = []
    inside: list[tuple[bytes, bytes, int]] = []  # bracket, key, place of it
    word = key = b""
    rows: RowArray | None = None  # the array whose rows are passed
    depth_of_rows = 0
    with open_text(path, encoding) as stream:
        for place, token in _tokens(path, stream):
            if token[:1] == b'"':
                word = token
            elif token == b":":
                key = word if rows is None else key
            elif token in b"{[":
                if token == b"{" and inside and inside[-1][0] == b"[":
                    if rows is None:
                        rows, depth_of_rows = RowArray(_key_of(inside), inside[-1][2]), len(inside)
                        found.append(rows)
                    if len(inside) == depth_of_rows:
                        rows.rows += 1
                inside.append((token, key if inside and inside[-1][0] == b"{" else b"", place))
                if len(inside) > _MOST_DEEP:
                    raise FrameLogError(f"{path}: nested too deeply; this is no log")
            elif token in b"}]" and inside:
                inside.pop()
                if rows is not None and len(inside) < depth_of_rows:
                    rows = None
    return found


def document_lines(path: Path, encoding: str, array: RowArray) -> Iterator[bytes]:
    """The objects of an array in a document, each as a line of JSON. Raises FrameLogError."""
    with open_text(path, encoding) as stream:
        left = array.begin
        while left and (passed := len(stream.read(min(left, _READ_BYTES)))):
            left -= passed
        yield from array_lines(path, stream, LONGEST_LINE_BYTES)


def _key_of(inside: list[tuple[bytes, bytes, int]]) -> str:
    keys = [json.loads(key) for _, key, _ in inside if key]
    return ".".join(keys)


def _tokens(path: Path, stream: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """Strings and signs of a JSON text with their places."""
    base, text = 0, b""
    while read := stream.read(max(_READ_BYTES, len(text))):
        text += read
        end = 0
        for match in _TOKEN.finditer(text):
            yield base + match.start(), match[0]
            end = match.end()
        quote = text.find(b'"', end)  # a string that is not over yet
        kept = quote if quote >= 0 else len(text)
        if len(text) - kept > LONGEST_LINE_BYTES:
            raise FrameLogError(f"{path}: a text of over {LONGEST_LINE_BYTES >> 20} MiB; this is no log")
        base, text = base + kept, text[kept:]


def is_object_a_line(path: Path, encoding: str) -> bool:
    """Whether the first line is a whole object and another line follows."""
    with open_text(path, encoding) as stream:
        first = b""
        while not first.strip():
            first = stream.readline(LONGEST_LINE_BYTES + 1)
            if not first:
                return True
        try:
            json.loads(first)
        except (ValueError, RecursionError):
            return False
        return any(line.strip() for line in iter(lambda: stream.readline(_READ_BYTES), b""))
