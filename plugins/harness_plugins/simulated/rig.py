"""The rig that a rehearsal runs on (:class:`harness.rig.Rig`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import timedelta
from typing import Any

from pydantic import ValidationError

from harness.clock import Clock
from harness.hookspecs import RehearsalRequest
from harness.plan.schema import Cell
from harness.power_sensor.of_window import FACTS_SECTION
from harness.rig import Control, FrameLog, FrameLogSource, RigFacts, Sensor, Workload
from harness.testing import FakeClock, read_frames

from .card import CardModel, load_card_model, with_silicon
from .chance import generator
from .control import SimulatedControl
from .machine import Machine
from .options import parse_options
from .sensors import CardSensor, HostSensor, power_sensor_model
from .tuning import tuning_of
from .workload import SimulatedWorkload, Stage

#: Kinds of control that touch no hardware; the rest is taken to.
_HARMLESS_CONTROLS = frozenset({"factory", "processor", "simulated"})
#: Time that the rig's clock shows when it has just started.
_UP_SINCE_S = 60.0
#: Threads at which a title's processor time holds where no profile sets a count.
_DEFAULT_THREADS = 8


class SimulatedRig:
    """Sensors, controls and titles of any kind, simulated on a virtual clock.

    Raises:
        PlanError: The request's options or its card model are wrong.
    """

    def __init__(self, request: RehearsalRequest) -> None:
        self._seed = request.seed
        self._options = parse_options(request)
        card = CardModel() if request.model_path is None else load_card_model(request.model_path)
        spread = self._options.silicon_spread
        if spread is None:
            spread = float(generator(request.seed, "silicon").normal())
        self.card = with_silicon(card, spread if request.model_path is None else 0.0)
        self.clock: Clock = FakeClock(start_s=_UP_SINCE_S)
        self._boots = 1
        self.machine = Machine(self.card, self._options, request.seed)
        self.machine.start_clock(self.clock.now_s())
        profiles = [{**p.options, **self._options.profiles.get(p.name, {})} for p in request.plan.profiles]
        self._stage = Stage(self._options, request.seed, _most_threads(profiles))
        self._controls: dict[str, SimulatedControl] = {}

    def facts(self) -> RigFacts:
        return RigFacts(
            rig_id=f"simulated-{self._seed}",
            boot_id=f"boot-{self._boots}",
            facts={
                "card": {
                    "model": self.card.name,
                    "origin": self.card.origin,
                    "power_limit_w": self.card.governor.power_limit_w,
                },
                "simulation": {"seed": self._seed, "ambient_c": self._options.ambient_c},
                **self._power_sensor(),
            },
            simulated=True,
        )

    def _power_sensor(self) -> dict[str, dict[str, Any]]:
        """The model of the card's power sensors, as ``levelrig doctor --power`` would have measured it."""
        flaws = self._options.sensors
        if flaws.power_look_s is None:
            return {}
        card = self.card
        fastest, mv = card.curve.max_clock_mhz, self.machine.voltages_mv[-1]
        off_w, on_w = (card.power.total(fastest, mv, activity, 50.0) for activity in (0.0, 1.0))
        model = power_sensor_model(card.name, flaws, flaws.power_look_s, off_w, on_w)
        return {FACTS_SECTION: model.model_dump(mode="json")}

    def open_sensors(self) -> Sequence[Sensor]:
        return [
            CardSensor(self.machine, self.clock, self._options.sensors, self._seed),
            HostSensor(self.machine, self.clock),
        ]

    def open_control(self, kind: str) -> Control:
        if kind not in self._controls:
            self._controls[kind] = SimulatedControl(
                kind, kind not in _HARMLESS_CONTROLS, self.machine, self.clock, self._options.profiles
            )
        return self._controls[kind]

    def open_workload(self, cell: Cell) -> Workload:
        return SimulatedWorkload(cell, self.machine, self.clock, self._stage)

    def read_frame_log(self, source: FrameLogSource) -> FrameLog:
        return read_frames(source.path)

    def restart(self) -> None:
        """Start the rig again after :class:`harness.errors.MachineDown`: new boot, new clock, factory state.

        The old clock with its periodic calls is left behind, as a power cut leaves a process behind.
        """
        self._boots += 1
        off_s = self._options.restart_s
        back_utc = self.clock.now_utc() + timedelta(seconds=off_s)
        self.clock = FakeClock(_UP_SINCE_S, back_utc)
        self.machine.restart(off_s, self.clock.now_s())
        self._controls.clear()


def _most_threads(profiles: Sequence[Mapping[str, Any]]) -> int:
    """Most threads that any profile asks for; a profile that can't be is the control's to refuse."""
    threads = []
    for options in profiles:
        with suppress(ValidationError):
            threads.append(tuning_of(options).thread_count or 0)
    return max(threads, default=0) or _DEFAULT_THREADS
