"""Names in pictures: fonts for what the charts' own type can't write, and how much of a name has room."""

from __future__ import annotations

import contextlib
import functools
from bisect import bisect_right
from collections.abc import Iterable

#: Matplotlib brings it along, so that charts look alike on every machine.
OWN = "DejaVu Sans"
#: Its boxes stand for every letter; that is no font to read.
_BOXES = "Last Resort"
#: First code point behind the Latin letters, which every type has.
_LATIN_ENDS = 0x250


@functools.cache
def _letters(path: str) -> frozenset[int]:
    """Code points that a font file has; none for one that can't be read."""
    from matplotlib.ft2font import FT2Font

    with contextlib.suppress(Exception):  # fonts of a machine are anybody's files
        return frozenset(FT2Font(path).get_charmap())
    return frozenset()


@functools.cache
def _found(lacking: frozenset[int]) -> tuple[tuple[str, ...], frozenset[int]]:
    """Families that write what is lacking, the most useful first, and what none of them writes."""
    from matplotlib.font_manager import fontManager

    plain = {
        font.name: font.fname
        for font in fontManager.ttflist
        if not font.name.startswith(_BOXES)
        and font.style == "normal"
        and font.weight in (400, "normal", "regular", "book")
    }
    families = []
    while lacking:
        best = max(plain, key=lambda name: len(lacking & _letters(plain[name])), default=None)
        if best is None or not lacking & _letters(plain[best]):
            break
        families.append(best)
        lacking -= _letters(plain.pop(best))
    return tuple(families), lacking


def lettering(texts: Iterable[str]) -> tuple[list[str], str]:
    """Families that write the texts, in the order that they are asked, and the letters that none has."""
    from matplotlib.font_manager import findfont

    wanted = frozenset(ord(letter) for letter in "".join(texts) if letter.isprintable())
    if all(code < _LATIN_ENDS for code in wanted):
        return [OWN], ""
    families, without = _found(wanted - _letters(findfont(OWN)))
    return [OWN, *families], "".join(map(chr, sorted(without)))


def measured_pt(text: str, size_pt: float) -> float:
    """Width of a text in points, in the type that is being drawn with."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    return float(text_to_path.get_text_width_height_descent(text, FontProperties(size=size_pt), False)[0])


def fitted(text: str, room_pt: float, size_pt: float, lines: int = 1) -> str:
    """The text in at most so many lines of this width; the rest becomes an ellipsis."""
    done: list[str] = []
    while measured_pt(text, size_pt) > room_pt:
        end = "…" if len(done) == lines - 1 else ""
        most = max(
            bisect_right(range(len(text)), room_pt, key=lambda n: measured_pt(text[:n] + end, size_pt)) - 1, 1
        )
        if end:
            return "\n".join([*done, text[:most].rstrip() + end])
        most = most if (blank := text.rfind(" ", 0, most + 1)) < 1 else blank
        done.append(text[:most].rstrip())
        text = text[most:].lstrip()
    return "\n".join([*done, text])
