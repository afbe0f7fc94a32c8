"""Which repeats are measured once more, because they lie far from the others of their cell. Pure.

Nothing is dropped for being far away, and nothing is swapped: a re-measurement stands beside the repeat, and
the result stays that of the planned repeats. What is an outlier is judged when all planned repeats are in,
each against all others of its cell, so the answer does not depend on the order in which they came; and
re-measurements come after the planned repeats, so that these are measured as if there were none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.checks.steadiness import deviations, usual_scatter
from harness.numerals import signed
from harness.plan.checks_table import Checks
from harness.plan.schema import Slot
from harness.store.campaign_state import Standing


@dataclass(frozen=True)
class Remeasurement:
    """One repeat that is to be measured once more.

    Attributes:
        slot: The further measurement.
        why: How far the repeat lies from the others, in a sentence.
    """

    slot: Slot
    why: str


def remeasurements(
    standing: Standing, repeats: Iterable[Mapping[str, Any]], checks: Checks
) -> tuple[Remeasurement, ...]:
    """Re-measurements of a campaign whose planned repeats are all in, at most as many as the plan allows.

    Args:
        standing: Where the campaign stands; re-measurements that it wants already change nothing.
        repeats: Rows of :data:`harness.tables.REPEATS`.
        checks: The plan's limits. Where there are too many outliers, the farthest come first.

    Returns:
        In the order of the night, at positions after all planned repeats.
    """
    limit, at_most = checks.outlier_beyond_deviations, checks.remeasurements_at_most
    if limit is None or at_most is None:
        return ()
    counted = [row for row in repeats if row["average_fps"] and not row["second_look"]]
    fps: dict[str, list[float]] = {}
    for row in counted:
        fps.setdefault(row["cell_id"], []).append(row["average_fps"])
    planned = [r.slot for r in standing.repeats if not r.slot.remeasurement]
    slots = {(slot.cell_id, slot.repeat_index): slot for slot in planned if not slot.sentinel}
    last = max((slot.position for slot in planned), default=0)
    far: list[tuple[float, Remeasurement]] = []
    for row in counted:
        slot = slots.get((row["cell_id"], row["repeat_index"]))
        if slot is None or row["sentinel"] or _unstable(standing, row):
            continue
        others = _without(fps[row["cell_id"]], row["average_fps"])
        distance = deviations(row["average_fps"], others, usual_scatter(fps, row["cell_id"])) or 0.0
        if abs(distance) > limit or _is_marked(row):
            again = slot.model_copy(update={"position": last + slot.position, "remeasurement": True})
            why = f"{row['average_fps']:.1f} FPS lies {signed(distance, 1)} deviations from the other repeats"
            far.append((-abs(distance), Remeasurement(again, why)))
    far.sort(key=lambda entry: (entry[0], entry[1].slot.position))
    return tuple(sorted((look for _, look in far[:at_most]), key=lambda look: look.slot.position))


def _is_marked(row: Mapping[str, Any]) -> bool:
    """It was marked as far when it was measured, against those before it."""
    return any(mark.partition(":")[0] == "outlier" for mark in row["marks"] or ())


def _unstable(standing: Standing, row: Mapping[str, Any]) -> bool:
    return any(entry.covers(row["title"], row["profile"]) for entry in standing.set_aside)


def _without(values: Sequence[float], value: float) -> list[float]:
    rest = list(values)
    rest.remove(value)
    return rest
