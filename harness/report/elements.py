"""What the page shows, as plain values: the template only lays these out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, cast
from unicodedata import east_asian_width

import pandas as pd
from markupsafe import Markup

from harness import numerals
from harness.numerals import unsigned

NOTHING = "–"


@dataclass(frozen=True)
class Heading:
    """A table column as shown: heading, unit, and how its cells are set."""

    heading: str
    unit: str = ""
    number: bool = False
    wide: bool = False


@dataclass(frozen=True)
class Entry:
    """One table cell as shown.

    Attributes:
        text: What is printed.
        range: Interval behind it, printed quieter.
        number_id: Name under which :func:`harness.report.explain` knows this number.
        profile: Profile whose colour is shown before the text.
        sign: One sign before a decision word, so that it does not rest on colour.
    """

    text: str
    range: str = ""
    number_id: str = ""
    profile: str = ""
    sign: str = ""

    def least_width(self, *, wide: bool = False) -> int:
        """Characters that stand in one line; ``wide`` cells are texts, which break between words."""
        if self.profile:
            return min(letters(self.text) + 2, 26)
        if wide:
            return max(_longest(self.text.split()[:12]), letters(self.text[:14]))
        if self.sign:
            verdict, _, figure = self.text.partition(" ")
            return max(len(verdict) + 2, len(figure), len(self.range))
        return max(letters(self.text), len(self.range))


@dataclass(frozen=True)
class Row:
    """One table row; ``title``, ``profile`` and ``campaign`` are what the reader can select it by."""

    cells: Sequence[Entry]
    title: str = ""
    profile: str = ""
    campaign: str = ""
    summary: bool = False


#: Room of a character and of the space between columns, rem; digits are the widest of the fonts used.
_CHARACTER_REM, _BETWEEN_REM = 0.56, 0.8
#: Rows from which on a table is folded.
_MANY_ROWS = 48


@dataclass(frozen=True)
class Table:
    """A table as shown. Where it does not fit, its rows stand as blocks, headings above the values."""

    id: str
    caption: str
    columns: Sequence[Heading]
    rows: Sequence[Row]

    @property
    def by_title(self) -> bool:
        """Whether the choice of a title reaches it."""
        return any(row.title for row in self.rows)

    @property
    def folded(self) -> bool:
        """Whether it is opened by who wants it."""
        return len(self.rows) > _MANY_ROWS

    @property
    def needs_rem(self) -> int:
        """Width in rem, a multiple of 4, below which its columns would not stand side by side."""
        widths = [_longest(column.heading.split()) for column in self.columns]
        for row in self.rows:
            for i, cell in enumerate(row.cells):
                widths[i] = max(widths[i], cell.least_width(wide=self.columns[i].wide or i == 0))
        rem = sum(_CHARACTER_REM * width + _BETWEEN_REM for width in widths)
        return 4 * math.ceil(rem / 4)


def _longest(texts: Iterable[str]) -> int:
    return max((letters(text) for text in texts), default=0)


def letters(text: str) -> int:
    """How many letters of the usual width a text is as wide as."""
    wide = sum(letter in "MWmw" or east_asian_width(letter) in "WF" for letter in text)
    return len(text) + math.ceil(0.6 * wide)


@dataclass(frozen=True)
class Picture:
    """A chart as shown: the drawing, the name of its interactive form, repeats to choose from."""

    id: str
    heading: str
    caption: str
    alt: str
    svg: Markup
    title: str = ""
    interactive: str = ""
    repeats: Sequence[int] = ()
    table: Table | None = None
    by_title: bool = True


@dataclass(frozen=True)
class Fold:
    """Charts of one title, opened by who wants them."""

    heading: str
    title: str
    charts: Sequence[Picture]


@dataclass(frozen=True)
class Paste:
    """A text to copy from the page by a button.

    Attributes:
        id: Its place in the page.
        label: What the button says.
        text: What is copied.
        html: The same as HTML, for programs that take formatted text; empty for none.
        shown: Whether it stands in the page as well.
    """

    id: str
    label: str
    text: str
    html: str = ""
    shown: bool = False


@dataclass(frozen=True)
class Definition:
    """A term and what it means here."""

    term: str
    text: str


@dataclass(frozen=True)
class Shot:
    """A picture of a screen.

    Attributes:
        source: The picture as a ``data:`` address.
        width, height: As shown, px.
    """

    caption: str
    alt: str
    source: str
    width: int
    height: int


@dataclass(frozen=True)
class ShotRow:
    """Pictures that belong together, opened by who wants them."""

    heading: str
    title: str
    shots: Sequence[Shot]


@dataclass(frozen=True)
class Section:
    """One part of the page, in the order in which its members are laid out.

    ``over_all_titles``: its sentences speak of all titles, whichever one is chosen.
    """

    id: str
    heading: str
    paragraphs: Sequence[str] = ()
    tables: Sequence[Table] = ()
    charts: Sequence[Picture] = ()
    bullets: Sequence[str] = ()
    definitions: Sequence[Definition] = ()
    closing_tables: Sequence[Table] = ()
    texts: Sequence[tuple[str, str]] = ()
    pastes: Sequence[Paste] = ()
    folds: Sequence[Fold] = ()
    shots: Sequence[ShotRow] = ()
    over_all_titles: bool = False


@dataclass(frozen=True)
class Named:
    """A title, profile or campaign: its name here and what a reader calls it."""

    name: str
    label: str


@dataclass(frozen=True)
class Figure:
    """One metric of one profile.

    Attributes:
        label: What it is; names the column.
        change, interval: Against the reference, with its unit.
        arrow: ``▲`` for up, ``▼`` for down, empty for neither. Whether that is good the verdict says.
        verdict, sign: ``better: faster`` with its shape; ``described`` where the plan asks for no verdict.
        kind: For the look: better, worse, same, undecided, withheld, changed, descriptive.
        before, after, unit: Means over the titles; empty where there are none.
        number_id, before_id, after_id: Names of the numbers.
        remark: Over how many titles, where these are fewer than of the others; what is in doubt of it.
    """

    label: str
    change: str
    interval: str
    arrow: str
    verdict: str
    sign: str
    kind: str
    number_id: str
    before: str = ""
    after: str = ""
    unit: str = ""
    before_id: str = ""
    after_id: str = ""
    remark: str = ""


@dataclass(frozen=True)
class ProfileGlance:
    """One profile: a figure, or None where it has none, for each column; and what went wrong under it."""

    profile: str
    label: str
    figures: Sequence[Figure | None]
    wrong: Sequence[str]


@dataclass(frozen=True)
class Glance:
    """The first screen.

    Attributes:
        columns: Headings of the figures.
        profiles: The reference first, which has no figures.
        notes: How to read it, a sentence each.
        wide, narrow: The picture, for a screen and for a phone; empty where no cell has a value.
        alt: What it shows, in words.
        table: The numbers behind it.
    """

    reference: str
    columns: Sequence[str]
    profiles: Sequence[ProfileGlance]
    notes: Sequence[str]
    wide: Markup
    narrow: Markup
    alt: str
    picture_notes: Sequence[str]
    table: Table | None

    @property
    def needs_rem(self) -> int:
        """Width in rem, a multiple of 4, below which its columns would not stand side by side."""
        names = min(max((len(one.label) for one in self.profiles), default=0) + 2, 26)
        return 4 * math.ceil((11 + 0.62 * names + 8.7 * len(self.columns)) / 4)


@dataclass(frozen=True)
class View:
    """The whole page. ``pastes``: texts to copy, offered below the first screen."""

    name: str
    overline: str
    question: str
    answer: str
    simulated: bool
    source: str
    titles: Sequence[Named]
    profiles: Sequence[Named]
    sections: Sequence[Section]
    campaigns: Sequence[Named] = ()
    glance: Glance | None = None
    pastes: Sequence[Paste] = ()


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as mappings from column name to value."""
    return cast(list[dict[str, Any]], frame.to_dict("records"))


