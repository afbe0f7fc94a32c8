"""Whole nights on the simulated rig without engine and files, for studies of the analysis.

Nothing is drawn from a pool: every repeat of every night is simulated for itself, by the rig's own parts.

1. A night's seed makes a rig: a piece of silicon, the titles' characters and scenes, the swing of the room.
2. The slots of the plan are measured one after the other, in the program's balanced order, on one machine
   that is never reset: heat carries over, the air warms along the night, and shaders that a title's first
   runs compiled are there in the later ones.
3. A repeat is cooldown, start-up, warm-up and window; its frame times come from the rig's frame generator
   (autocorrelated, with heavy-tailed delays and stutters), its run-to-run noise and faults from the rig's run
   model, its average FPS and 1 % low from the program's own frame metrics. A run that crashes is repeated.
4. Both profiles are the factory setting, so the true ratio of every metric is 1, whatever the conditions do.
   An effect multiplies the time of every frame of one profile by one factor: average FPS and each percentile
   of the frame times change by exactly that factor, so studies add it to the logarithms.

The same seed gives the engine the same rig and the same chance of each run; the calibration study compares
whole nights of both.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Cell, Plan
from harness_plugins.simulated.card import CardModel, with_silicon
from harness_plugins.simulated.chance import generator
from harness_plugins.simulated.faults import Fault, faults_of_run
from harness_plugins.simulated.frametimes import generate_frames
from harness_plugins.simulated.machine import Machine, frame_traces
from harness_plugins.simulated.options import SimulatedOptions
from harness_plugins.simulated.running import Run, make_run
from harness_plugins.simulated.titles import STEP_S
from harness_plugins.simulated.workload import Stage

TITLES = (
    "harbour-lights",
    "iron-orchard",
    "salt-meridian",
    "glass-canyon",
    "night-ferry",
    "paper-city",
    "tin-whistle",
    "lantern-row",
    "cold-quarry",
    "red-delta",
)
PROFILES = ("factory", "quiet")
COOLDOWN_S, LOAD_S, WARM_UP_S, MEASURE_S = 10.0, 3.0, 10.0, 45.0
#: Of an outlier: 20 % of the processor for 20 s, 9 % over the window; the program's check rejects above 10 %.
OUTLIER_AMOUNT = 2.0
QUANTITIES = ("average_fps", "one_percent_low_fps", "frames", "frame_mean_ms", "frame_square_ms2")


@dataclass(frozen=True)
class Condition:
    """What a night is like.

    Attributes:
        first_seed: Of its first night; the others follow.
        rounds: Repeats of each cell.
        noise_pct: Spread from run to run of card's and processor's time, for each title.
        hot: The air in the case warms from 36 to 48 °C, and the titles are so heavy that the card comes to
            its limits of power and temperature: it slows by some percent over the night. The program's check
            would reject such repeats and is off.
        outlier_share: Share of runs into which other programs take the processor.
    """

    name: str
    first_seed: int
    rounds: int = 10
    noise_pct: tuple[float, ...] = (0.3, 0.6, 1.2)
    hot: bool = False
    outlier_share: float = 0.0

    @property
    def plan(self) -> Plan:
        """The plan of the night; the engine can run it as it is."""
        titles = TITLES[: len(self.noise_pct)]
        return Plan.model_validate(
            {
                "plan": {"question": "?", "repeats": self.rounds, "reference": PROFILES[0]},
                "conditions": {"cooldown": {"seconds": COOLDOWN_S}, "warm_up": {"seconds": WARM_UP_S}},
                "checks": {"alarming_limits_at_most_pct": False if self.hot else 1},
                "profiles": [{"name": name} for name in PROFILES],
                "titles": [{"name": t, "workload": "simulated", "measure_s": MEASURE_S} for t in titles],
            }
        )

    @property
    def options(self) -> SimulatedOptions:
        """Settings of the rig."""
        slots = len(self.noise_pct) * len(PROFILES) * self.rounds
        heavy = {"activity": 1.15} if self.hot else {}
        return SimulatedOptions(
            ambient_c=36.0 if self.hot else 23.0,
            ambient_drift_k=12.0 if self.hot else 0.0,
            ambient_drift_hours=slots * (COOLDOWN_S + LOAD_S + WARM_UP_S + MEASURE_S) / 3600,
            fault_probability={"foreign-load": self.outlier_share} if self.outlier_share else {},
            titles={
                title: {"run_noise_pct": pct, "load_s": LOAD_S, **heavy}
                for title, pct in zip(TITLES, self.noise_pct, strict=False)
            },
        )


class Night:
    """One night of a condition on a rig of its own."""

    def __init__(self, condition: Condition, seed: int) -> None:
        self._seed = seed
        options = condition.options
        card = with_silicon(CardModel(), float(generator(seed, "silicon").normal()))
        self._stage = Stage(options, seed)
        self._machine = Machine(card, options, seed)
        self._now_s = 60.0
        self._machine.start_clock(self._now_s)
        self._slots = _slots(condition)
        self._shape = (len(condition.noise_pct), len(PROFILES), condition.rounds)

    def measure(self) -> dict[str, np.ndarray]:
        """Every slot: quantity -> (title, profile, repeat); the two metrics as logarithms."""
        values = {name: np.full(self._shape, np.nan) for name in QUANTITIES}
        done: Counter[str] = Counter()
        for cell in self._slots:
            title, profile = TITLES.index(cell.title.name), PROFILES.index(cell.profile.name)
            at = title, profile, done[cell.cell_id]
            done[cell.cell_id] += 1
            frametime_ms = self._repeat(cell)
            values["average_fps"][at] = np.log(1e3 / frametime_ms.mean())
            values["one_percent_low_fps"][at] = np.log(1e3 / np.percentile(frametime_ms, 99.0))
            values["frames"][at] = frametime_ms.size
            values["frame_mean_ms"][at] = frametime_ms.mean()
            values["frame_square_ms2"][at] = (frametime_ms**2).mean()
        return values

    def _repeat(self, cell: Cell) -> np.ndarray:
        """Frame times of the window of the next run of a cell that ends well, ms."""
        stage, machine = self._stage, self._machine
        while True:
            self._let_pass(COOLDOWN_S)
            run, faults = self._start(cell)
            machine.begin(run, faults)
            self._let_pass((run.ready_step - run.first_step) * STEP_S + WARM_UP_S + MEASURE_S)
            if machine.run is run:
                break
        machine.end(0)
        start_s, end_s = machine.time_of(run.ready_step), machine.time_of(machine.steps)
        end_of_frame_s, frametime_ms = generate_frames(
            run.rng, run.character, *frame_traces(run), start_s, end_s, run.ran_before_s
        )
        stage.ran_s[cell.title.name] += end_s - start_s
        return frametime_ms[end_of_frame_s > start_s + WARM_UP_S]

    def _start(self, cell: Cell) -> tuple[Run, list[Fault]]:
        """A run as the rig's workload makes it, with the faults that happen to it."""
        stage, machine = self._stage, self._machine
        character, scenes = stage.character(cell)
        stage.runs[cell.cell_id] += 1
        number = stage.runs[cell.cell_id]
        chance = generator(self._seed, "run", cell.cell_id, number)
        faults = faults_of_run(
            [],
            stage.options.fault_probability,
            cell.cell_id,
            number,
            MEASURE_S,
            generator(self._seed, "faults", cell.cell_id, number),
        )
        run = make_run(
            cell_id=cell.cell_id,
            character=character,
            scenes=scenes,
            first_step=machine.steps,
            load_steps=round(character.load_s * float(chance.uniform(0.9, 1.1)) / STEP_S),
            rng=chance,
            threads=None,
            reference_threads=stage.reference_threads,
            reference_clock_mhz=machine.card.curve.max_clock_mhz,
            memory_clock_ratio=1.0,
            ran_before_s=stage.ran_s[cell.title.name],
        )
        return run, [fault.model_copy(update={"amount": OUTLIER_AMOUNT}) for fault in faults]

    def _let_pass(self, seconds: float) -> None:
        self._now_s += seconds
        self._machine.advance(self._now_s)


@cache
def _slots(condition: Condition) -> tuple[Cell, ...]:
    plan = condition.plan
    cells = {cell.cell_id: cell for cell in expand(plan)}
    return tuple(cells[slot.cell_id] for slot in arrange(plan, list(cells.values())))


@cache
def nights(condition: Condition, count: int) -> dict[str, np.ndarray]:
    """``count`` nights: quantity -> (night, title, profile, repeat).

    Kept in the folder that LEVELRIG_STUDY names, if it does: delete it when the rig changes.
    """
    folder, first = os.environ.get("LEVELRIG_STUDY"), condition.first_seed
    kept = Path(folder) / f"{condition.name}-{count}-from-{first}.npz" if folder else None
    if kept is not None and kept.exists():
        return dict(np.load(kept))
    made = [Night(condition, first + i).measure() for i in range(count)]
    found = {name: np.array([night[name] for night in made]) for name in QUANTITIES}
    if kept is not None:
        np.savez(kept, **found)
    return found
