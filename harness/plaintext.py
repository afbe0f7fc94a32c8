"""Text of any origin as it may reach a terminal. Imports nothing: every command needs it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

#: What moves, colours, hides or turns around text on a terminal -> signs that show that it was there.
_SHOWN_CONTROLS: Final = (
    {code: 0x2400 + code for code in range(0x20) if code not in (0x09, 0x0A)}
    | {0x7F: 0x2421}
    | dict.fromkeys((*range(0x80, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A)), 0xFFFD)
)


def plain(text: str) -> str:
    """Text of any origin as it may reach a terminal: control characters are shown, not obeyed.

    C0 controls but tab and line feed become the pictures of Unicode's block Control Pictures; C1 controls and
    the signs that reorder text become U+FFFD.
    """
    return text.translate(_SHOWN_CONTROLS)


def plain_value(value: Any) -> Any:
    """The same for a value of any kind: text in it is made plain, and what has no text of its own is told."""
    if isinstance(value, str):
        return plain(value)
    if value is None or isinstance(value, bool | int | float):
        return value
    if isinstance(value, Mapping):
        return {plain_value(key): plain_value(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_value(item) for item in value]
    return plain(str(value))
