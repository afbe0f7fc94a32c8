"""Plugin ``simulated``: a physical model of a card and its host, for the rehearsal of a plan.

The model stands in for sensors, titles and controls of any kind, under a virtual clock. It is calibrated by
a measured heating and cooling curve and by what is common knowledge of the trade; it forecasts how a night
goes, not what a certain card will score.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.hookspecs import Kind, RehearsalRequest, hookimpl
from harness.rig import Rig


@hookimpl
def kinds() -> Sequence[Kind]:
    from .options import TuningOptions
    from .titles import TitleOptions

    return [
        Kind("workload", "simulated", "a title of the simulated rig; for rehearsals", TitleOptions),
        Kind("control", "simulated", "profiles of the simulated rig; for rehearsals", TuningOptions),
    ]


@hookimpl
def open_rehearsal(request: RehearsalRequest) -> Rig:
    from .rig import SimulatedRig

    return SimulatedRig(request)
