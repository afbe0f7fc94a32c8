"""A methods paragraph, ready to paste, from what was really done."""

from __future__ import annotations

from harness.analysis.power_doubt import power_doubts
from harness.numerals import counted, out_of
from harness.plan.captured import READER as CAPTURE
from harness.plan.captured import TIMES, Way, way_of
from harness.plan.schema import Plan, PlanHead
from harness.report.conditions import methods_sentence
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections import words
from harness.report.sections.attempts import account
from harness.report.sections.summary import night


def methods(campaign: Campaign, names: Names, version: str, incident: str = "") -> str:
    """How the campaign was measured and analysed, as one paragraph.

    Args:
        incident: What crashed, is missing or marked, in a sentence; empty for nothing.
    """
    plan = campaign.plan
    head = plan.plan
    repeats = campaign.repeats
    quantities = repeats["temperature_quantity"].dropna()
    quantity = str(next(iter(quantities), "")).replace("_temp_c", " temperature")
    subject = campaign.fact("card", "model") or campaign.fact("processor", "model") or "the rig"
    driver = campaign.fact("card", "driver_version")
    order = {
        "balanced": "in blocks of one repeat of each profile, their order balanced for first-order "
        "carry-over",
        "shuffled": f"in random order (seed {head.seed})",
        "as-listed": "in the order of the plan",
    }[head.order]
    titles, profiles = repeats["title"].nunique(), repeats["profile"].nunique()
    window = repeats["measured_s"].dropna().astype(float)
    source = ", ".join(str(s) for s in repeats["energy_source"].dropna().unique())
    card = f"{subject} (driver {driver})" if driver else subject
    sentences = [
        f"{card} was measured with levelrig {version} ({night(campaign)}).",
        f"{counted(titles, 'title')} ran under {counted(profiles, 'profile')}, "
        f"{_repeats(head)} of each cell, {order}.",
        methods_sentence(plan, names, quantity or "temperature"),
        f"{account(campaign)[:-1]}, by rules fixed beforehand; all are in the data package.",
        *([incident] if incident else []),
    ]
    if not window.empty:
        sentences.append(f"The measured window was {window.median():.0f} s (median).")
    sentences += _captured(plan, names)
    if source:
        sentences.append(f"Energy: {source}.")
    sentences += [
        *words.metrics_in_methods(head, set(repeats.columns[repeats.notna().any()])),
        f"Profiles are compared with {names[head.reference]} by ratios on the log scale, with "
        f"{head.confidence_pct:g} % "
        "t-intervals over repeats"
        + {"balanced": ", paired by block", "shuffled": ", paired by round", "as-listed": ""}[head.order]
        + f"; a difference inside ±{head.margin_pct:g} % counts as none, claimed where the whole interval "
        "lies inside. Verdicts are given for the metrics that the plan names beforehand "
        f"({words.primary_metrics(head)}), with intervals that hold for all of them together "
        "(Bonferroni), title by title and over all titles; everything else is described.",
        *_power(campaign),
        *_extension(head),
        *_blank(head, names),
        "The results hold for the one card and rig that were measured.",
    ]
    if campaign.simulated:
        sentences.insert(0, "SIMULATED: no number here was measured.")
    return " ".join(sentences)


def _captured(plan: Plan, names: Names) -> list[str]:
    """Whose frames levelrig recorded itself, and what their times are."""
    found: dict[Way, list[str]] = {}
    for title in plan.titles:
        logs = [title.frame_log, *(setting.frame_log for setting in title.settings)]
        paths = {log.path for log in logs if log is not None and log.reader == CAPTURE}
        for way in (way for way in map(way_of, sorted(paths)) if way is not None):
            found.setdefault(way, []).append(names[title.name])
    return [
        f"Frames of {', '.join(of)} were captured by levelrig: {TIMES[way]}." for way, of in found.items()
    ]


def _repeats(head: PlanHead) -> str:
    rule = head.adaptive
    if rule is None:
        return f"{head.repeats_at_least} planned repeats"
    goals = ["was decided"] if rule.until_margin_is_decided else []
    if rule.until_half_width_pct is not None:
        goals.append(f"had an interval within ±{rule.until_half_width_pct:g} %")
    return (
        f"{head.repeats_at_least} to {head.repeats_at_most} repeats, added until each comparison "
        f"{' and '.join(goals)} (intervals and p-values allow for having looked after every block),"
    )


def _power(campaign: Campaign) -> list[str]:
    """Which repeats' power is in doubt, and what of it is in the intervals."""
    doubts = power_doubts(campaign.counted)
    if not doubts:
        return []
    model = campaign.power_sensor
    known = "" if model is None else f" and the rhythm of its sensor as measured on {model.measured_utc[:10]}"
    return [
        f"In {out_of(sum(d.doubted for d in doubts), len(campaign.counted), 'repeat')} the power reading of "
        f"the card is in doubt; what its sources differ by{known} is in the intervals of power, energy per "
        "frame and FPS per watt as a standard uncertainty that repeats don't make smaller (JCGM 100:2008)."
    ]


def _extension(head: PlanHead) -> list[str]:
    """The room for one extension that the plan kept, and whether it was used."""
    if not head.may_extend_once:
        return []
    source = "(Müller and Schäfer 2001)"
    if head.extended_to is None:
        return [f"A fifth of the error rate was kept for one extension, which was not used {source}."]
    return [
        f"After a look at {head.repeats} repeats of each cell the plan was extended once, to "
        f"{head.extended_to}, as it had reserved before the first one; both stages are combined with equal "
        f"weights, and the error rate holds for both looks together {source}."
    ]


def _blank(head: PlanHead, names: Names) -> list[str]:
    if head.blank is None:
        return []
    return [f"{names[head.blank]} is {names[head.reference]} measured once more, to show no difference."]
