"""Numbers as a person reads them: one true minus, no negative zero. A leaf module."""

from __future__ import annotations

from typing import Final

MINUS: Final = "−"
_TIMES: Final = {1: "once", 2: "twice"}


def counted(count: int, one: str, many: str = "") -> str:
    """``1 repeat``, ``0 repeats``, ``24 tries``: a count with its noun; ``many`` where no s makes it."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def times(count: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return _TIMES.get(count, f"{count} times")


def signed(value: float, decimals: int) -> str:
    """``+1.2``, ``−3.0``; what rounds to nothing has neither sign: ``±0.0``."""
    text = f"{value:+.{decimals}f}"
    if float(text) == 0:
        text = f"±{0:.{decimals}f}"
    return text.replace("-", MINUS)


def unsigned(value: float, decimals: int) -> str:
    """``1.2``, ``−3.0``, and ``0.0`` for what rounds to nothing."""
    text = f"{value:.{decimals}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", MINUS)


def beside_limit(value: float, limit: float, decimals: int = 0) -> str:
    """The value with the decimals that it takes to lie on its own side of the limit: ``94.96`` of 95."""
    for places in range(decimals, decimals + 9):
        text = f"{value:.{places}f}"
        if (float(text) > limit) == (value > limit) and (float(text) < limit) == (value < limit):
            break
    return text.replace("-", MINUS)
