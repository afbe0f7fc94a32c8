"""A profile that is set by the user's own commands: any other tuning program, on any system.

That a command ended well proves nothing, so a profile needs a proof: a command that reads the setting back,
or what clocks and power must be under load.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from harness.checks import missing_lines
from harness.errors import ControlRefused, PluginError, Problem, WorkloadFailed
from harness.patterns import check_pattern
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness.tables import QUANTITIES
from harness_plugins.external_control.run import Outcome, find_program, run_command

_LEAST_READINGS = 10


class Bounds(BaseModel):
    """Where the median of a quantity must lie under load."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    at_least: float | None = Field(None, description="in the quantity's unit")
    at_most: float | None = Field(None, description="in the quantity's unit")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.at_least is None and self.at_most is None:
            raise ValueError("give at_least, at_most or both")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError("at_least is above at_most")
        return self


class CommandControlOptions(BaseModel):
    """Plan keys of ``control = "command"``. Commands are lists of words, run without a shell."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    apply: list[str] = Field(min_length=1, description="sets the profile, from the factory state")
    restore: list[str] = Field(
        min_length=1, description="puts the factory state back; must be safe to repeat"
    )
    verify: list[str] | None = Field(
        None, min_length=1, description="reads the setting back; it is right if this ends with exit code 0 …"
    )
    verify_line: str | None = Field(
        None, description="… and prints a line that this regular expression matches"
    )
    under_load: dict[str, Bounds] = Field(
        default_factory=dict, description="quantity -> where its median must lie in the first seconds of load"
    )
    timeout_s: float = Field(60.0, gt=0, le=600, description="a command that takes longer is ended: refused")

    @field_validator("verify_line")
    @classmethod
    def _check_pattern(cls, value: str | None) -> str | None:
        return None if value is None else check_pattern(value)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.verify is None and not self.under_load:
            raise ValueError("give verify or under_load: that apply ended well does not prove the setting")
        if self.verify_line is not None and self.verify is None:
            raise ValueError("verify_line needs verify")
        unknown = sorted(set(self.under_load) - set(QUANTITIES))
        if unknown:
            raise ValueError(f"under_load: there is no quantity {', '.join(unknown)}")
        return self


class CommandControl:
    """Control ``command``. See :class:`harness.rig.Control`.

    ``check`` collects the restore commands of all profiles; the snapshot holds them, so that the next start
    after a crash can restore without the plan. A restore runs each different one once.
    """

    kind = "command"
    changes_hardware = True

    def __init__(self) -> None:
        self._restores: list[tuple[tuple[str, ...], float]] = []

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}"
        problems = []
        for key, words in (
            ("apply", options.apply),
            ("restore", options.restore),
            ("verify", options.verify),
        ):
            if words is not None and find_program(words[0]) is None:
                remedy = "write its full path, or install it"
                problems.append(Problem(f"{where}.{key}", f"there is no program {words[0]!r}", remedy))
        restore = tuple(options.restore), options.timeout_s
        if restore not in self._restores:
            self._restores.append(restore)
        return problems

    def snapshot(self) -> dict[str, Any]:
        return {
            "restore": [{"words": list(words), "timeout_s": limit_s} for words, limit_s in self._restores]
        }

    def apply(self, profile: ProfileSpec) -> None:
        options = options_of(profile)
        if (tuple(options.restore), options.timeout_s) not in self._restores:
            raise PluginError(
                f"profile {profile.name} was not checked before it was applied; this is our mistake"
            )
        self._run(f"profile {profile.name}: apply", options.apply, options.timeout_s)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        if options.verify is None:
            return {"applied_by": options.apply, "proof": "under load"}
        outcome = self._run(f"profile {profile.name}: verify", options.verify, options.timeout_s)
        if options.verify_line is not None and missing_lines(outcome.output, [options.verify_line]):
            raise ControlRefused(
                f"profile {profile.name}: no line of verify matches {options.verify_line!r}; it printed: "
                f"{outcome.tail or 'nothing'}. The setting is not in force, or the pattern is wrong"
            )
        return {"applied_by": options.apply, "proof": "verify", "verify_printed": outcome.tail}

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        found = []
        options = options_of(profile)
        for quantity, bounds in options.under_load.items():
            values = readings.get(quantity, ())
            if len(values) < _LEAST_READINGS:
                if options.verify is None:
                    found.append(f"{quantity} has {len(values)} readings: too few to prove the profile")
                continue
            median = statistics.median(values)
            if bounds.at_least is not None and median < bounds.at_least:
                found.append(
                    f"{quantity} is {median:.6g} in the median under load, below {bounds.at_least:g}"
                )
            if bounds.at_most is not None and median > bounds.at_most:
                found.append(f"{quantity} is {median:.6g} in the median under load, above {bounds.at_most:g}")
        return found

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        failures = []
        for command in snapshot.get("restore", ()):
            try:
                self._run("restore", command["words"], command["timeout_s"])
            except ControlRefused as error:
                failures.append(str(error))
        if failures:
            raise ControlRefused(f"{'; '.join(failures)}; put the factory state back by hand")

    @staticmethod
    def _run(what: str, words: Sequence[str], limit_s: float) -> Outcome:
        try:
            outcome = run_command(words, limit_s)
        except (OSError, WorkloadFailed) as error:
            raise ControlRefused(
                f"{what}: {words[0]} can't be started ({error}); check the command"
            ) from error
        if outcome.exit_code is None:
            raise ControlRefused(f"{what}: {words[0]} was still running after {limit_s:g} s and was ended")
        if outcome.exit_code != 0:
            raise ControlRefused(
                f"{what}: {words[0]} ended with exit code {outcome.exit_code}: "
                f"{outcome.tail or 'no output'}; try the command by hand, with the same rights"
            )
        return outcome


def options_of(profile: ProfileSpec) -> CommandControlOptions:
    """The profile's keys, as this control understands them."""
    return CommandControlOptions.model_validate(profile.options)
