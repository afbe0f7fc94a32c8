"""Stages, each in a file of its own: :mod:`harness.stages.stage` says what a stage holds.

A plugin brings its by the hook ``levelrig_stages``. Plan, hash, machine, driver, forecast, tables, report and
live page iterate over :data:`STAGES` and know none by name. Nothing here imports NumPy before a gate is made.
"""

from harness.stages.registry import STAGES, AnyStage
from harness.stages.stage import TEMPERATURE, Complaint, Rule, Span, Stage, Then

__all__ = ["STAGES", "TEMPERATURE", "AnyStage", "Complaint", "Rule", "Span", "Stage", "Then"]
