"""Values as TOML text, written as a person would write them: paths with backslashes in '…'. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SHORT: Final = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}


def toml_string(text: str) -> str:
    """A text as a TOML string that reads back the same: '…' where backslashes stand in it, else "…".

    Raises:
        ValueError: It holds half of a sign (an undecodable file name does), which no TOML file can hold.
    """
    if any("\ud800" <= sign <= "\udfff" for sign in text):
        raise ValueError(f"{text!a} can't be written into a file: it is no Unicode text; rename it")
    if "\\" in text and "'" not in text and not any(_is_control(sign) for sign in text):
        return f"'{text}'"
    return f'"{"".join(_escaped(sign) for sign in text)}"'


def _is_control(sign: str) -> bool:
    return sign < " " or sign == "\x7f"


def _escaped(sign: str) -> str:
    return _SHORT.get(sign) or (f"\\u{ord(sign):04x}" if _is_control(sign) else sign)


def toml_key(key: str) -> str:
    """A key, quoted only where it must be. Raises ValueError as :func:`toml_string`."""
    return key if _BARE_KEY.fullmatch(key) else toml_string(key)


def toml_value(value: Any) -> str:
    """A value on one line: text, number, truth, list, or table. Raises ValueError for what TOML lacks."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_string(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float) and math.isfinite(value):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{toml_key(str(key))} = {toml_value(item)}" for key, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    raise ValueError(f"{value!r} is no value of a plan")