def text_or(value: Any, missing: str = NOTHING) -> str:
    """A text as it stands in a table; ``missing`` (a dash) where it is null, not a number or empty."""
    return str(value) if isinstance(value, str) and value else missing


def number(value: float | None, decimals: int = 1) -> str:
    """A number with a true minus; a dash where it is missing."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return unsigned(value, decimals)


def signed(value: float | None, decimals: int = 1) -> str:
    """The same with its sign."""
    if value is None or not math.isfinite(value):
        return NOTHING
    return numerals.signed(value, decimals)


def between(low: float | None, high: float | None, decimals: int = 1, *, sign: bool = False) -> str:
    """An interval; empty where it is unknown."""
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return ""
    show = signed if sign else number
    return f"{show(low, decimals)} to {show(high, decimals)}"


def decimals_for(value: float, half_width: float | None = None) -> int:
    """Decimals that keep two digits of the uncertainty, or four of the value where that is unknown."""
    return numerals.decimals_of(half_width, unknown=numerals.decimals_of(abs(value) / 100))


def change_decimals(low: float, high: float) -> int:
    """Decimals of a change and of its interval's ends, by two digits of the interval's half width."""
    return numerals.decimals_of((high - low) / 2)


def duration(seconds: float | None) -> str:
    """``7 h 12 min``, ``45 s``."""
    if seconds is None or not math.isfinite(seconds):
        return NOTHING
    minutes = round(seconds / 60)
    if minutes < 2:
        return f"{seconds:.0f} s"
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"
