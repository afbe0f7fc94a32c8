"""Numbers as a person reads them: one true minus, no negative zero. A leaf module."""

from __future__ import annotations

import math
from typing import Final

MINUS: Final = "−"
_MOST_DECIMALS: Final = 4
_PLURAL_VERBS: Final = {"is": "are", "was": "were"}
_UNITS: Final = {"1/s": "FPS", "1/J": "FPS/W"}
_TIMES: Final = {1: "once", 2: "twice"}


def counted(count: int, one: str, many: str = "") -> str:
    """``1 repeat``, ``0 repeats``, ``24 tries``: a count with its noun; ``many`` where no s makes it."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def out_of(part: int, whole: int, noun: str, verb: str = "") -> str:
    """``3 of 24 repeats``; with a verb, ``is`` or ``was``: ``1 of 91 attempts was``, ``2 of 91 … were``."""
    return f"{part} of {counted(whole, noun)}{f' {agreed(verb, part)}' if verb else ''}"


def agreed(verb: str, count: int) -> str:
    """``is`` or ``was`` as it goes with a count."""
    return verb if count == 1 else _PLURAL_VERBS[verb]


def times(count: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return _TIMES.get(count, f"{count} times")


def at_start(text: str) -> str:
    """A label as it begins a sentence or a heading."""
    return text[:1].upper() + text[1:]


def shown_unit(unit: str) -> str:
    """A table's unit as a reader has it: ``FPS`` for ``1/s``, ``FPS/W`` for ``1/J``."""
    return _UNITS.get(unit, unit)


def decimals_of(half_width: float | None, *, unknown: int = 1) -> int:
    """Decimals at which a half width shows two digits; the number that it belongs to stands with as many.

    Args:
        half_width: Of the interval, in the unit that is shown.
        unknown: What it is where there is no interval, or one without width.
    """
    if half_width is None or not math.isfinite(half_width) or half_width <= 0:
        return unknown
    exponent = int(f"{half_width:.1e}".partition("e")[2])  # of the rounded width: 0.0996 shows as 0.10
    return min(max(1 - exponent, 0), _MOST_DECIMALS)


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
