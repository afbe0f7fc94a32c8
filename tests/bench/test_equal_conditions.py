"""What equal conditions are worth: nights on the simulated card, with and without the rules. By hand:

    LEVELRIG_NIGHTS=200 pytest tests/bench/test_equal_conditions.py -m endurance -s

Two profiles that are the same (so every difference is an error), three heavy titles, four repeats; the air
warms by 6 °C over the night. Naive: cooldown and warm-up of fixed length, first one profile and then the
other, as by hand. Rules: cooldown to a temperature above ambient, soak until steady, window from the start of
a pass, balanced order. The naive cooldown is made so long that both nights last equally long. The titles' own
noise from run to run is off where the spread that conditions make is measured: no rule can take it away.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import numpy as np
import pytest

from harness.conditions.gates import Gate, GateReadings, cooldown_gate, soak_gate
from harness.conditions.thermal import ThermalModel
from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Cooldown, Plan, Slot, Soak
from harness_plugins.simulated.card import CardModel, with_silicon
from harness_plugins.simulated.chance import generator
from harness_plugins.simulated.machine import Machine
from harness_plugins.simulated.options import SimulatedOptions
from harness_plugins.simulated.running import make_run
from harness_plugins.simulated.titles import STEP_S, TitleCharacter, draw_character, scene_factors

pytestmark = pytest.mark.endurance

NIGHTS = int(os.environ.get("LEVELRIG_NIGHTS", "12"))
TITLES = ("harbour-lights", "iron-orchard", "salt-meridian")
REPEATS = 4
MEASURE_S = 60.0
NIGHT_HOURS = 1.9
COOLDOWN = Cooldown(seconds=10, until_above_ambient_k=25, or_stopped_falling=True, timeout_s=600)
SOAK = Soak(slope_at_most_c_per_min=1.5, window_s=40, timeout_s=240)
PLAN = Plan.model_validate(
    {
        "plan": {"question": "?", "repeats": REPEATS, "reference": "a", "order": "balanced"},
        "profiles": [{"name": "a"}, {"name": "b"}],
        "titles": [{"name": name, "workload": "simulated"} for name in TITLES],
    }
)


@dataclass
class Night:
    """One night on one piece of the simulated card, on the model itself (no engine, no files)."""

    seed: int
    noise: float
    foretell: bool = False
    warmed_by: str = "the start"
    now_s: float = 0.0
    runs: dict[str, int] = field(default_factory=dict)
    waits: list[tuple[str, float, list[tuple[float, float]]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        options = SimulatedOptions(
            ambient_drift_k=6.0, ambient_drift_hours=NIGHT_HOURS, run_noise_scale=self.noise
        )
        card = with_silicon(CardModel(), float(generator(self.seed, "silicon").normal()))
        self.machine = Machine(card, options, self.seed)
        self.machine.start_clock(0.0)
        self.model = ThermalModel()
        self.titles: dict[str, tuple[TitleCharacter, list[float]]] = {}
        for name in TITLES:
            drawn = draw_character(name, "default", "command", self.seed)
            noise_pct = drawn.run_noise_pct * self.noise
            heavy = {"cpu_ms": 2.0, "activity": 1.1, "clock_share": 0.7, "run_noise_pct": noise_pct}
            character = drawn.model_copy(update=heavy)
            self.titles[name] = character, scene_factors(character, name, self.seed).tolist()

    def let_pass(self, seconds: float) -> None:
        self.now_s += seconds
        self.machine.advance(self.now_s)

    def hold(self, kind: str, gate: Gate) -> None:
        """Poll a gate once a second until it ends; whole degrees, as from a real sensor."""
        start_s, forecasts = self.now_s, []
        while True:
            run = self.machine.run
            passes = None
            if run is not None:
                passes = int((self.machine.steps - run.ready_step) * STEP_S // run.character.pass_s)
            readings = GateReadings(
                float(round(self.machine.core_c)), round(self.machine.ambient_c, 1), None, passes
            )
            state = gate.update(self.now_s, readings)
            if state.open or state.timed_out:
                break
            if state.expected_remaining_s is not None:
                forecasts.append((self.now_s - start_s, state.expected_remaining_s))
            self.let_pass(1.0)
        self.waits.append((kind, self.now_s - start_s, forecasts))

    def measure(self, slot: Slot, cooldown: Cooldown, soak: Soak | None, warm_up_s: float) -> float:
        """Average FPS of one attempt."""
        title = slot.cell_id.split(".")[0]
        watch = self.model.watch(f"cooldown after {self.warmed_by}") if self.foretell else None
        self.hold("cooldown", cooldown_gate(cooldown, None, watch))
        character, scenes = self.titles[title]
        number = self.runs[slot.cell_id] = self.runs.get(slot.cell_id, 0) + 1
        draw = generator(self.seed, "run", slot.cell_id, number)
        load_steps = round(character.load_s * float(draw.uniform(0.9, 1.1)) / STEP_S)
        clock_mhz = self.machine.card.curve.max_clock_mhz
        run = make_run(
            cell_id=slot.cell_id,
            character=character,
            scenes=scenes,
            rng=draw,
            first_step=self.machine.steps,
            load_steps=load_steps,
            threads=None,
            reference_threads=8,
            reference_clock_mhz=clock_mhz,
            memory_clock_ratio=1.0,
            ran_before_s=0.0,
        )
        self.machine.begin(run, [])
        self.warmed_by = title
        self.let_pass(load_steps * STEP_S + warm_up_s)
        if soak is not None:
            watch = self.model.watch(f"soak of {title}") if self.foretell else None
            self.hold("soak", soak_gate(soak, watch))
        begin = len(run.gpu_trace_ms)
        self.let_pass(MEASURE_S)
        frame_ms = np.maximum(run.gpu_trace_ms[begin:], run.cpu_trace_ms[begin:])
        self.machine.end(0)
        return float(np.mean(1000.0 / frame_ms))


@dataclass(frozen=True)
class Outcome:
    log_ratio: float
    length_s: float
    waits: list[tuple[str, float, list[tuple[float, float]]]]


def with_rules(seed: int, noise: float, *, foretell: bool = False) -> Outcome:
    return _night(Night(seed, noise, foretell), arrange(PLAN, expand(PLAN)), COOLDOWN, SOAK, 20.0)


def naive(seed: int, noise: float, cooldown_s: float) -> Outcome:
    slots = sorted(arrange(PLAN, expand(PLAN)), key=lambda slot: (slot.cell_id.split(".")[2], slot.position))
    return _night(Night(seed, noise), slots, Cooldown(seconds=cooldown_s), None, 30.0)


def _night(
    night: Night,
    slots: list[Slot] | tuple[Slot, ...],
    cooldown: Cooldown,
    soak: Soak | None,
    warm_up_s: float,
):
    logs: dict[str, list[float]] = {}
    for slot in slots:
        fps = night.measure(slot, cooldown, soak, warm_up_s)
        logs.setdefault(slot.cell_id, []).append(float(np.log(fps)))
    ratios = [np.mean(logs[f"{t}.default.b"]) - np.mean(logs[f"{t}.default.a"]) for t in TITLES]
    return Outcome(float(np.mean(ratios)), night.now_s, night.waits)


def describe(name: str, nights: list[Outcome]) -> tuple[float, float, float]:
    """Bias and spread of the ratio of the identical profiles, %, and the mean length, min; printed."""
    ratio_pct = 100 * np.expm1([night.log_ratio for night in nights])
    bias, spread = float(ratio_pct.mean()), float(ratio_pct.std(ddof=1))
    length_min = float(np.mean([night.length_s for night in nights])) / 60
    error = spread / np.sqrt(len(nights))
    print(
        f"\n{name}: bias {bias:+.4f} % (standard error {error:.4f}), spread {spread:.4f} %, "
        f"{length_min:.1f} min"
    )
    return bias, spread, length_min


def _both(noise: float, nights: int) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    ours = [with_rules(seed, noise) for seed in range(nights)]
    mean_s = float(np.mean([night.length_s for night in ours]))
    slots = len(TITLES) * 2 * REPEATS
    cooldown_s = 10.0 + (mean_s - naive(0, noise, 10.0).length_s) / slots
    theirs = [naive(seed, noise, cooldown_s) for seed in range(nights)]
    label = f"{nights} nights, run noise x{noise:g}"
    return describe(f"rules, {label}", ours), describe(
        f"naive ({cooldown_s:.0f} s cooldown), {label}", theirs
    )


def test_the_rules_take_bias_and_spread_out_of_a_warming_night_at_no_more_machine_time():
    ours, theirs = _both(noise=0.0, nights=NIGHTS)
    assert abs(ours[0]) < 0.1
    assert theirs[1] >= 3 * ours[1]
    assert ours[2] <= theirs[2] * 1.005


def test_with_the_titles_own_noise_the_bias_still_vanishes():
    ours, theirs = _both(noise=1.0, nights=max(8, NIGHTS // 4))
    assert abs(ours[0]) < 0.1
    assert ours[1] <= theirs[1] * 1.1


def test_the_length_of_a_wait_is_foretold_within_a_tenth_in_the_median():
    errors: dict[str, list[float]] = {"cooldown": [], "soak": []}
    for seed in range(max(4, NIGHTS // 8)):
        for kind, length_s, forecasts in with_rules(seed, 1.0, foretell=True).waits:
            if length_s >= 10 and forecasts:
                errors[kind].append(abs(forecasts[0][0] + forecasts[0][1] - length_s) / length_s)
    for kind, found in errors.items():
        print(
            f"\n{kind}: {len(found)} waits, median error of the first forecast {100 * np.median(found):.1f} %"
        )
    together = errors["cooldown"] + errors["soak"]
    print(f"\ntogether: {100 * np.median(together):.1f} %")
    assert np.median(together) < 0.10
