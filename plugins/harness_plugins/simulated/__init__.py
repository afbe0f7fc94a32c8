"""Plugin ``simulated``: a physical model of a card and its host, for the rehearsal of a plan.

The model stands in for sensors, titles and controls of any kind, under a virtual clock. It is calibrated by
a measured heating and cooling curve and by what is common knowledge of the trade; it forecasts how a night
goes, not what a certain card will score.

One measured curve can't tell air temperature from conductance, nor board from clock tree: 25 °C air and a
40 % board share are assumed unless measured. Each run's chance has a generator of its own, named by seed,
cell and run, so a change in one cell leaves the rest alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.clock import Clock
from harness.errors import PluginError
from harness.hookspecs import FittedCard, Kind, RehearsalRequest, hookimpl
from harness.plan.schema import Cell
from harness.rig import Rig

if TYPE_CHECKING:
    import pyarrow as pa


@hookimpl
def kinds() -> Sequence[Kind]:
    from .titles import TitleOptions
    from .tuning import TuningOptions

    return [
        Kind("workload", "simulated", "a title of the simulated rig; for rehearsals", TitleOptions),
        Kind("control", "simulated", "profiles of the simulated rig; for rehearsals", TuningOptions),
    ]


@hookimpl
def open_workload(kind: str, cell: Cell, clock: Clock) -> None:
    _only_in_a_rehearsal("title", kind)


@hookimpl
def open_control(kind: str, clock: Clock) -> None:
    _only_in_a_rehearsal("profile", kind)


def _only_in_a_rehearsal(what: str, kind: str) -> None:
    if kind == "simulated":
        raise PluginError(f"a simulated {what} runs in a rehearsal only; use `levelrig rehearse`")


@hookimpl
def open_rehearsal(request: RehearsalRequest) -> Rig:
    from .rig import SimulatedRig

    return SimulatedRig(request)


@hookimpl
def fit_card_model(telemetry: pa.Table, name: str) -> FittedCard:
    from .fit import fit_card_model as fit
    from .fit import trace_from_table
    from .replay import compare, replay

    table = telemetry.to_pandas()
    trace = trace_from_table(table)
    limit_w = float(table["power_limit_w"].median()) if "power_limit_w" in table else math.nan
    fitted = fit(trace, name=name, power_limit_w=None if math.isnan(limit_w) else limit_w)
    phases = ["load" if loaded else "rest" for loaded in trace.loaded()]
    parts = [
        f"{m.phase}: power {m.power_pct:+.1f} %, clock {m.clock_pct:+.1f} %, "
        f"temperature {m.temperature_rms_k:.1f} K"
        for m in compare(trace, replay(fitted.card, trace, fitted.fan_start_pct), phases)
    ]
    summary = f"model against curve (means; RMS of temperature): {'; '.join(parts)}"
    return FittedCard(fitted.card.model_dump_json(indent=1), summary)
