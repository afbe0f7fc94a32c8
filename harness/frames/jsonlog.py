"""JSON beyond one plain object a line: an array becomes lines, a dotted path leads into an object."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from harness.errors import FrameLogError

_READ_BYTES = 1 << 20
_SPACE = " \t\r\n"


def is_json_array(head: bytes) -> bool:
    """Whether a file that begins so is an array of objects."""
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return text.startswith(b"[") and text[1:].lstrip().startswith(b"{")


def array_lines(path: Path, stream: BinaryIO, longest_bytes: int) -> Iterator[bytes]:
    """The objects of an array, each as a line of JSON; what follows the array's end is not read.

    Raises:
        FrameLogError: Something else stands between the objects, or one is too long.
    """
    decoder = json.JSONDecoder()
    rest = stream.read(_READ_BYTES)
    text = rest.decode("utf-8", "replace").lstrip("\ufeff" + _SPACE).removeprefix("[")
    number, at, ended = 0, 0, not rest
    while True:
        while at < len(text) and text[at] in _SPACE + ",":
            at += 1
        if at < len(text) and text[at] == "]":
            return
        try:
            _, end = decoder.raw_decode(text, at)
        except RecursionError:
            raise FrameLogError(f"{path}: object {number + 1} is nested too deeply; this is no log") from None
        except ValueError as error:
            if not ended and len(text) - at <= longest_bytes:
                text, at = text[at:], 0
                # more is read than is missing at first, so that a long object is not decoded over and over
                more = stream.read(max(_READ_BYTES, len(text)))
                ended = not more
                text += more.decode("utf-8", "replace")
                continue
            if text[at:].strip():
                yield text[at:].strip().encode()  # cut off in the middle of an object
            elif number == 0:
                raise FrameLogError(f"{path}: the JSON array holds no object ({error})") from None
            return
        yield text[at:end].encode() + b"\n"
        number, at = number + 1, end
        if at > _READ_BYTES:
            text, at = text[at:], 0


def flat_keys(found: dict[str, Any]) -> Iterator[str]:
    """Keys of an object; those of objects in it by their dotted path."""
    stack: list[tuple[str, Any]] = list(reversed(found.items()))
    while stack:
        path, value = stack.pop()
        if isinstance(value, dict) and value and path.count(".") < 8:
            stack += [(f"{path}.{key}", inner) for key, inner in reversed(value.items())]
        else:
            yield path


def value_at(found: dict[str, Any], path: str) -> Any:
    """What stands under a key or a dotted path; None for nothing."""
    if path in found or "." not in path:
        return found.get(path)
    at: Any = found
    for key in path.split("."):
        if not isinstance(at, dict):
            return None
        at = at.get(key)
    return at
