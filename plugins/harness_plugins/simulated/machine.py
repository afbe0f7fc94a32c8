"""The simulated machine: advances in fixed steps of 0.1 s of the rig's clock, only when someone looks.

Because the steps lie on a grid of their own, what happens does not depend on who reads when; and because the
state holds still between steps, every reading shows the 10 Hz refresh of real drivers. The inner loop is
plain arithmetic on numbers and tables that were prepared when the profile or the title changed.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from harness.errors import MachineDown, SensorUnavailable

from .card import CardModel
from .chance import generator
from .faults import Fault, draw_instability, failure_rate_per_s
from .governor import IDLE
from .options import SimulatedOptions
from .running import Run
from .thermal import Step
from .titles import STEP_S
from .tuning import Tuning

_AMBIENT_EVERY = 50
_LOADING_ACTIVITY = 0.25
_IDLE_CPU_LOAD_PCT = 2.0
_FACTORY = Tuning()


class Machine:
    """State of card and host. Public attributes are the readings as of the last step.

    Args:
        card: The card.
        options: Ambient, flaws and faults.
        seed: Seed of what is random in the machine itself.
    """

    def __init__(self, card: CardModel, options: SimulatedOptions, seed: int) -> None:
        self.card = card
        self._options = options
        rng = generator(seed, "machine")
        self._noise: list[float] = rng.normal(0.0, 0.012, 4096).tolist()
        self._swing_phase = float(rng.uniform(0, 2 * math.pi))
        self._steps = 0
        self._zero_s = 0.0
        self._advanced_to_s = math.nan
        self._ambient_jump_k = 0.0
        self._thermal: dict[int, Step] = {}
        self._events: list[tuple[int, Fault]] = []
        self._idle_steps = 10**9
        self._foreign_until = -1
        self._foreign_pct = 0.0
        self._sensor_lost_until = -1
        self._averaged: deque[float] = deque(maxlen=max(1, round(options.sensors.power_window_s / STEP_S)))
        self._averaged_sum = 0.0
        self._look_s = options.sensors.power_look_s
        self._look_width_s = options.sensors.power_look_width_s

        self.run: Run | None = None
        self.resets = 0
        self.lost = False
        self.ambient_c = options.ambient_c
        self.core_c = options.ambient_c + 6.0
        self.cooler_c = options.ambient_c + 5.0
        self.fan_pct = 0.0
        self.power_w = 0.0
        self.energy_j = 0.0
        self.seen_power_w = 0.0  # what the card's own sensor makes of its power
        self.seen_energy_j = 0.0
        self.cpu_energy_j = 0.0
        self.wall_energy_j = 0.0
        self.wall_power_w = 0.0
        self.load_pct = 0.0
        self.reasons = IDLE
        self.memory_clock_mhz = card.idle_memory_clock_mhz
        self.cpu_load_pct = _IDLE_CPU_LOAD_PCT
        self.cpu_power_w = 30.0
        self.cpu_temp_c = options.ambient_c + 12.0
        self.tuning = _FACTORY
        self.set_tuning(_FACTORY)
        self._settle()

    # -- time -----------------------------------------------------------------------------------------

    def step_at(self, now_s: float) -> int:
        """Number of whole steps up to that time of the rig's clock."""
        return int((now_s - self._zero_s) / STEP_S + 1e-6)

    def time_of(self, step: int) -> float:
        """Time of the rig's clock at which that step ends."""
        return self._zero_s + step * STEP_S

    def advance(self, now_s: float) -> None:
        """Bring the state to that time. Raises MachineDown when the rig goes down on the way."""
        if self.lost:
            raise MachineDown("the simulated machine is down; restart it")
        if now_s == self._advanced_to_s:
            return
        self._advanced_to_s = now_s
        target = self.step_at(now_s)
        while self._steps < target:
            if self._events and self._events[0][0] <= self._steps:
                self._happen(self._events.pop(0)[1])
            self._step()

    def start_clock(self, now_s: float) -> None:
        """The rig's clock shows ``now_s`` at the present step."""
        self._advanced_to_s = math.nan
        self._zero_s = now_s - self._steps * STEP_S

    def start_at(self, core_c: float, cooler_c: float, fan_pct: float) -> None:
        """Begin with these temperatures and this fan instead of those of long idling."""
        self.core_c, self.cooler_c, self.fan_pct = core_c, cooler_c, fan_pct

    def restart(self, off_s: float, now_s: float) -> None:
        """Come back after a loss: idle for ``off_s``; the rig's clock then shows ``now_s``."""
        self.run = None
        self._events.clear()
        self.lost = False
        self.set_tuning(_FACTORY)
        for _ in range(int(off_s / STEP_S)):
            self._step()
        self.energy_j = self.seen_energy_j = self.cpu_energy_j = 0.0
        self.start_clock(now_s)

    # -- what the rig does to it ----------------------------------------------------------------------

    def set_tuning(self, tuning: Tuning) -> None:
        """Put a profile in force, whole, from the factory state."""
        card = self.card
        self.tuning = tuning
        self.clocks_mhz = card.curve.clocks_mhz(tuning.core_clock_ceiling_mhz)
        self.voltages_mv = [
            card.curve.tuned_voltage_mv(clock, tuning.core_clock_offset_mhz, tuning.voltage_offset_mv)
            for clock in self.clocks_mhz
        ]
        self._cv2f = [
            (mv / 1000.0) ** 2 * mhz / 1000.0
            for mv, mhz in zip(self.voltages_mv, self.clocks_mhz, strict=True)
        ]
        self._hazard = [
            failure_rate_per_s(card.curve.stability_mv(mhz, mv)) * STEP_S
            for mv, mhz in zip(self.voltages_mv, self.clocks_mhz, strict=True)
        ]
        limit_w = card.governor.power_limit_w
        if tuning.power_limit_pct is not None:
            limit_w *= tuning.power_limit_pct / 100.0
        self.power_limit_w = limit_w if tuning.power_limit_w is None else tuning.power_limit_w
        self._top = len(self.clocks_mhz) - 1
        self._idle_index = min(self._top, card.curve.index_of(card.curve.idle_clock_mhz))
        self.index = min(getattr(self, "index", self._idle_index), self._top)

    def begin(self, run: Run, faults: list[Fault]) -> None:
        """Start a title; its faults happen at their times after it is ready."""
        self.run = run
        due = [(run.ready_step + round(fault.after_s / STEP_S), fault) for fault in faults]
        self._events = sorted(due, key=lambda event: event[0])

    def end(self, exit_code: int, failure: str | None = None) -> None:
        """End the running title, if any."""
        if self.run is not None:
            self.run.ended_step = self._steps
            self.run.exit_code = exit_code
            self.run.failure = failure
            self.run = None
        self._events.clear()

    def check_sensors(self) -> None:
        """Raises SensorUnavailable while the sensors are lost."""
        if self._steps < self._sensor_lost_until:
            raise SensorUnavailable("the card does not answer; the driver was reset or it fell off the bus")

    @property
    def steps(self) -> int:
        return self._steps

    @property
    def clock_mhz(self) -> float:
        return self.clocks_mhz[self.index]

    @property
    def power_average_w(self) -> float:
        return self._averaged_sum / len(self._averaged) if self._averaged else self.seen_power_w

    @property
    def foreign_cpu_load_pct(self) -> float:
        return self._foreign_pct if self._steps < self._foreign_until else 0.3

    # -- one step -------------------------------------------------------------------------------------

    def _step(self) -> None:
        n = self._steps
        if n % _AMBIENT_EVERY == 0:
            self.ambient_c = self._ambient_at(n * STEP_S)
        card, index = self.card, self.index
        clock = self.clocks_mhz[index]
        run = self.run
        frame_ms = 0.0
        if run is None:
            load = activity = 0.0
            cpu_load = _IDLE_CPU_LOAD_PCT
        elif n < run.ready_step:
            load = activity = _LOADING_ACTIVITY
            cpu_load = 30.0
        elif run.hung_step is not None:
            load = activity = 0.0
            cpu_load = 8.0
        else:
            scenes = run.scenes
            scene = scenes[(n - run.ready_step) % len(scenes)]
            gpu_ms = scene * (run.gpu_fixed_ms + run.gpu_clock_ms_mhz / clock)
            cpu_ms = run.cpu_ms * (0.6 + 0.4 * scene)
            if n < self._foreign_until:
                cpu_ms *= 1.0 + self._foreign_pct / 100.0
            frame_ms = gpu_ms if gpu_ms > cpu_ms else cpu_ms
            if frame_ms < run.cap_ms:
                frame_ms = run.cap_ms
            load = gpu_ms / frame_ms
            activity = load * run.activity * (1.0 + self._noise[n & 4095])
            cpu_load = _IDLE_CPU_LOAD_PCT + run.cpu_load_pct * cpu_ms / frame_ms
            run.gpu_trace_ms.append(gpu_ms)
            run.cpu_trace_ms.append(cpu_ms)
            run.patience -= self._hazard[index]
            if run.patience < 0:
                stability_mv = card.curve.stability_mv(clock, self.voltages_mv[index])
                self._happen(Fault(kind=draw_instability(run.rng, stability_mv)))

        # power
        power, cv2f = card.power, self._cv2f[index]
        volt = self.voltages_mv[index] / 1000.0
        switching_w = cv2f * (power.clock_tree_w + power.switching_w * activity)
        leakage_w = power.leakage_w * volt * volt * math.exp((self.core_c - 50.0) / power.leakage_temp_k)
        power_w = power.board_w + power.memory_w * activity + switching_w + leakage_w
        self.power_w = power_w
        self.energy_j += power_w * STEP_S
        seen_w = self.seen_power_w = power_w
        if self._look_s is not None and run is not None and 0.0 < load < 1.0 and n >= run.ready_step:
            swing_w = power.memory_w + cv2f * power.switching_w
            looks_w = [
                power_w + swing_w * activity * (s / load - 1.0) for s in self._looks(n, frame_ms, load)
            ]
            if looks_w:
                seen_w, self.seen_power_w = sum(looks_w) / len(looks_w), looks_w[-1]
        self.seen_energy_j += seen_w * STEP_S
        averaged = self._averaged
        if len(averaged) == averaged.maxlen:
            self._averaged_sum -= averaged[0]
        averaged.append(seen_w)
        self._averaged_sum += seen_w

        # heat
        fan = int(self.fan_pct * 2.0 + 0.5)
        step = self._thermal.get(fan)
        if step is None:
            step = card.network.step(card.cooling.conductance_w_per_k(fan / 2.0), STEP_S)
            self._thermal[fan] = step
        self.core_c, self.cooler_c = step.advance(self.core_c, self.cooler_c, power_w, self.ambient_c)
        wanted_pct = self.tuning.fan_pct
        if wanted_pct is None:
            wanted_pct = card.cooling.wanted_pct(self.core_c)
        self.fan_pct += (wanted_pct - self.fan_pct) * (STEP_S / card.cooling.lag_s)

        # clock
        if load > 0.0:
            self._idle_steps = 0
            step_w = switching_w * 2.4 * card.curve.step_mhz / clock + 0.05
            self.index, self.reasons = card.governor.next_index(
                index, self._top, power_w, step_w, self.power_limit_w, self.core_c
            )
            self.memory_clock_mhz = card.memory_clock_mhz + self.tuning.memory_clock_offset_mhz
        else:
            self._idle_steps += 1
            if self._idle_steps * STEP_S >= card.governor.idle_after_s:
                self.index, self.reasons = self._idle_index, IDLE
                self.memory_clock_mhz = card.idle_memory_clock_mhz
        self.load_pct = 100.0 * load

        # host
        if n < self._foreign_until:
            cpu_load = min(100.0, cpu_load + self._foreign_pct)
        self.cpu_load_pct = cpu_load
        cpu_power_w = 28.0 + 0.9 * cpu_load
        self.cpu_power_w = cpu_power_w
        self.cpu_energy_j += cpu_power_w * STEP_S
        self.cpu_temp_c += (self.ambient_c + 6.0 + 0.42 * cpu_power_w - self.cpu_temp_c) * (STEP_S / 18.0)
        self.wall_power_w = (power_w + cpu_power_w + 45.0) / 0.9
        self.wall_energy_j += self.wall_power_w * STEP_S
        self._steps = n + 1
        if self.lost:
            raise MachineDown("the simulated machine crashed under load")

    def _ambient_at(self, time_s: float) -> float:
        options = self._options
        progress = min(1.0, time_s / (3600.0 * options.ambient_drift_hours))
        swing_k = options.ambient_swing_k * math.sin(self._swing_phase + 2 * math.pi * time_s / 5400.0)
        drift_k = options.ambient_drift_k * progress
        return options.ambient_c + drift_k + swing_k + self._ambient_jump_k

    def _settle(self) -> None:
        """Start at the temperatures of long idling, by damped iteration."""
        card = self.card
        for _ in range(60):
            self.fan_pct += 0.3 * (card.cooling.wanted_pct(self.core_c) - self.fan_pct)
            idle_w = card.power.total(self.clock_mhz, self.voltages_mv[self.index], 0.0, self.core_c)
            core_c, cooler_c = card.network.equilibrium_c(
                idle_w, self.ambient_c, card.cooling.conductance_w_per_k(self.fan_pct)
            )
            self.core_c += 0.3 * (min(core_c, 110.0) - self.core_c)
            self.cooler_c += 0.3 * (min(cooler_c, 110.0) - self.cooler_c)
            self.power_w = self.seen_power_w = idle_w

    def _looks(self, step: int, frame_ms: float, load: float) -> list[float]:
        """Share of each look of the card's power sensor within a step that falls on a working card.

        A frame's work begins when the frame before ended, and takes its share of the frame. Looks stand on a
        grid of the card's own, frames on one that begins anywhere.
        """
        assert self._look_s is not None
        assert self.run is not None
        frame_s = frame_ms / 1000.0
        width = self._look_width_s / frame_s

        def worked(frames: float) -> float:
            return (frames // 1.0) * load + min(frames % 1.0, load)

        first = math.ceil(step * STEP_S / self._look_s - 1e-9)
        last = math.ceil((step + 1) * STEP_S / self._look_s - 1e-9)
        begins = [k * self._look_s / frame_s + self.run.frame_phase for k in range(first, last)]
        return [(worked(begin + width) - worked(begin)) / width for begin in begins]

    # -- what happens to it ---------------------------------------------------------------------------

    def _happen(self, fault: Fault) -> None:
        run, n = self.run, self._steps
        lasts = round(fault.lasts_s / STEP_S)
        if fault.kind == "ambient-jump":
            self._ambient_jump_k += fault.amount
        elif fault.kind == "foreign-load":
            self._foreign_until, self._foreign_pct = n + lasts, fault.amount * 10.0
        elif fault.kind == "sensor-loss":
            self._sensor_lost_until = n + lasts
        elif run is None:
            return
        elif fault.kind == "title-crash":
            self.end(139, "the title ended by itself with exit code 139")
        elif fault.kind == "title-hang":
            run.hung_step = n
        elif fault.kind == "driver-reset":
            self._sensor_lost_until = n + 30
            self.resets += 1
            self.set_tuning(_FACTORY)
            self.end(1, "the title lost the device: the driver was reset")
        elif fault.kind == "rig-loss":
            self.run = None
            self._events.clear()
            self.lost = True
        elif fault.kind == "disk-full":
            run.log_ends_step = n
        elif fault.kind == "slow-run":
            run.slow_down(1.0 + fault.amount / 100.0)
        elif fault.kind.startswith("frame-log"):
            run.log_damage = fault.kind


def frame_traces(run: Run) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The run's traces as arrays: card's and processor's time for a mean frame in each step, ms."""
    return np.asarray(run.gpu_trace_ms), np.asarray(run.cpu_trace_ms)
