"""What a changed plan does to measured work: pure comparison of definitions, cell by cell."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from harness.numerals import counted


@dataclass(frozen=True)
class PlanChange:
    """The difference between a folder's plan and the one that is to go on in it.

    Attributes:
        kept: Cells whose definition did not change; their accepted repeats count on.
        reread: Cells whose frame log is mapped otherwise and that are else as they were: their kept logs are
            read again.
        remeasured: Cells whose definition changed; what was measured stays as evidence and doesn't count.
        orphaned: Cells that the new plan no longer has; the same holds.
        added: Cells that are new.
        discarded_repeats: cell_id -> accepted repeats that would no longer count; only cells with some.
    """

    kept: tuple[str, ...]
    remeasured: tuple[str, ...]
    orphaned: tuple[str, ...]
    added: tuple[str, ...]
    discarded_repeats: Mapping[str, int]
    reread: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        return bool(self.remeasured or self.reread or self.orphaned or self.added)

    @property
    def discards_work(self) -> bool:
        """Accepted repeats would no longer count; this must be asked for."""
        return bool(self.discarded_repeats)

    def lines(self) -> list[str]:
        """The change for a person, one fact a line."""
        told: list[str] = []
        for word, cells in (
            ("kept", self.kept),
            ("read again from their kept frame logs (frame_log changed)", self.reread),
            ("measured again (definition changed)", self.remeasured),
            ("orphaned (no longer in the plan)", self.orphaned),
            ("new", self.added),
        ):
            if cells:
                told.append(f"{counted(len(cells), 'cell')} {word}:")
                told += [f"  {cell_id}{self._loss(cell_id)}" for cell_id in cells]
        return told

    def _loss(self, cell_id: str) -> str:
        count = self.discarded_repeats.get(cell_id, 0)
        return f" ({counted(count, 'accepted repeat')} would no longer count)" if count else ""


def compare(
    before: Mapping[str, str],
    after: Mapping[str, str],
    accepted: Mapping[tuple[str, str], int],
    same_measurement: Collection[str] = (),
) -> PlanChange:
    """Compare two plans by content.

    Args:
        before: cell_id -> definition hash in the folder.
        after: cell_id -> definition hash in the plan that is to go on.
        accepted: (cell_id, definition hash) -> accepted repeats measured so far.
        same_measurement: Cells that differ at most in how their frame log is read.
    """
    both = [cell_id for cell_id in after if cell_id in before]
    changed = [c for c in both if before[c] != after[c]]
    reread = tuple(c for c in changed if c in same_measurement)
    remeasured = tuple(c for c in changed if c not in same_measurement)
    orphaned = tuple(c for c in before if c not in after)
    discarded = {c: count for c in (*remeasured, *orphaned) if (count := accepted.get((c, before[c]), 0))}
    return PlanChange(
        kept=tuple(c for c in both if before[c] == after[c]),
        remeasured=remeasured,
        orphaned=orphaned,
        added=tuple(c for c in after if c not in before),
        discarded_repeats=discarded,
        reread=reread,
    )
