"""What the page says of the rig's drift over the night."""

from __future__ import annotations

from collections.abc import Sequence

from harness.analysis.analyse import Analysis, analyse
from harness.analysis.drift import Drift, estimate_drifts, without_drift
from harness.report.elements import Entry, Heading, Picture, Row, Section, Table, records
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.summary import change_entry


def drift_section(campaign: Campaign, analysis: Analysis, names: Names, charts: Sequence[Picture]) -> Section:
    """The drift chart, what the sentinels say, and the result without the drift where the plan asks."""
    rule = campaign.plan.sentinels
    drifts = estimate_drifts(campaign.repeats, analysis.settings.confidence_pct)
    paragraphs = [drift.sentence() for drift in drifts if "drift" in drift.metric.shown]
    if rule is not None and not drifts:
        paragraphs.append("Fewer than three sentinels were accepted, so drift can't be estimated.")
    tables = []
    if rule is not None and rule.correct_drift and drifts and len(analysis.overall):
        tables.append(_side_by_side(campaign, analysis, names, drifts))
    return Section(
        "drift-section",
        "Drift over the night",
        paragraphs=paragraphs,
        charts=list(charts),
        closing_tables=tables,
        over_all_titles=True,
    )


def _side_by_side(campaign: Campaign, analysis: Analysis, names: Names, drifts: Sequence[Drift]) -> Table:
    """Change against the reference, as measured and with the drift taken out."""
    corrected = analyse(without_drift(campaign.repeats, drifts), analysis.settings)
    without = {(row["metric"], row["profile"]): row for row in records(corrected.overall)}
    rows = []
    for row in records(analysis.overall):
        key = row["metric"], row["profile"]
        rows.append(
            Row(
                [
                    Entry(str(row["label"])),
                    Entry(names[row["profile"]]),
                    change_entry(row, ""),
                    change_entry(without[key], "") if key in without else Entry("–"),
                ]
            )
        )
    return Table(
        "table-drift",
        f"Change against {names[analysis.settings.reference]}, with and without the drift",
        [
            Heading("Metric"),
            Heading("Profile"),
            Heading("As measured"),
            Heading("Drift taken out"),
        ],
        rows,
    )
