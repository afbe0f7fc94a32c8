"""Checks that accept or reject an attempt, each with a threshold in the plan and a reason in the table."""

from harness.checks.evidence import AttemptEvidence, summary_evidence, telemetry_evidence
from harness.checks.judge import CHECKS, CODES, Check, Judgement, judge

__all__ = [
    "CHECKS",
    "CODES",
    "AttemptEvidence",
    "Check",
    "Judgement",
    "judge",
    "summary_evidence",
    "telemetry_evidence",
]
