"""Repeats to cells to comparisons to a decision with a stated error. Pure functions on tables."""

from harness.analysis.analyse import Analysis, analyse
from harness.analysis.crosscheck import cross_check
from harness.analysis.metrics import METRICS, Metric
from harness.analysis.planning import pilot_scatter, resolvable
from harness.analysis.sequential import next_slots, stop_decision
from harness.analysis.settings import AnalysisSettings

__all__ = [
    "METRICS",
    "Analysis",
    "AnalysisSettings",
    "Metric",
    "analyse",
    "cross_check",
    "next_slots",
    "pilot_scatter",
    "resolvable",
    "stop_decision",
]
