"""The one sentence that answers the plan's question, after what must be known first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from harness.analysis import words
from harness.analysis.basis import Missing, RestsOn
from harness.analysis.evenness import Evenness
from harness.analysis.settings import AnalysisSettings
from harness.metrics import METRICS, ComparedMetric
from harness.metrics.definition import Role
from harness.numerals import counted

#: What is told of a profile after its speed, each by the metric that stands for it.
_THEN: Final[tuple[Role, ...]] = ("low", "power", "temperature")

Rows = Mapping[tuple[str, str], Mapping[str, Any]]


def answer(
    overall: Sequence[Mapping[str, Any]],
    settings: AnalysisSettings,
    rests: Sequence[RestsOn] = (),
    evenness: Sequence[Evenness] = (),
    ending: str = "",
) -> str:
    """Answer the question from the rows across titles: speed first, then lows, power and temperature.

    Each clause counts the titles that its own number rests on.

    Args:
        rests: What each figure rests on.
        evenness: How even the runs of each profile are: what is uneven is said first, and a verdict that no
            slow run speaks against says how many could still be slow.
        ending: A clause for the end of the sentence that compares.
    """
    by_key: Rows = {(row["metric"], row["profile"]): row for row in overall}
    metrics = {row["metric"] for row in overall}
    headline = next((m.name for m in METRICS.standing_for("speed") if m.name in metrics), None)
    if headline is None and overall:
        return (
            f"Whether any profile is as fast as {settings.label(settings.reference)} can't be said: "
            "no title has an average FPS or a score under both. What else was measured is in the tables."
        )
    if headline is None:
        return (
            f"No profile could be compared with {settings.label(settings.reference)}: "
            "no title has accepted repeats of both."
        )
    rows = [row for row in overall if row["metric"] == headline]
    compared = [row for row in rows if row["profile"] != settings.blank] or rows
    most = max(row["n_titles"] for row in compared)
    missing = {(rest.metric, rest.profile): rest.missing for rest in rests}
    bounds = {(one.metric, one.profile): one for one in evenness}
    clauses = [
        _of_profile(row, by_key, most, missing, settings) + _bound(row, bounds, settings) for row in compared
    ]
    place = "In the one title compared" if most == 1 else f"Over {most} titles"
    first = [
        f"{sentence} "
        for sentence in dict.fromkeys(unevenness(one, settings) for one in evenness if one.less_even)
    ]
    late = "; ".join(settings.chosen_afterwards)
    first = [f"Chosen after the first repeat: {late}. " if late else "", *first]
    sentences = [*first, f"{place}, {'; '.join(clauses)}{ending}."]
    sentences += [f" {_of_blank(row, settings)}" for row in rows if row["profile"] == settings.blank]
    return "".join(sentences)


def unevenness(one: Evenness, settings: AnalysisSettings) -> str:
    """``The runs of quiet scatter 4.1 times as much as those of factory: 2 of 9 were over 3 % slower …``."""
    profile, reference = settings.label(one.profile), settings.label(settings.reference)
    metric = METRICS.compared_as[one.metric].label
    mine = (one.sd_pct, one.slow, one.runs)
    theirs = (one.reference_sd_pct, one.reference_slow, one.reference_runs)
    if one.less_even != one.profile:
        profile, reference, mine, theirs = reference, profile, theirs, mine
    ratio = mine[0] / theirs[0] if theirs[0] > 0 else float("inf")
    times = f"{ratio:.1f}" if ratio < 10 else f"{ratio:.0f}" if ratio < 1000 else "over 1000"
    told = f"The runs of {profile} scatter {times} times as much in {metric} as those of {reference}"
    if not mine[2]:
        return f"{told}."
    slow = f"{mine[1]} of {mine[2]} were over {settings.margin_pct:g} % slower than the median of their title"
    other = f" ({theirs[1]} of {theirs[2]} under {reference})" if theirs[2] else ""
    return f"{told}: {slow}{other}."


def _bound(
    row: Mapping[str, Any], evenness: Mapping[tuple[str, str], Evenness], settings: AnalysisSettings
) -> str:
    """What a verdict of ``same`` or in the profile's favour leaves open: runs that are slow now and then."""
    one = evenness.get((row["metric"], row["profile"]))
    if one is None or not one.runs or row["direction"] not in ("same", "better"):
        return ""
    return (
        f", with {one.slow} of its {counted(one.runs, 'run')} over {settings.margin_pct:g} % slower than "
        f"the median of their title (up to {one.slow_at_most_pct:.0f} % of runs may be, 95 % bound)"
    )


