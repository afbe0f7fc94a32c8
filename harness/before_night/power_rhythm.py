"""Capped titles whose frame rate meets the rhythm by which this card looks at its power.

Only where ``levelrig doctor --power`` has measured this card with this driver; without that nothing is
claimed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from harness.needs.need import Need
from harness.plan.cells import expand
from harness.plan.schema import Cell, Plan
from harness.rig import Rig

#: The key by which a workload's options state the cap.
CAP_KEY: Final = "frame_cap_fps"


def rhythm_needs(plan: Plan, rig: Rig) -> Iterator[Need]:
    """One for each title and cap that meets it."""
    capped = {(cell.title.name, cap): cell for cell in expand(plan) if (cap := _cap_of(cell)) is not None}
    if not capped:
        return
    from harness.power_sensor.of_window import model_in

    model = model_in(rig.facts().facts)
    if model is None:
        return
    from harness.power_sensor.caps import met_by, other_caps

    places = {title.name: index for index, title in enumerate(plan.titles)}
    for (title, cap_fps), cell in capped.items():
        met = met_by(model, cap_fps, cell.title.measure_s)
        if not met:
            continue
        said = "; ".join(
            f"{source.name} (looks every {1000 * (source.rhythm_s or 0):.1f} ms) by up to "
            f"{100 * error.relative_bound:.0f} %"
            for source, error in met
        )
        what = (
            f"{cap_fps:g} frames a second meet the rhythm by which the card looks at its power, so its mean "
            f"can be off: {said}"
        )
        others = other_caps(model, cap_fps, cell.title.measure_s, [source for source, _ in met])
        caps = f"a cap of {' or '.join(map(str, others))} does not; " if others else ""
        remedy = f"{caps}or read power by a wall meter as well"
        yield Need(("titles", places[title], CAP_KEY), "doubtful", what, remedy)


def _cap_of(cell: Cell) -> float | None:
    value = cell.workload_options.get(CAP_KEY)
    return (
        float(value) if isinstance(value, int | float) and not isinstance(value, bool) and value > 0 else None
    )
