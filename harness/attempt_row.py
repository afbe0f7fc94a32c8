"""A row of the table of attempts as a record: what was tried and what became of it; figures by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any


@dataclass(frozen=True, kw_only=True)
class AttemptRow(Mapping[str, Any]):
    """An attempt; of a repeat, the accepted one. Also a mapping from column to value.

    Attributes are columns of :func:`harness.tables.attempt_columns`, but for ``figures``: the other columns,
    which metrics, stages and readings bring.
    """

    cell_id: str
    title: str
    setting: str
    profile: str
    repeat_index: int
    attempt_index: int
    block: int
    position: int
    sentinel: bool
    second_look: bool
    definition_hash: str
    verdict: str
    reason_code: str | None = None
    reason: str | None = None
    marks: tuple[str, ...] = ()
    started_utc: datetime
    start_s: float | None = None
    duration_s: float | None = None
    measured_s: float | None = None
    boot_id: str | None = None
    figures: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, columns: Mapping[str, Any]) -> AttemptRow:
        """From a row of the table; truth and marks that earlier versions left empty are false and none."""
        own: dict[str, Any] = {name: columns.get(name) for name in NAMES}
        own |= {name: bool(own[name]) for name in ("sentinel", "second_look")}
        own["marks"] = tuple(own["marks"] or ())
        return cls(**own, figures={name: value for name, value in columns.items() if name not in own})

    @property
    def counts(self) -> bool:
        """It is accepted and measures a planned repeat, not drift or a far repeat once more."""
        return self.verdict == "accepted" and not (self.sentinel or self.second_look)

    def number(self, column: str) -> float | None:
        """A figure; None where it was not measured."""
        value = self.figures.get(column)
        return None if value is None else float(value)

    def __getitem__(self, column: str) -> Any:
        return getattr(self, column) if column in NAMES else self.figures[column]

    def __iter__(self) -> Iterator[str]:
        yield from NAMES
        yield from self.figures

    def __len__(self) -> int:
        return len(NAMES) + len(self.figures)


#: The columns that are attributes.
NAMES = tuple(entry.name for entry in fields(AttemptRow) if entry.name != "figures")
