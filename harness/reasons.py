"""Reason codes of attempts: what a code says beyond its name. A leaf module."""

from __future__ import annotations

from typing import Final

_FOR_GOOD: Final = "-permanent"
#: What a reader is told where the code's own words don't say it.
_WORDS: Final = {
    "ambient-temperature": "the room's temperature was off",
    "check-failed": "a check failed",
    "clock-stepped": "the clock was set",
    "disk-full": "the disk was full",
    "driver-error": "the driver reported an error",
    "driver-reset": "the driver was reset",
    "expected-line": "its output lacked an expected line",
    "foreign-cpu-load": "other programs used the processor",
    "foreign-gpu-load": "other programs used the card",
    "frame-cap": "its frame rate was capped",
    "frame-log": "its frame log could not be used",
    "frame-log-missing": "it left no frame log",
    "frame-log-unit": "its frame log has another unit than the plan says",
    "launch-failed": "it could not be started",
    "limit-reasons": "the card was held down by a limit",
    "limit-unwatched": "a quantity with a limit was not read",
    "profile-lost": "the profile did not hold",
    "profile-not-in-force": "the profile was not in force",
    "profile-refused": "the profile was refused",
    "program-fault": "levelrig failed",
    "program-lost": "levelrig was ended",
    "readings-missing": "readings were missing",
    "rig-lost": "the machine crashed or rebooted",
    "rig-restarted": "the machine was restarted in order",
    "start-temperature": "it did not start as warm as the others",
    "step-failed": "a step of its sequence failed",
    "telemetry-gap": "readings were missing",
    "title-crashed": "it crashed",
    "title-ended-early": "it ended early",
    "title-failed": "it reported a failure",
    "title-hung": "it hung",
    "window-short": "it ended before its window did",
    "workload-failed": "it failed",
}


def permanent_code(code: str) -> str:
    """The code of a failure that can't change by itself: ``launch-failed-permanent``."""
    return code if is_permanent(code) else code + _FOR_GOOD


def is_permanent(code: str | None) -> bool:
    """Whether trying again is no use until somebody fixes the cause."""
    return code is not None and code.endswith(_FOR_GOOD)


def in_words(code: str) -> str:
    """What a code says, as a clause: ``its frame log could not be used``; its own words for a plugin's."""
    return _WORDS.get(kind_of(code), kind_of(code).replace("-", " "))


def kind_of(code: str) -> str:
    """The code without what it says of permanence: failures of one kind."""
    return code.removesuffix(_FOR_GOOD)
