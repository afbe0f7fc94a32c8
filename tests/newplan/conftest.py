"""A machine to write plans on: a card with known ranges, programs and logs as a test says."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.errors import FrameLogError
from harness.newplan.dialogue import Dialogue
from harness.newplan.machine import Machine, Screen
from harness.plan.tunings import Tuning, TuningRange
from harness.plugins import PluginHost

CARD = Tuning(
    "nvml",
    "card 0, a 350 W card",
    (
        TuningRange("power_limit_w", 150, 350, 320),
        TuningRange("core_clock_ceiling_mhz", 210, 2745),
        TuningRange("memory_clock_ceiling_mhz", 405, 10501, steps=(405, 5001, 10501)),
        TuningRange("core_clock_offset_mhz", -500, 500, 0),
    ),
    slows_at_c=90,
)


@dataclass
class Proposed:
    mapping: dict[str, Any]
    doubts: tuple[str, ...] = ()
    result: dict[str, Any] = field(default_factory=dict)


@pytest.fixture(scope="session")
def host() -> PluginHost:
    return PluginHost()


@pytest.fixture
def machine(host) -> Callable[..., Machine]:
    """A machine; what is not said is: a card, its sensors, a screen, no programs, no logs."""

    def make(**changed: Any) -> Machine:
        logs: dict[str, dict[str, Any]] = changed.pop("logs", {})
        programs: Iterable[str] = changed.pop("programs", ())

        def propose(path):
            if path.name not in logs:
                raise FrameLogError(f"{path}: there is no such file; check the path")
            return Proposed(logs[path.name])

        usual = {
            "kinds": host.kinds,
            "tunings": (CARD,),
            "quantities": {"core_temp_c": "nvml", "power_w": "nvml"},
            "screen": Screen(2560, 1440, 144.0),
            "windows": False,
            "draws_on_card": True,
            "here": "/home/ann",
            "is_file": lambda path: path in logs or path == "tour.py",
            "is_program": lambda word, folder: word in programs,
            "propose": propose,
            "refused": lambda profile: [],
        }
        return Machine(**{**usual, **changed})

    return make


@dataclass
class Talk:
    """A dialogue with scripted answers, and all that it showed."""

    answers: list[str]
    again: bool = True
    take_defaults: bool = False
    shown: list[str] = field(default_factory=list)

    @property
    def dialogue(self) -> Dialogue:
        rest = iter(self.answers)

        def read(prompt: str) -> str | None:
            self.shown.append(prompt)
            return next(rest, None)

        return Dialogue(read, self.shown.append, again=self.again, take_defaults=self.take_defaults)


@pytest.fixture
def talk() -> type[Talk]:
    return Talk
