"""What a plan changed of the question when results could already be known. Pure."""

from __future__ import annotations

from harness.plan.schema import Plan


def chosen_afterwards(before: Plan, now: Plan) -> tuple[str, ...]:
    """What decides the verdicts and is differently than before the first repeat, a clause each.

    An extension that the plan had room for is no such choice.

    Args:
        before: The plan in force when the first repeat was measured.
        now: The plan in force.
    """
    was, new = before.plan, now.plan
    told = [
        f"{what} {_said(given)}{unit} (before: {_said(had)}{unit})"
        for what, had, given, unit in (
            ("margin", was.margin_pct, new.margin_pct, " %"),
            ("margin of temperatures", was.temperature_margin_k, new.temperature_margin_k, " K"),
            ("margin of sound levels", was.sound_margin_db, new.sound_margin_db, " dB"),
            ("confidence", was.confidence_pct, new.confidence_pct, " %"),
            ("primary metrics", was.primary_metrics, new.primary_metrics, ""),
            ("definition of the 1 % low", was.one_percent_low, new.one_percent_low, ""),
            ("reference", was.reference, new.reference, ""),
        )
        if had != given
    ]
    if was.repeats != new.repeats:
        told.append("repeats: raised or lowered after a look, which no error rate allows for")
    if new.extended_to is not None and not was.may_extend_once:
        told.append("extension: the plan had not kept room for it")
    return tuple(told)


def _said(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
