"""Which stages an attempt passes, by which rules, and what their gates are shown of the rig."""

from __future__ import annotations

from harness.conditions.thermal import ThermalModel, WaitCurve
from harness.engine.attempt import Running
from harness.engine.history import History
from harness.plan.schema import Plan
from harness.stages import TEMPERATURE, AnyStage, Rule
from harness.stages.gate import Gate, GateReadings, Wait
from harness.telemetry.sampler import Sampler

#: Temperatures that conditions can be held on, in order of preference.
TEMPERATURES = ("core_temp_c", "hotspot_temp_c", "cpu_temp_c")


def watched_gate(
    stage: AnyStage, rule: Rule, cell_id: str, warmed_by: str | None, history: History, thermal: ThermalModel
) -> tuple[Gate, WaitCurve | None]:
    """The gate of a stage, and what learns of its wait; None where nothing does."""
    name = stage.watched_as(cell_id, warmed_by)
    watch = None if name is None else thermal.watch(name)
    return stage.gate(rule, Wait(history.first_start_temp_c, watch)), watch


class Gatekeeper:
    """Makes gates by the plan's rules; its thermal model learns through the night.

    Args:
        plan: The plan.
        sampler: Gives the latest readings.
        history: Knows the campaign's first start.

    Attributes:
        thermal: Model of how the card cools and heats.
        temperature: Quantity that conditions are held on: the plan's, else the first that the rig has.
        warmed_by: Cell that warmed the rig last; the wait before a launch is foretold from it.
    """

    def __init__(self, plan: Plan, sampler: Sampler, history: History) -> None:
        self._sampler = sampler
        self._history = history
        self.thermal = ThermalModel()
        self.warmed_by = "the start"
        preferred = [plan.conditions.temperature] if plan.conditions.temperature else []
        present = sampler.quantities
        self.temperature = next((q for q in (*preferred, *TEMPERATURES) if q in present), None)

    def gate(self, stage: AnyStage, rule: Rule, running: Running) -> Gate:
        """A new gate for this attempt."""
        cell_id = running.cell.cell_id
        return watched_gate(stage, rule, cell_id, self.warmed_by, self._history, self.thermal)[0]

    def readings(self, running: Running, looks_at: tuple[str, ...] = ()) -> GateReadings:
        """What a gate is shown now; ``looks_at``: the quantities that its stage goes by."""
        workload = running.workload
        named = [quantity for quantity in looks_at if quantity != TEMPERATURE]
        passes = workload.poll().passes if workload is not None else None
        temp_c, temp_missing = self._read(self.temperature)
        ambient_temp_c, ambient_missing = self._read("ambient_temp_c")
        clock_mhz, clock_missing = self._read("core_clock_mhz")
        read = {quantity: self._read(quantity) for quantity in named}
        return GateReadings(
            temp_c=temp_c,
            ambient_temp_c=ambient_temp_c,
            clock_mhz=clock_mhz,
            passes=passes,
            temp_missing=temp_missing,
            ambient_missing=ambient_missing,
            clock_missing=clock_missing,
            values={quantity: value for quantity, (value, _) in read.items() if value is not None},
            missing={quantity: why for quantity, (_, why) in read.items() if why is not None},
        )

    def note_start(self, running: Running) -> None:
        """Keep the temperatures before the launch: the conditions that the attempt starts under."""
        running.start_temp_c = self._latest(self.temperature)
        running.start_ambient_temp_c = self._latest("ambient_temp_c")

    def _latest(self, quantity: str | None) -> float | None:
        sample = self._sampler.latest(quantity) if quantity is not None else None
        return None if sample is None else sample.value

    def _read(self, quantity: str | None) -> tuple[float | None, str | None]:
        """The reading, or why a quantity that this rig has is not read now."""
        value = self._latest(quantity)
        if value is not None or quantity is None or quantity not in self._sampler.quantities:
            return value, None
        return None, self._sampler.why_unread(quantity)
