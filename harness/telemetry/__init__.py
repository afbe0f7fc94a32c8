"""Telemetry: one sampler over all sensors, and what a window's telemetry says."""

from harness.telemetry.limits import reason_words
from harness.telemetry.rows import KeptRows, Sample, TelemetryWriter
from harness.telemetry.sampler import Sampler
from harness.telemetry.summary import summarise_window

__all__ = ["KeptRows", "Sample", "Sampler", "TelemetryWriter", "reason_words", "summarise_window"]
