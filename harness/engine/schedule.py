"""What to measure next: the order of the night less what is done, given up or no longer wanted."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import pyarrow as pa

from harness.boundary import note_fault, told
from harness.engine.remeasurement import remeasurements
from harness.plan.checks_table import Checks
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
        checks: Limits by which outliers are measured again; None for no re-measurements.

    Attributes:
        news: What a person should hear of; whoever tells it takes it out.
    """

    def __init__(
        self, store: CampaignStore, wanted_cells: WantedCells | None = None, checks: Checks | None = None
    ) -> None:
        self._store = store
        self._wanted_cells = wanted_cells
        self._checks = checks
        self._asked_at = -1
        self._wanted: Collection[str] = ()
        self.news: list[str] = []

    def next(self) -> Slot | None:
        """The next planned repeat; None when nothing is left."""
        open_slots = self._open() or self._remeasurements()
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
            self._wanted = self._ask(self._wanted_cells)
        return [
            slot
            for slot in standing.remaining
            if slot.sentinel or slot.remeasurement or slot.cell_id in self._wanted
        ]

    def _ask(self, wanted_cells: WantedCells) -> Collection[str]:
        """The cells that the rule still wants; all of them where it fails, for nothing must be left out."""
        repeats = self._store.repeats_table()
        try:
            return wanted_cells(repeats)
        except Exception as error:
            note_fault("the rule of adaptive repeats", error)
            self.news.append(f"which cells need a repeat is not known ({told(error)}); all are measured")
            return {slot.cell_id for slot in self._store.standing().remaining}

    def _remeasurements(self) -> list[Slot]:
        """Want re-measurements of outliers, now that the planned repeats are in; those not wanted yet.

        Nothing but the journal decides, so a run that goes on after a crash comes to the same ones.
        """
        if self._checks is None:
            return []
        standing = self._store.standing()
        wanted = {repeat.slot for repeat in standing.repeats}
        repeats = self._store.repeats()
        try:
            found = remeasurements(standing, repeats, self._checks)
        except Exception as error:
            note_fault("the search for outliers", error)
            return []
        new = {look.slot: look.why for look in found if look.slot not in wanted}
        if not new:
            return []
        self._store.add_slots(tuple(new))
        for repeat in self._store.standing().repeats:
            slot = repeat.slot
            if slot in new and not repeat.attempts:  # else it was told in an earlier run
                message = f"{slot.cell_id} repeat {slot.repeat_index} is measured once more: {new[slot]}"
                self._store.note("second-look", message)
                self.news.append(message)
        return self._open()
