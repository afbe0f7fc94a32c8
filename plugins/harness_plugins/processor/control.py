"""A profile that any machine can have: processors, threads and priority of the title's process."""

from __future__ import annotations

import dataclasses
import os
import sys
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Final

import psutil
from pydantic import BaseModel, ConfigDict, Field, field_validator

from harness.errors import ControlRefused, Problem
from harness.plan.schema import ProfileSpec
from harness.processes import NICENESS, windows_priority_class
from harness.rig import Launch, Priority

#: Processors of one group on Windows.
_GROUP: Final = 64


class ProcessorOptions(BaseModel):
    """Plan keys of ``control = "processor"``. What is left out stays as the system has it."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid")

    affinity: tuple[int, ...] | None = Field(
        None, min_length=1, description="logical processors that the title may use, counted from 0"
    )
    thread_count: int | None = Field(
        None, ge=1, le=1024, description="threads that the title should use, where it can be told"
    )
    priority: Priority = Field("normal", description="scheduling priority of the title")

    @field_validator("affinity")
    @classmethod
    def _each_once(cls, value: tuple[int, ...] | None) -> tuple[int, ...] | None:
        if value is not None and (len(set(value)) != len(value) or min(value) < 0):
            raise ValueError("name each processor once, by its number from 0")
        return None if value is None else tuple(sorted(value))


class ProcessorControl:
    """Control ``processor``. See :class:`harness.rig.Control`.

    It acts on the title's own process at its launch, so nothing of it outlives the title and there is
    nothing to restore. What it can read back is the process; before a launch it is what the next one gets.
    """

    kind = "processor"
    changes_hardware = False

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options = options_of(profile)
        where = f"profiles.{profile.name}"
        problems = []
        allowed = allowed_processors()
        if options.affinity is not None:
            if allowed is None:
                problems.append(
                    Problem(f"{where}.affinity", "this system can't bind a process", "leave it out here")
                )
            elif beyond := sorted(set(options.affinity) - set(allowed)):
                problems.append(
                    Problem(
                        f"{where}.affinity",
                        f"processors {beyond} are not there or not allowed to this process",
                        f"choose from {allowed}",
                    )
                )
        if not may_set_priority(options.priority):
            problems.append(
                Problem(
                    f"{where}.priority",
                    f"{options.priority!r} is above what this user may set",
                    "use normal or lower, or grant the user a nice limit of "
                    f"{NICENESS[options.priority]} (limits.conf) and log in again",
                )
            )
        return problems

    def snapshot(self) -> dict[str, Any]:
        return {}

    def apply(self, profile: ProfileSpec) -> None:
        if problems := self.check(profile):
            raise ControlRefused("; ".join(map(str, problems)))

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        allowed = allowed_processors()
        return {
            "processors": list(options.affinity) if options.affinity is not None else allowed,
            "thread_count": options.thread_count,
            "priority": options.priority,
            "in_force": "at each launch",
        }

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        options = options_of(profile)
        return dataclasses.replace(
            launch,
            affinity=options.affinity if options.affinity is not None else launch.affinity,
            thread_count=options.thread_count if options.thread_count is not None else launch.thread_count,
            priority=options.priority,
        )

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        if process_id is None:
            return []
        options = options_of(profile)
        try:
            process = psutil.Process(process_id)
            tree = [process, *process.children(recursive=True)]
        except psutil.NoSuchProcess:
            return []  # its end is the workload's to tell
        wrong = []
        for member in tree:
            try:
                wrong += _deviations(member, options)
            except (psutil.NoSuchProcess, psutil.AccessDenied):
                continue
        return wrong

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        return


def options_of(profile: ProfileSpec) -> ProcessorOptions:
    """The profile's keys, as this control understands them."""
    return ProcessorOptions.model_validate(profile.options)


def allowed_processors() -> list[int] | None:
    """Logical processors that a process may be bound to; None where the system can't say.

    Windows puts processors into groups of 64 at most and binds a process within one ("Processor Groups",
    learn.microsoft.com, from memory): of more, only the first 64 can be named.
    """
    if not hasattr(psutil.Process, "cpu_affinity"):
        return None
    allowed = sorted(psutil.Process().cpu_affinity() or range(psutil.cpu_count() or 1))
    return [number for number in allowed if number < _GROUP] if sys.platform == "win32" else allowed


def may_set_priority(priority: Priority) -> bool:
    """Whether this user may start a process with that priority."""
    niceness = NICENESS[priority]
    if sys.platform == "win32" or niceness >= 0 or os.geteuid() == 0:
        return True
    if not hasattr(psutil, "RLIMIT_NICE"):
        return False
    soft, _ = psutil.Process().rlimit(psutil.RLIMIT_NICE)
    return soft == psutil.RLIM_INFINITY or 20 - soft <= niceness


def _deviations(process: psutil.Process, options: ProcessorOptions) -> list[str]:
    wrong = []
    if options.affinity is not None and hasattr(process, "cpu_affinity"):
        seen = sorted(process.cpu_affinity() or [])
        if not set(seen) <= set(options.affinity):
            wrong.append(
                f"process {process.pid} may use processors {seen}, not only {list(options.affinity)}; "
                "something set its affinity after the launch"
            )
    if options.priority != "normal":
        seen_nice = int(process.nice())
        wanted = windows_priority_class(options.priority) if os.name == "nt" else NICENESS[options.priority]
        if seen_nice != wanted:
            wrong.append(
                f"process {process.pid} runs at priority {seen_nice}, not at {wanted} ({options.priority}); "
                "something set it after the launch"
            )
    return wrong
