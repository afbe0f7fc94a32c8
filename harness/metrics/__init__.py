"""Metrics, each defined once: :mod:`harness.metrics.definition` says what a definition holds.

A metric of levelrig's own is one record in ``frame_rate``, ``power`` or ``conditions``; a plugin brings its
by the hook ``levelrig_metrics``. Tables, analysis, report, exports and live page iterate over
:data:`METRICS`. Nothing here imports more than the standard library.
"""

from harness.metrics.definition import ComparedMetric, Metric, said
from harness.metrics.registry import METRICS

__all__ = ["METRICS", "ComparedMetric", "Metric", "said"]
