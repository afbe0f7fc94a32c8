"""Controls of any kind, acting on the model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from pydantic import ValidationError

from harness.clock import Clock
from harness.errors import ControlRefused, Problem
from harness.plan.schema import ProfileSpec
from harness.rig import Launch

from .machine import Machine
from .tuning import Tuning, tuning_of


class SimulatedControl:
    """Stands in for a control of the given kind; keys that mean nothing to the model do nothing.

    Args:
        extra: Profile name -> keys that act beyond the profile's own.
    """

    def __init__(
        self, kind: str, changes_hardware: bool, machine: Machine, clock: Clock, extra: Mapping[str, Any]
    ) -> None:
        self.kind = kind
        self.changes_hardware = changes_hardware
        self._machine = machine
        self._clock = clock
        self._extra = extra
        self._resets_seen = machine.resets

    def check(self, profile: ProfileSpec) -> list[Problem]:
        try:
            tuning = self._tuning(profile)
        except ValidationError as error:
            return [
                Problem(f"{profile.name}.{issue['loc'][0]}", issue["msg"], "choose a value in the range")
                for issue in error.errors()
            ]
        low_w, high_w = self._machine.card.governor.power_limit_range_w
        limit_w = tuning.power_limit_w
        if limit_w is not None and not low_w <= limit_w <= high_w:
            what = f"{limit_w:g} W is outside the range of the simulated card"
            return [Problem(f"{profile.name}.power_limit_w", what, f"choose {low_w:g} to {high_w:g} W")]
        return []

    def snapshot(self) -> dict[str, Any]:
        return _state(Tuning())

    def apply(self, profile: ProfileSpec) -> None:
        problems = self.check(profile)
        if problems:
            raise ControlRefused(f"the simulated card refused the profile: {problems[0]}")
        self._machine.advance(self._clock.now_s())
        self._machine.set_tuning(self._tuning(profile))
        self._resets_seen = self._machine.resets

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        self._machine.advance(self._clock.now_s())
        if self._machine.tuning != self._tuning(profile):
            raise ControlRefused(f"{profile.name} is not in force on the simulated card; apply it again")
        return _state(self._machine.tuning)

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        threads = self._tuning(profile).thread_count
        return launch if threads is None else replace(launch, thread_count=threads)

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        if self._machine.tuning != self._tuning(profile):
            return ["the driver was reset: the card is back in its factory state"]
        return []

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        self._machine.set_tuning(Tuning())

    def _tuning(self, profile: ProfileSpec) -> Tuning:
        return tuning_of({**profile.options, **self._extra.get(profile.name, {})})


def _state(tuning: Tuning) -> dict[str, Any]:
    return {name: value for name, value in tuning.model_dump().items() if value not in (None, 0.0)}
