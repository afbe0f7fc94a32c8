"""What equal conditions are worth: nights on the simulated card, with and without the rules. By hand:

    LEVELRIG_NIGHTS=200 pytest tests/bench/test_equal_conditions.py -m endurance -s

Two profiles that are the same (so every difference is an error), three heavy titles, four repeats; the air
warms by 6 °C over the night. Naive: cooldown and warm-up of fixed length, first one profile and then the
other, as by hand. Rules: cooldown to a temperature above ambient, soak until steady, window from the start of
a pass, balanced order. The naive cooldown is made so long that both nights last equally long.

A run's frame rate also has a deviation of its own, which no condition makes and no rule can take away; it is
the same number in every arm of the same seed. What the conditions add is therefore measured as the difference
to the same runs in the same windows under conditions that never change (constant air, each run from a cold
card), and with the titles' own noise switched off.

``LEVELRIG_SEED`` is the first seed (default 30000: none of these was looked at while rules or limits were
chosen), ``LEVELRIG_PROCESSES`` the number of processes.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache, partial

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.conditions.thermal import ThermalModel
from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Plan, Slot
from harness.stages.cooldown import COOLDOWN, Cooldown
from harness.stages.gate import Gate, GateReadings, Wait
from harness.stages.soak import SOAK, Soak
from harness_plugins.simulated.card import CardModel, with_silicon
from harness_plugins.simulated.chance import generator
from harness_plugins.simulated.cooling import Cooling
from harness_plugins.simulated.drawn import draw_character, scene_factors
from harness_plugins.simulated.machine import Machine
from harness_plugins.simulated.options import SimulatedOptions
from harness_plugins.simulated.running import make_run
from harness_plugins.simulated.titles import STEP_S, TitleCharacter

pytestmark = pytest.mark.endurance

NIGHTS = int(os.environ.get("LEVELRIG_NIGHTS", "12"))
FIRST_SEED = int(os.environ.get("LEVELRIG_SEED", "30000"))
PROCESSES = int(os.environ.get("LEVELRIG_PROCESSES", "1"))
TITLES = ("harbour-lights", "iron-orchard", "salt-meridian")
MEASURE_S = 60.0
NIGHT_HOURS = 1.9
#: A desktop card that its cooler keeps well below its temperature limit, and one that runs into the limit.
DESKTOP = CardModel()
SMALL_COOLER = CardModel(cooling=Cooling(still_w_per_k=1.2, flow_w_per_k=3.8))


@dataclass(frozen=True)
class Arm:
    """One way to spend a night.

    Attributes:
        soak: None: no soak.
        blocked: Balanced order in blocks; else first one profile and then the other.
        constant: Air and start temperatures never change.
    """

    cooldown: Cooldown
    warm_up_s: float
    soak: Soak | None
    repeats: int = 4
    blocked: bool = True
    card: CardModel = DESKTOP
    constant: bool = False

    def slots(self) -> Sequence[Slot]:
        plan = Plan.model_validate(
            {
                "plan": {"question": "?", "repeats": self.repeats, "reference": "a", "order": "balanced"},
                "profiles": [{"name": "a"}, {"name": "b"}],
                "titles": [{"name": name, "workload": "simulated"} for name in TITLES],
            }
        )
        slots = arrange(plan, expand(plan))
        if self.blocked:
            return slots
        return sorted(slots, key=lambda slot: (slot.cell_id.split(".")[2], slot.position))


RULES = Arm(
    Cooldown(seconds=10, until_above_ambient_k=25, or_stopped_falling=True, timeout_s=600),
    warm_up_s=20.0,
    soak=Soak(slope_at_most_c_per_min=1.5, window_s=40, timeout_s=240),
)
#: The card is still warm from the run before, so it soaks faster; the time saved buys a fifth repeat.
FIVE = Arm(Cooldown(seconds=10), 20.0, Soak(slope_at_most_c_per_min=3, window_s=30, timeout_s=240), repeats=5)
#: At its temperature limit a card's temperature tells nothing; the clock does.
LIMITED = Arm(
    Cooldown(seconds=10),
    warm_up_s=20.0,
    soak=Soak(slope_at_most_c_per_min=1.5, clock_variation_at_most_pct=1, window_s=40, timeout_s=240),
    card=SMALL_COOLER,
)


def naive(cooldown_s: float, card: CardModel = DESKTOP) -> Arm:
    return Arm(Cooldown(seconds=cooldown_s), 30.0, None, blocked=False, card=card)


@dataclass
class Night:
    """One night on one piece of the simulated card, on the model itself (no engine, no files)."""

    seed: int
    noise: float
    arm: Arm
    foretell: bool = False
    warmed_by: str = "the start"
    now_s: float = 0.0
    runs: dict[str, int] = field(default_factory=dict)
    waits: list[tuple[str, float, list[tuple[float, float]]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        air = (
            {"ambient_drift_k": 0.0, "ambient_swing_k": 0.0}
            if self.arm.constant
            else {"ambient_drift_k": 6.0}
        )
        options = SimulatedOptions(**air, ambient_drift_hours=NIGHT_HOURS, run_noise_scale=self.noise)
        card = with_silicon(self.arm.card, float(generator(self.seed, "silicon").normal()))
        self.machine = Machine(card, options, self.seed)
        self.machine.start_clock(0.0)
        self.cold = self.machine.core_c, self.machine.cooler_c, self.machine.fan_pct
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
            machine, run = self.machine, self.machine.run
            passes = None
            if run is not None:
                passes = int((machine.steps - run.ready_step) * STEP_S // run.character.pass_s)
            temp_c, ambient_c = float(round(machine.core_c)), round(machine.ambient_c, 1)
            state = gate.update(self.now_s, GateReadings(temp_c, ambient_c, machine.clock_mhz, passes))
            if state.open or state.timed_out:
                break
            if state.expected_remaining_s is not None:
                forecasts.append((self.now_s - start_s, state.expected_remaining_s))
            self.let_pass(1.0)
        self.waits.append((kind, self.now_s - start_s, forecasts))

    def measure(self, slot: Slot) -> float:
        """Average FPS of one attempt."""
        title = slot.cell_id.split(".")[0]
        watch = self.model.watch(f"cooldown after {self.warmed_by}") if self.foretell else None
        self.hold("cooldown", COOLDOWN.gate(self.arm.cooldown, Wait(watch=watch)))
        if self.arm.constant:
            self.machine.start_at(*self.cold)
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
        self.let_pass(load_steps * STEP_S + self.arm.warm_up_s)
        if self.arm.soak is not None:
            watch = self.model.watch(f"soak of {title}") if self.foretell else None
            self.hold("soak", SOAK.gate(self.arm.soak, Wait(watch=watch)))
        begin = len(run.gpu_trace_ms)
        self.let_pass(MEASURE_S)
        frame_ms = np.maximum(run.gpu_trace_ms[begin:], run.cpu_trace_ms[begin:])
        self.machine.end(0)
        return float(np.mean(1000.0 / frame_ms))


@dataclass(frozen=True)
class Outcome:
    """Log ratio of the two identical profiles over all titles, and what the night took."""

    log_ratio: float
    length_s: float
    waits: list[tuple[str, float, list[tuple[float, float]]]]


def spend(arm: Arm, noise: float, foretell: bool, seed: int) -> Outcome:
    night = Night(seed, noise, arm, foretell)
    logs: dict[str, list[float]] = {}
    for slot in arm.slots():
        logs.setdefault(slot.cell_id, []).append(float(np.log(night.measure(slot))))
    ratios = [np.mean(logs[f"{t}.default.b"]) - np.mean(logs[f"{t}.default.a"]) for t in TITLES]
    return Outcome(float(np.mean(ratios)), night.now_s, night.waits)


@cache
def nights(arm: Arm, noise: float, count: int = NIGHTS, foretell: bool = False) -> tuple[Outcome, ...]:
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    act: Callable[[int], Outcome] = partial(spend, arm, noise, foretell)
    if PROCESSES == 1:
        return tuple(map(act, seeds))
    with ProcessPoolExecutor(PROCESSES) as pool:
        return tuple(pool.map(act, seeds, chunksize=4))


def equally_long(arm: Arm) -> Arm:
    """The naive night on that arm's card that lasts as long as the arm's."""
    mean_s, least_s = (
        float(np.mean([night.length_s for night in nights(one, 0.0)])) for one in (arm, naive(10.0, arm.card))
    )
    return naive(10.0 + (mean_s - least_s) / (len(TITLES) * 2 * 4), arm.card)


def errors_pct(outcomes: Sequence[Outcome]) -> NDArray[np.float64]:
    """Error of each night: ratio of the identical profiles less 1, %."""
    return 100 * np.expm1([night.log_ratio for night in outcomes])


@dataclass(frozen=True)
class Figures:
    """Bias and its standard error, spread and total error (root mean square), %; mean length, min."""

    bias: float
    bias_se: float
    spread: float
    total: float
    length_min: float


def tell(name: str, outcomes: Sequence[Outcome], less: Sequence[Outcome] = ()) -> Figures:
    """Print and return the figures; ``less`` are the same runs whose errors are taken off night by night."""
    errors = errors_pct(outcomes) - (errors_pct(less) if less else 0.0)
    count = errors.size
    figures = Figures(
        float(errors.mean()),
        float(errors.std(ddof=1)) / math.sqrt(count),
        float(errors.std(ddof=1)),
        float(np.sqrt(np.mean(errors**2))),
        float(np.mean([night.length_s for night in outcomes])) / 60,
    )
    low, high = (figures.spread * (1 + side * 1.96 / np.sqrt(2 * count)) for side in (-1, 1))
    print(
        f"\n{name}, {count} nights: bias {figures.bias:+.4f} % (standard error "
        f"{figures.bias_se:.4f}), spread {figures.spread:.4f} % ({low:.4f} to {high:.4f}), "
        f"total {figures.total:.4f} %, {figures.length_min:.1f} min"
    )
    return figures


def test_the_rules_take_bias_and_spread_out_of_a_warming_night_at_no_more_machine_time():
    ours = tell("rules, titles' noise off", nights(RULES, 0.0))
    theirs = tell("naive, titles' noise off", nights(equally_long(RULES), 0.0))
    assert abs(ours.bias) < 0.1
    assert theirs.spread >= 3 * ours.spread
    assert ours.length_min <= theirs.length_min * 1.005


def test_with_the_titles_own_noise_the_bias_vanishes_and_the_conditions_add_a_third_at_most():
    ours, theirs = nights(RULES, 1.0), nights(equally_long(RULES), 1.0)
    rules, by_hand = tell("rules, noise on", ours), tell("naive, noise on", theirs)
    own, own_by_hand = (
        nights(replace(arm, cooldown=Cooldown(seconds=10), constant=True), 1.0)
        for arm in (RULES, equally_long(RULES))
    )
    tell("the titles' own noise, windows of the rules", own)
    tell("the titles' own noise, naive windows", own_by_hand)
    added, added_by_hand = tell("rules add", ours, own), tell("naive adds", theirs, own_by_hand)
    assert abs(rules.bias) < max(0.1, 3 * rules.bias_se)
    assert rules.total < by_hand.total
    assert added_by_hand.spread >= 3 * added.spread


def test_on_a_card_at_its_temperature_limit_the_rules_take_two_thirds_of_the_whole_error_and_more():
    longer = equally_long(LIMITED)
    quiet = tell("small cooler, rules, noise off", nights(LIMITED, 0.0))
    tell("small cooler, naive, noise off", nights(longer, 0.0))
    ours = tell("small cooler, rules, noise on", nights(LIMITED, 1.0))
    theirs = tell("small cooler, naive, noise on", nights(longer, 1.0))
    assert abs(quiet.bias) < 0.1
    assert theirs.total >= 3 * ours.total
    assert ours.length_min <= theirs.length_min * 1.005


def test_time_that_conditions_do_not_need_buys_a_repeat_which_the_titles_own_noise_does():
    strict, five = (
        tell("rules, noise on", nights(RULES, 1.0)),
        tell("five repeats, noise on", nights(FIVE, 1.0)),
    )
    quiet = tell("five repeats, noise off", nights(FIVE, 0.0))
    assert five.length_min <= strict.length_min * 1.005
    assert abs(quiet.bias) < 0.1
    assert quiet.spread < 0.02


def test_the_length_of_a_wait_is_foretold_within_a_tenth_in_the_median():
    errors: dict[str, list[float]] = {"cooldown": [], "soak": []}
    for night in nights(RULES, 1.0, max(4, NIGHTS // 8), foretell=True):
        for kind, length_s, forecasts in night.waits:
            if length_s >= 10 and forecasts:
                errors[kind].append(abs(forecasts[0][0] + forecasts[0][1] - length_s) / length_s)
    together = errors["cooldown"] + errors["soak"]
    for kind, found in {**errors, "together": together}.items():
        median, late = 100 * np.median(found), 100 * np.quantile(found, 0.9)
        print(
            f"\n{kind}: {len(found)} waits, error of the first forecast {median:.1f} % (90 %: {late:.1f} %)"
        )
    assert np.median(together) < 0.10