def _of_blank(row: Mapping[str, Any], settings: AnalysisSettings) -> str:
    blank, reference = settings.label(settings.blank), settings.label(settings.reference)
    return (
        f"The blank, {blank}, is {reference} once more and came out at {_figure(row, settings)} in "
        f"{row['label']}: that is what no difference looks like on this rig."
    )


def _of_profile(
    row: Mapping[str, Any],
    rows: Rows,
    most: int,
    missing: Mapping[tuple[str, str], Sequence[Missing]],
    settings: AnalysisSettings,
) -> str:
    profile, metric = row["profile"], METRICS.compared_as[row["metric"]]
    within = words.within(metric, settings)
    clause = words.claim(
        metric, row["decision"], settings.label(profile), settings.label(settings.reference), within
    )
    if row["decision"] == "undecided":
        clause = f"it is {clause}"
    if row["decision"] == "withheld":
        clause = f"there is {clause}"
    clause += f" ({metric.label} {_figure(row, settings)})"
    lacking = missing.get((row["metric"], profile), ())
    if row["n_titles"] < most or lacking:
        clause += f" {_in_titles(row, most, lacking, settings)}"
    others = (_first(role, rows, profile) for role in _THEN)
    extras = [_extra(rows[m.name, profile], m, row["n_titles"], settings) for m in others if m is not None]
    return ", ".join([clause, *extras])


def _in_titles(
    row: Mapping[str, Any], most: int, lacking: Sequence[Missing], settings: AnalysisSettings
) -> str:
    """``in 2 titles (not Paper Comet: crashed under quiet in 2 of 2 tries)``; the count only where it differs
    from the one that the sentence begins with."""
    several_of = "" if row["n_titles"] == most else f"in {counted(row['n_titles'], 'title')} "
    if not lacking:
        return several_of.rstrip()
    several = {m.title for m in lacking if sum(other.title == m.title for other in lacking) > 1}
    why = [
        f"{settings.label(m.title)}{f', {settings.label(m.setting)}' if m.title in several else ''}: {m.why}"
        for m in lacking
    ]
    return f"{several_of}(without {'; '.join(why)})"


def _first(role: Role, rows: Rows, profile: str) -> ComparedMetric | None:
    return next((m for m in METRICS.standing_for(role) if (m.name, profile) in rows), None)


def _figure(row: Mapping[str, Any], settings: AnalysisSettings) -> str:
    if row["low"] != row["low"]:
        return f"{words.change(row['estimate'], row['scale'], row['unit'])}, no interval"
    return words.change_with_interval(
        row["estimate"], row["low"], row["high"], row["scale"], row["unit"],
        settings.confidence_pct, row["claimed_together"],
    )  # fmt: skip


def _extra(row: Mapping[str, Any], metric: ComparedMetric, titles: int, settings: AnalysisSettings) -> str:
    """``1 % low the same within 3 % (+0.8 %)``, ``mean power −18.0 % (95 % interval −18.4 to −17.6 %)``."""
    half = (row["high"] - row["low"]) / 2 * (100 if row["scale"] == "ratio" else 1)
    figure = words.change(row["estimate"], row["scale"], row["unit"], half)
    where = f" in {counted(row['n_titles'], 'title')}" if row["n_titles"] != titles else ""
    decision = row["decision"]
    if decision == "descriptive":
        if row["low"] != row["low"]:
            return f"{metric.label} {figure}{where}"
        interval = _figure(row, settings).partition(", ")[2]
        return f"{metric.label} {figure} ({interval}){where}"
    if decision in ("undecided", "withheld"):
        told = "undecided" if decision == "undecided" else "without verdict"
        return f"{metric.label} {told} ({figure}){where}"
    if decision == "same":
        within = words.within(metric, settings)
        return f"{metric.label} the same {within} ({figure}){where}"
    return f"{metric.label} {figure[1:]} {decision}{where}"
