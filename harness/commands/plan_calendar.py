"""How the work of a plan is spread over its nights, counted from now."""

from __future__ import annotations

from datetime import UTC, datetime

from harness.plan.forecast import forecast
from harness.plan.hours import Calendar, NightHours, calendar
from harness.plan.schema import Plan


def plan_calendar(plan: Plan, work_s: float) -> Calendar | None:
    """How so much work of a plan is spread over its nights, started now; None where it states no hours."""
    night = forecast(plan)
    attempt_s = night.expected_s / max(night.attempts, 1)
    return calendar(NightHours.of(plan.night), work_s, attempt_s, datetime.now(UTC))
