"""Control ``processor``: processors, threads and priority of a title's process; works on any machine."""

from __future__ import annotations

from collections.abc import Sequence

from harness.clock import Clock
from harness.hookspecs import Finding, Kind, hookimpl
from harness.rig import Control
from harness_plugins.processor.control import ProcessorControl, ProcessorOptions, allowed_processors


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind(
            "control", "processor", "processors, threads and priority of a title's process", ProcessorOptions
        )
    ]


@hookimpl
def open_control(kind: str, clock: Clock) -> Control | None:
    return ProcessorControl() if kind == "processor" else None


@hookimpl
def examine(clock: Clock) -> Sequence[Finding]:
    allowed = allowed_processors()
    if allowed is None:
        return [
            Finding("processor control", "absent", "threads and priority only; this system binds no process")
        ]
    return [Finding("processor control", "ok", f"processors {allowed}, threads, priority")]
