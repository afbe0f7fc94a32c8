"""Repeats to cells to comparisons to a decision with a stated error. Pure functions on tables.

The names below are loaded when they are asked for: a plan is checked without the libraries that an analysis
needs. The analysis itself is ``harness.analysis.analyse.analyse``.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.analysis.analyse import Analysis
    from harness.analysis.crosscheck import cross_check
    from harness.analysis.planning import pilot_scatter, resolvable
    from harness.analysis.sequential import next_slots, stop_decision
    from harness.analysis.settings import AnalysisSettings

_HOMES = {
    "Analysis": "analyse",
    "cross_check": "crosscheck",
    "pilot_scatter": "planning",
    "resolvable": "planning",
    "next_slots": "sequential",
    "stop_decision": "sequential",
    "AnalysisSettings": "settings",
}

__all__ = [
    "Analysis",
    "AnalysisSettings",
    "cross_check",
    "next_slots",
    "pilot_scatter",
    "resolvable",
    "stop_decision",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)
