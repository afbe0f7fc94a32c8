"""Settings of the simulated rig."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import Annotated, Any

from pydantic import BaseModel, Field

from harness.errors import PlanError
from harness.hookspecs import RehearsalRequest
from harness.plan.cells import expand
from harness.plan.complaints import nearest
from harness.plan.documents import validated
from harness.plan.findings import Findings
from harness.plan.locate import LineIndex
from harness.plan.parts import Part

from .faults import Fault, FaultKind
from .titles import TitleOptions
from .tuning import Tuning


class SensorFlaws(Part):
    """What is wrong with the readings, as with real ones."""

    read_cost_s: float = Field(default=0.005, ge=0, le=1, description="virtual time that one read takes")
    dropped_read_pct: float = Field(default=0.02, ge=0, le=100, description="reads that give nothing")
    power_window_s: float = Field(default=1.0, gt=0, description="window of the averaged power reading")
    power_noise_pct: float = Field(default=0.6, ge=0, description="spread of the instantaneous power reading")
    power_look_s: float | None = Field(
        default=None,
        ge=0.001,
        le=0.1,
        description="the card looks at its power so often, for a while, as real ones do: frames under a cap "
        "are seen at one phase, and counter, reading and average are off; null: it sees all of the time",
    )
    power_look_width_s: float = Field(
        default=0.005, ge=0.0001, le=0.1, description="a look averages over so long, with power_look_s"
    )
    whole_degrees: bool = Field(default=True, description="temperatures are whole numbers")
    ambient: bool = Field(default=True, description="the rig has an ambient sensor")
    wall_power: bool = Field(default=True, description="the rig has a meter at the wall")


class SimulatedOptions(Part):
    """Everything that a rehearsal may set beyond the plan."""

    ambient_c: float = Field(default=23.0, ge=-20, le=60, description="air at the start of the night")
    ambient_drift_k: float = Field(default=-1.5, ge=-20, le=20, description="slow change over the night")
    ambient_drift_hours: float = Field(default=8.0, gt=0, description="time that this change takes")
    ambient_swing_k: float = Field(default=0.4, ge=0, le=10, description="swing of heating or weather")
    silicon_spread: float | None = Field(
        default=None, ge=-4, le=4, description="this piece of silicon, in standard deviations; null: by seed"
    )
    restart_s: float = Field(default=90.0, ge=0, description="time until the machine is back after a crash")
    frame_rate_scale: float = Field(
        default=1.0, gt=0, le=4, description="scales every title's frame rate; less: shorter frame logs"
    )
    run_noise_scale: float = Field(default=1.0, ge=0, description="scales every title's run-to-run spread")
    sensors: SensorFlaws = SensorFlaws()
    faults: list[Fault] = Field(default_factory=list, description="faults on demand")
    fault_probability: dict[FaultKind, Annotated[float, Field(ge=0, le=1)]] = Field(
        default_factory=dict, description="chance of each kind of fault per run"
    )
    titles: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="title name -> parts of its character"
    )
    profiles: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="profile name -> keys that act on the card, beyond the plan's"
    )


def parse_options(request: RehearsalRequest) -> SimulatedOptions:
    """Validate the settings of a rehearsal against its plan. Raises PlanError with all problems."""
    source, text = request.options_from
    found = Findings(LineIndex(text))
    options = validated(SimulatedOptions, request.options, found)
    if options is not None:
        _check_names(options, request, found)
    if options is None or found.problems():
        raise PlanError(source, found.problems())
    return options


def _check_names(options: SimulatedOptions, request: RehearsalRequest, found: Findings) -> None:
    """Cells, titles and profiles are the plan's, and what is set of them is a part that they have."""
    cells = [cell.cell_id for cell in expand(request.plan)]
    for index, fault in enumerate(options.faults):
        if not any(fnmatchcase(cell, fault.cell) for cell in cells):
            what = f"no cell of the plan is named {fault.cell!r}"
            found.add(("faults", index, "cell"), what, nearest(fault.cell, cells))
    known: dict[str, tuple[str, list[str], type[BaseModel]]] = {
        "titles": ("title", [title.name for title in request.plan.titles], TitleOptions),
        "profiles": ("profile", [profile.name for profile in request.plan.profiles], Tuning),
    }
    for table, (noun, names, model) in known.items():
        for name, parts in getattr(options, table).items():
            if name not in names:
                found.add((table, name), f"no {noun} of the plan is named {name!r}", nearest(name, names))
            own = {key: part for key, part in parts.items() if (table, key) != ("profiles", "affinity")}
            validated(model, own, found, at=(table, name))
