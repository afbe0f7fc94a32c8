"""The one way in for small files that a user names: plan, assumptions, model, mapping, addresses; and out.

A path may lead anywhere, links included, but what is read must be a regular file of a stated size, text of
Unicode: nothing waits for a FIFO, drains a device, or grows with a file that somebody still writes.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import secrets
import stat
from pathlib import Path
from typing import BinaryIO, Final

from harness import heldfiles
from harness.errors import UserFileError

#: Far beyond any plan, mapping or model, and read in a moment.
SMALL_BYTES: Final = 4 << 20
#: Mark -> encoding; that of UTF-32 begins like that of UTF-16.
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_HEAD_BYTES: Final = 4096


def read_text(path: Path, what: str = "file", *, at_most_bytes: int = SMALL_BYTES) -> str:
    """Text of a small file of the user's.

    Args:
        path: As the user gave it.
        what: What it should be, for messages: ``plan``, ``assumptions``…
        at_most_bytes: Larger files are refused.
    Returns:
        The text without a byte order mark, line ends as they stand.
    Raises:
        UserFileError: It is missing, unreadable, no regular file, too large or no UTF-8 text.
    """
    return text_of(read_bytes(path, what, at_most_bytes=at_most_bytes), path)


def text_of(content: bytes, path: Path) -> str:
    """The content as text of any encoding of Unicode, see :func:`encoding_of`. Raises UserFileError."""
    mark, encoding = encoding_of(content)
    try:
        return content[len(mark) :].decode(encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise UserFileError(path, f"line {line} is not UTF-8 text", "save it as UTF-8") from error


def encoding_of(content: bytes) -> tuple[bytes, str]:
    """Byte order mark and encoding of a text, by its first bytes.

    UTF-16 without a mark, as some programs of Windows write it, is known by its zero bytes: every second one
    of Latin text, and none of a text in UTF-8.
    """
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            return mark, encoding
    head = content[:_HEAD_BYTES]
    even, odd = head[::2].count(0), head[1::2].count(0)
    if max(even, odd) > len(head) // 4 and max(even, odd) > 4 * min(even, odd):
        return b"", "utf-16-le" if odd > even else "utf-16-be"
    return b"", "utf-8"


def open_regular(path: Path, what: str = "file") -> BinaryIO:
    """A regular file of any size, open for reading; the path may be a link to one. Raises UserFileError."""
    remedy = f"name the {what} itself"
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):  # before opening: opening a device may do something
            raise UserFileError(path, _kind(mode), remedy)
        file = os.fdopen(heldfiles.when_let(lambda: os.open(path, flags), path), "rb")
    except FileNotFoundError as error:
        raise UserFileError(path, f"can't be read: there is no such {what}", "check the path") from error
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        raise UserFileError(path, f"can't be read ({said})", "check the path and its permissions") from error
    mode = os.fstat(file.fileno()).st_mode
    if not stat.S_ISREG(mode):  # exchanged since the look
        file.close()
        raise UserFileError(path, _kind(mode), remedy)
    return file


def read_bytes(path: Path, what: str = "file", *, at_most_bytes: int = SMALL_BYTES) -> bytes:
    """Content of a small file of the user's; see :func:`read_text`."""
    with open_regular(path, what) as file:
        try:
            content = file.read(at_most_bytes + 1)
        except OSError as error:
            raise UserFileError(path, f"can't be read ({error.strerror})", "check the disk") from error
    if len(content) > at_most_bytes:
        raise UserFileError(
            path,
            f"larger than {at_most_bytes / 2**20:.0f} MiB, which no {what} is",
            f"name the {what} itself",
        )
    return content


def write_whole(path: Path, content: bytes, what: str = "file", *, replace: bool) -> None:
    """Write a small file of the user's at once: it is there whole, or as it was before.

    A link is followed; a file that is replaced keeps its rights.

    Args:
        path: As the user gave it.
        content: All of it.
        what: What it is, for messages.
        replace: It may be there already; otherwise nothing that is there is touched.
    Raises:
        UserFileError: It is there already, is no regular file, or can't be written.
    """
    target = Path(os.path.realpath(path))
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}.tmp")
    try:
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            raise UserFileError(path, _kind(target.stat().st_mode), f"name another {what}")
        with temporary.open("xb") as file:
            if replace and target.exists():
                os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))  # noqa: PTH101
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if replace:
            heldfiles.replace(temporary, target)
        else:
            _move_to_nothing(temporary, target)
    except FileExistsError as error:
        raise UserFileError(path, "it is there already", f"name another {what}") from error
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or error
        remedy = "check the folder, its permissions and the space left"
        raise UserFileError(path, f"can't be written ({said})", remedy) from error
    finally:
        with contextlib.suppress(OSError):
            heldfiles.remove(temporary, missing_ok=True)


def _move_to_nothing(source: Path, target: Path) -> None:
    """Move a file to a name that must be free. Raises FileExistsError."""
    if os.name == "nt":
        heldfiles.rename(source, target)  # refuses a name that is taken, as POSIX does not
        return
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError from None
        os.rename(source, target)  # noqa: PTH104


def _kind(mode: int) -> str:
    for is_kind, word in (
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISFIFO, "a FIFO"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
        (stat.S_ISSOCK, "a socket"),
    ):
        if is_kind(mode):
            return f"{word}, not a file"
    return "not a file"
