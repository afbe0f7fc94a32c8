"""The words that a plan may use are those of the analysis."""

from __future__ import annotations

from harness.analysis import METRICS
from harness.plan import vocabulary


def test_the_metrics_are_those_of_the_analysis():
    assert tuple(metric.name for metric in METRICS) == vocabulary.METRICS
