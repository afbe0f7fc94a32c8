"""Repeats to cells to comparisons to a decision with a stated error. Pure functions on tables."""

from harness.analysis.analyse import Analysis, analyse
from harness.analysis.metrics import METRICS, Metric
from harness.analysis.settings import AnalysisSettings

__all__ = ["METRICS", "Analysis", "AnalysisSettings", "Metric", "analyse"]
