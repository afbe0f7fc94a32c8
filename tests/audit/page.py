"""A report's page as a reader has it: tables by their id, and the text."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

_SILENT = {"style", "script", "svg"}
_VOID = {"meta", "input", "br", "hr", "img", "link"}


@dataclass
class Cell:
    """One table cell: its text, its interval if it has one, and the name of its number."""

    text: str = ""
    range: str = ""
    number: str = ""


@dataclass
class PageTable:
    caption: str = ""
    columns: list[str] = field(default_factory=list)
    rows: list[list[Cell]] = field(default_factory=list)

    def column(self, name: str) -> int:
        """Place of the column whose heading begins so."""
        return next(i for i, heading in enumerate(self.columns) if heading.startswith(name))


@dataclass
class Page:
    """What a page says; ``levels`` are the means before and after a change, by name."""

    tables: dict[str, PageTable]
    text: str
    lead: str
    answer: str
    sections: dict[str, str]
    levels: dict[str, str]

    def numbers(self) -> dict[str, Cell]:
        """Name of a number -> the cell that shows it."""
        cells = [c for t in self.tables.values() for row in t.rows for c in row]
        return {cell.number: cell for cell in cells if cell.number}


def read_page(path: Path) -> Page:
    reader = _Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return Page(
        reader.tables,
        _plain(reader.words),
        _plain(reader.lead),
        _plain(reader.answer),
        {name: _plain(words) for name, words in reader.sections.items()},
        {name: _plain(words) for name, words in reader.levels.items()},
    )


def _plain(words: list[str]) -> str:
    return re.sub(r"\s+", " ", "".join(words)).strip()


def value(text: str) -> float:
    """The first number in a text, with a true minus."""
    found = re.search(r"[±+−-]?\d[\d,]*\.?\d*", text)
    if found is None:
        return float("nan")
    return float(found[0].replace(",", "").replace("−", "-").lstrip("±"))


def values(text: str) -> list[float]:
    """All numbers in a text."""
    found = re.findall(r"[±+−-]?\d[\d,]*\.?\d*", text)
    return [float(one.replace(",", "").replace("−", "-").lstrip("±")) for one in found]


def step(text: str) -> float:
    """One unit of the last digit that the first number in a text shows."""
    found = re.search(r"\d[\d,]*\.?(\d*)", text)
    return 10.0 ** -len(found[1]) if found else float("nan")


def _is(attributes: dict[str, str], name: str) -> bool:
    """Whether an element has a class, alone or among others."""
    return name in attributes.get("class", "").split()


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, PageTable] = {}
        self.words: list[str] = []
        self.lead: list[str] = []
        self.answer: list[str] = []
        self.sections: dict[str, list[str]] = {}
        self.levels: dict[str, list[str]] = {}
        self._captions: dict[str, list[str]] = {}
        self._open: list[tuple[str, dict[str, str]]] = []
        self._table: PageTable | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = {name: text or "" for name, text in attrs}
        if tag == "table":
            self._table = self.tables.setdefault(known.get("id", ""), PageTable())
        elif tag == "tr" and self._table is not None and self._within("tbody"):
            self._table.rows.append([])
        elif tag in ("td", "th") and self._table is not None:
            if self._within("tbody"):
                self._table.rows[-1].append(Cell(number=known.get("title", "")))
            else:
                self._table.columns.append("")
        if tag == "section":
            self.sections[known.get("id", "")] = []
        if tag in ("p", "li", "td", "th", "tr", "h1", "h2", "h3", "dt", "dd", "div", "figcaption", "option"):
            self.handle_data(" ")
        if tag not in _VOID:
            self._open.append((tag, known))

    def handle_endtag(self, tag: str) -> None:
        while self._open:
            closed, known = self._open.pop()
            if closed == "table":
                name = known.get("aria-labelledby", "")
                if self._table is not None:
                    self._table.caption = _plain(self._captions.get(name, []))
                self._table = None
            if closed == tag:
                break

    def handle_data(self, data: str) -> None:
        data = data.replace("\xa0", " ")  # a number keeps to its unit
        if any(tag in _SILENT for tag, _ in self._open):
            return
        self.words.append(data)
        if self._within("header"):
            self.lead.append(data)
        for tag, known in self._open:
            if tag == "section":
                self.sections[known.get("id", "")].append(data)
            if _is(known, "level"):
                self.levels.setdefault(known.get("title", ""), []).append(data)
            if _is(known, "answer"):
                self.answer.append(data)
            if _is(known, "caption"):
                self._captions.setdefault(known.get("id", ""), []).append(data)
        if self._table is None:
            return
        if self._within("td") or (self._within("th") and self._within("tbody")):
            cell = self._table.rows[-1][-1]
            if any(_is(known, "range") for _, known in self._open):
                cell.range += data.strip()
            elif data.strip():
                cell.text = f"{cell.text} {data.strip()}".strip()
        elif self._within("th") and data.strip():
            self._table.columns[-1] = f"{self._table.columns[-1]} {data.strip()}".strip()

    def _within(self, tag: str) -> bool:
        return any(name == tag for name, _ in self._open)
