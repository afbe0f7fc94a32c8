"""What to measure next: the order of the night less what is done, given up or no longer wanted."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import pyarrow as pa

from harness.plan.schema import Slot
from harness.store.campaign import CampaignStore

#: Given the accepted repeats so far, the cells that still want one; the rest of their slots is passed over.
WantedCells = Callable[[pa.Table], Collection[str]]


@dataclass(frozen=True)
class Counts:
    """Repeats of the whole campaign: accepted, wanted in the end, and still to be measured."""

    accepted: int
    wanted: int
    left: int


class Schedule:
    """Offers slots.

    Args:
        store: Knows what is done, given up and set aside.
        wanted_cells: Rule of an adaptive plan; None measures every slot of the order.
    """

    def __init__(self, store: CampaignStore, wanted_cells: WantedCells | None = None) -> None:
        self._store = store
        self._wanted_cells = wanted_cells
        self._asked_at = -1
        self._wanted: Collection[str] = ()

    def next(self) -> Slot | None:
        """The next wanted repeat; None when nothing is left."""
        open_slots = self._open()
        return open_slots[0] if open_slots else None

    def counts(self) -> Counts:
        """Where the campaign stands; an adaptive plan's slots that nobody wants any more do not count."""
        standing = self._store.standing()
        left = len(self._open())
        passed_over = len(standing.remaining) - left
        return Counts(standing.accepted_count, standing.wanted_count - passed_over, left)

    def _open(self) -> list[Slot]:
        standing = self._store.standing()
        if self._wanted_cells is None:
            return list(standing.remaining)
        if standing.accepted_count != self._asked_at:
            self._asked_at = standing.accepted_count
            self._wanted = self._wanted_cells(self._store.repeats_table())
        return [slot for slot in standing.remaining if slot.sentinel or slot.cell_id in self._wanted]
