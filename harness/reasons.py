"""Reason codes of attempts: what a code says beyond its name. A leaf module."""

from __future__ import annotations

from typing import Final

_FOR_GOOD: Final = "-permanent"


def permanent_code(code: str) -> str:
    """The code of a failure that can't change by itself: ``launch-failed-permanent``."""
    return code if is_permanent(code) else code + _FOR_GOOD


def is_permanent(code: str | None) -> bool:
    """Whether trying again is no use until somebody fixes the cause."""
    return code is not None and code.endswith(_FOR_GOOD)


def kind_of(code: str) -> str:
    """The code without what it says of permanence: failures of one kind."""
    return code.removesuffix(_FOR_GOOD)
