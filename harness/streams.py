"""What is printed reaches any terminal, file or pager, whatever signs it has: none ends a run.

A console of Windows, and a file that output is redirected into there, know the signs of one code page only;
so does a system without a language set. What is missing there is written by signs that every code page has:
``−5 % × 3`` becomes ``-5 % x 3``. A letter is written by its number, so that a path stays what it is.
"""

from __future__ import annotations

import codecs
import errno
import sys
import unicodedata
from typing import Final

#: Name of the error handler, as codecs know it.
STAND_INS: Final = "levelrig-stand-ins"

#: A line that no code page but those of Unicode has whole: signs, letters of five scripts, half a character.
EXAMPLE: Final = "− × ± µ ° ≤ → … “a” ½ ▲ é ß λ я 日本 \udcff \U0001f3ae"

_SIGNS: Final = {
    "−": "-", "–": "-", "—": "-", "‑": "-", "×": "x", "·": "*", "÷": "/", "±": "+-", "≈": "~", "≤": "<=",
    "≥": ">=", "≠": "!=", "→": "->", "←": "<-", "⇒": "=>", "↑": "^", "↓": "v", "…": "...", "•": "*",
    "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "‘": "'", "’": "'", "′": "'", "″": '"', "µ": "u",
    "μ": "u", "°": "deg ", "Δ": "d", "σ": "sigma", "√": "sqrt ", "∞": "inf", "✓": "ok", "✗": "x", "█": "#",
    "▌": "#", "━": "-", "─": "-", "│": "|", "╸": "-", "╺": "-", "┃": "|", "\u00a0": " ", "\u202f": " ",
    "\u2009": " ", "\u200b": "", "€": "EUR", "\ufffd": "?",
    "▲": "^", "▼": "v", "⌈": "[", "⌉": "]", "⌊": "[", "⌋": "]", "½": "1/2", "¼": "1/4",
}  # fmt: skip


def stand_in(sign: str) -> str:
    """The sign in ASCII: its stand-in or its number. Letters have none, for they may be part of a path."""
    if sign in _SIGNS:
        return _SIGNS[sign]
    plain = unicodedata.normalize("NFKD", sign)
    if plain.isascii() and not unicodedata.category(sign).startswith("L"):
        return plain  # ² and ½ and the like
    return sign.encode("ascii", "backslashreplace").decode()


def _replace(error: UnicodeError) -> tuple[str | bytes, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(stand_in, error.object[error.start : error.end])), error.end


codecs.register_error(STAND_INS, _replace)


def fit(text: str, encoding: str | None) -> str:
    """The text with stand-ins for what an encoding lacks; None is UTF-8."""
    try:
        return text.encode(encoding or "utf-8", STAND_INS).decode(encoding or "utf-8")
    except LookupError:  # an encoding that nobody knows
        return text.encode("ascii", STAND_INS).decode("ascii")


def prepare() -> None:
    """Standard output and error of this process take every sign from now on."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=STAND_INS)


def reader_left(error: Exception) -> bool:
    """Whether a write failed because the reader of a pipe is gone. Windows calls that an invalid argument."""
    if isinstance(error, BrokenPipeError):
        return True
    is_writing = isinstance(error, OSError) and error.filename is None
    return sys.platform == "win32" and is_writing and getattr(error, "errno", None) == errno.EINVAL
