"""The report shows a far repeat, its second measurement and the result with it; the result stays as it is."""

from __future__ import annotations

import dataclasses

import pandas as pd

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.report.folder import read_campaign
from harness.report.names import Names
from harness.report.sections.methods import methods
from harness.report.sections.remeasurement import remeasurement_section


def looked_at(folder):
    """The campaign with a far repeat that was measured once more, and another without."""
    campaign = read_campaign(folder)
    far = (campaign.repeats["profile"] != campaign.plan.plan.reference).idxmax()
    look = campaign.repeats.loc[[far]].assign(second_look=True)
    repeats = campaign.repeats.copy()
    repeats.loc[far, "average_fps"] *= 0.9
    attempts = pd.concat([campaign.attempts, look], ignore_index=True)
    return dataclasses.replace(campaign, repeats=repeats, remeasurements=look, attempts=attempts), campaign


def test_a_campaign_without_remeasurements_says_nothing_of_them(small_campaign):
    campaign = read_campaign(small_campaign)
    assert campaign.remeasurements.empty
    analysis = analyse(campaign.repeats, AnalysisSettings.from_plan(campaign.plan))
    section = remeasurement_section(campaign, analysis, Names(campaign))
    assert [*section.tables, *section.closing_tables, *section.paragraphs] == []


def test_both_values_are_shown_with_what_the_second_says_and_the_result_with_and_without_it(small_campaign):
    campaign, plain = looked_at(small_campaign)
    settings = AnalysisSettings.from_plan(campaign.plan)
    section = remeasurement_section(campaign, analyse(campaign.repeats, settings), Names(campaign))
    (row,) = section.tables[0].rows
    assert row.cells[-1].text == "with the others: it happened once"
    assert "−" in row.cells[4].range
    measured, second = (
        {(entry[0].text, entry[1].text, entry[2].text): entry[column].text for entry in rows}
        for rows in [[r.cells for r in section.closing_tables[0].rows]]
        for column in (3, 4)
    )
    assert measured != second
    undisturbed = remeasurement_section(
        dataclasses.replace(plain, remeasurements=campaign.remeasurements),
        analyse(plain.repeats, settings),
        Names(plain),
    )
    assert second == {
        (e[0].text, e[1].text, e[2].text): e[3].text
        for e in (r.cells for r in undisturbed.closing_tables[0].rows)
    }


def test_the_methods_paragraph_counts_remeasurements_apart(small_campaign):
    campaign, plain = looked_at(small_campaign)
    said = methods(campaign, Names(campaign), "1.0")
    rest = len(plain.attempts) - len(plain.repeats)
    assert f"{len(plain.attempts) + 1} attempts were made: {len(plain.repeats)} count as repeats, " in said
    assert f"1 is a re-measurement and {rest} do" in said
    assert "re-measurement" not in methods(plain, Names(plain), "1.0")
