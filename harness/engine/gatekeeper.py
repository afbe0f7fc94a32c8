"""Which gate an attempt waits at, by which rule, and what the gate is shown of the rig."""

from __future__ import annotations

from harness.conditions.gates import Gate, GateReadings, cooldown_gate, soak_gate, warm_up_gate
from harness.conditions.thermal import ThermalModel, Watch
from harness.engine.attempt import Running
from harness.engine.history import History
from harness.engine.messages import GateName
from harness.plan.schema import Cell, Cooldown, Plan, Soak, WarmUp
from harness.telemetry.sampler import Sampler

#: Temperatures that conditions can be held on, in order of preference.
TEMPERATURES = ("core_temp_c", "hotspot_temp_c", "cpu_temp_c")


def cooldown_after(cell_id: str, plan: Plan, history: History, thermal: ThermalModel) -> tuple[Gate, Watch]:
    """The gate of a cooldown after that cell, and what learns of it."""
    watch = thermal.watch(f"cooldown after {cell_id}")
    return cooldown_gate(plan.conditions.cooldown, history.first_start_temp_c, watch), watch


def soak_of(cell: Cell, plan: Plan, thermal: ThermalModel) -> tuple[Gate, Watch]:
    """The gate of that cell's soak, and what learns of it."""
    watch = thermal.watch(f"soak of {cell.cell_id}")
    return soak_gate(_soak_rule(cell, plan), watch), watch


def _soak_rule(cell: Cell, plan: Plan) -> Soak:
    """The title's own rule, or the plan's."""
    return cell.title.soak or plan.conditions.soak


class Gatekeeper:
    """Makes gates by the plan's rules; its thermal model learns through the night.

    Args:
        plan: The plan.
        sampler: Gives the latest readings.
        history: Knows the campaign's first start.

    Attributes:
        thermal: Model of how the card cools and heats.
        temperature: Quantity that conditions are held on: the plan's, else the first that the rig has.
        warmed_by: Cell that warmed the rig last; a cooldown is foretold from it.
    """

    def __init__(self, plan: Plan, sampler: Sampler, history: History) -> None:
        self._plan = plan
        self._sampler = sampler
        self._history = history
        self.thermal = ThermalModel()
        self.warmed_by = "the start"
        preferred = [plan.conditions.temperature] if plan.conditions.temperature else []
        present = sampler.quantities
        self.temperature = next((q for q in (*preferred, *TEMPERATURES) if q in present), None)

    def gate(self, name: GateName, running: Running) -> Gate:
        """A new gate for this attempt."""
        match name:
            case "cooldown":
                return cooldown_after(self.warmed_by, self._plan, self._history, self.thermal)[0]
            case "warm_up":
                return warm_up_gate(running.warm_up_rule(self._plan))
            case "soak":
                return soak_of(running.cell, self._plan, self.thermal)[0]

    def rule(self, name: GateName, running: Running) -> Cooldown | WarmUp | Soak:
        """The rule behind that gate: the title's own, or the plan's."""
        match name:
            case "cooldown":
                return self._plan.conditions.cooldown
            case "warm_up":
                return running.warm_up_rule(self._plan)
            case "soak":
                return _soak_rule(running.cell, self._plan)

    def readings(self, running: Running) -> GateReadings:
        """What a gate is shown now."""
        workload = running.workload
        return GateReadings(
            temp_c=self._latest(self.temperature),
            ambient_temp_c=self._latest("ambient_temp_c"),
            clock_mhz=self._latest("core_clock_mhz"),
            passes=workload.poll().passes if workload is not None else None,
            temp_missing=self._missing(self.temperature),
            ambient_missing=self._missing("ambient_temp_c"),
            clock_missing=self._missing("core_clock_mhz"),
        )

    def note_start(self, running: Running) -> None:
        """Keep the temperatures at the cooldown's end: the conditions that the attempt starts under."""
        running.start_temp_c = self._latest(self.temperature)
        running.start_ambient_temp_c = self._latest("ambient_temp_c")

    def _latest(self, quantity: str | None) -> float | None:
        sample = self._sampler.latest(quantity) if quantity is not None else None
        return None if sample is None else sample.value

    def _missing(self, quantity: str | None) -> str | None:
        """Why a quantity that this rig has is not read now; None where it is, and where the rig lacks it."""
        if quantity is None or quantity not in self._sampler.quantities:
            return None
        return self._sampler.why_unread(quantity)
