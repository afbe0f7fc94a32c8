"""Runs a tool of the system, and reads what it prints, whatever code page it prints in. Imports little.

Tools of Windows print in the console's code page (the OEM one), which is not that of files; some print
UTF-16, newer ones UTF-8. A byte that no guess explains is shown as a replacement, and ends nothing.
"""

from __future__ import annotations

import codecs
import shutil
import subprocess
import sys
from collections.abc import Sequence
from typing import Final

from harness.errors import StoreError

#: A tool of the system answers within this time, s; common practice, no source.
_LIMIT_S: Final = 60.0
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def tool_text(raw: bytes, code_page: str | None = None) -> str:
    """What a tool printed, as text.

    Args:
        raw: Its output.
        code_page: What it is read as where it is neither UTF-8 nor UTF-16; default: the console's own.
    """
    for mark, encoding in _MARKS:
        if raw.startswith(mark):
            return raw.decode(encoding, "replace").replace("\r\n", "\n")
    if raw[1::2].count(0) > len(raw) // 4:  # UTF-16 of mostly Latin text, without a mark
        return raw.decode("utf-16-le", "replace").replace("\r\n", "\n")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode(code_page or ("oem" if sys.platform == "win32" else "utf-8"), "replace")
    return text.replace("\r\n", "\n")


def run_tool(words: Sequence[str], *, limit_s: float = _LIMIT_S) -> str:
    """Run a tool to its end; what it printed.

    Raises:
        StoreError: It is not there, does not end, or refuses; the message has its own words.
    """
    name = words[0]
    if shutil.which(name) is None:
        raise StoreError(f"{name} is not on this system; install it, or do by hand what it would do")
    try:
        ended = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, timeout=limit_s, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise StoreError(f"`{' '.join(words)}` did not end well ({error}); try it by hand") from error
    if ended.returncode:
        said = " ".join(tool_text(ended.stderr or ended.stdout).split())
        raise StoreError(f"`{' '.join(words)}` was refused: {said}; grant the rights, then do it again")
    return tool_text(ended.stdout)
