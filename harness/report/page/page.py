"""The page: what it says, in which order, and the template that lays it out.

The page carries ``Content-Security-Policy: default-src 'none'``: nothing can leave the machine even if it
tried.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import jinja2
from markupsafe import Markup

from harness.analysis import Analysis
from harness.report.charts import figures, style, svg
from harness.report.charts.chart import Chart
from harness.report.charts.data_table import data_table
from harness.report.conditions import rules_in_words
from harness.report.elements import Fold, Named, Paste, Picture, Section, Table, View
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.page.glance import glance
from harness.report.page.paste import summary_of
from harness.report.sections import attempts, details, rig, summary, words
from harness.report.sections.drift import drift_section
from harness.report.sections.remeasurement import remeasurement_section
from harness.report.sections.screens import screens_section

_POINTS_SHOWN = 400


def picture(chart: Chart, title: str = "", form: Mapping[str, Any] | None = None) -> Picture:
    """A chart with its drawing, the table behind it, and its interactive form where it has one."""
    return Picture(
        id=chart.id,
        heading=chart.heading,
        caption=chart.caption,
        alt=chart.alt,
        svg=svg.page_svg(chart),
        title=title,
        interactive=chart.id if form else "",
        repeats=sorted({trace["repeat"] for trace in form.get("traces", ())}) if form else (),
        table=data_table(chart.id, chart.heading, chart.data) if len(chart.data) <= _POINTS_SHOWN else None,
        by_title=bool(title) or "title" in chart.data,
    )


def view_of(
    campaign: Campaign,
    analysis: Analysis,
    names: Names,
    overview: Sequence[Chart],
    by_title: Sequence[tuple[tuple[str, str], Sequence[Chart]]],
    by_frame_rate: Table | None,
    forms: Mapping[str, Any],
    methods: str = "",
    version: str = "",
) -> View:
    """Everything that the page says."""
    by_id = {chart.id: chart for chart in overview}

    def shown(*ids: str) -> list[Picture]:
        return [picture(by_id[i], form=forms.get(i)) for i in ids if i in by_id]

    plan = campaign.plan
    quantity = str(next(iter(campaign.repeats["temperature_quantity"].dropna()), "")) or "temperature"
    rejected = attempts.rejected_table(campaign, names)
    marked = attempts.marked_table(campaign, names)
    conditions = summary.conditions_table(campaign, names)
    unstable = summary.unstable(analysis)
    counted = len(campaign.counted)
    sections = [
        Section(
            "result",
            "Every metric, over all titles",
            over_all_titles=True,
            tables=[summary.overall_table(analysis, names)] if len(analysis.overall) else [],
            bullets=[*summary.unrestored(campaign), *analysis.warnings, *details.leaning(analysis, names)],
        ),
        Section(
            "by-title",
            "Title by title",
            charts=shown("comparison"),
            closing_tables=_present(
                summary.comparison_table(analysis, names) if len(analysis.comparisons) else None,
                details.wider_table(analysis, names),
            ),
        ),
        Section(
            "levels-section",
            "Average FPS and 1 % low",
            charts=shown("levels"),
            closing_tables=[summary.levels_table(analysis, names)] if len(analysis.cells) else [],
        ),
        Section(
            "efficiency-section",
            "Speed against power",
            charts=shown("efficiency", "power", "fps-per-watt"),
            closing_tables=_present(details.efficiency_table(analysis, names))
            if "efficiency" in by_id
            else [],
        ),
        Section("heat-and-noise", "Temperature and noise", charts=shown("temperature", "noise")),
        Section(
            "inside",
            "Inside each title",
            folds=[
                Fold(
                    names.row(title, setting),
                    title,
                    [picture(chart, title, forms.get(chart.id)) for chart in charts],
                )
                for (title, setting), charts in by_title
            ],
            closing_tables=_present(by_frame_rate),
        ),
        drift_section(campaign, analysis, names, shown("drift")),
        remeasurement_section(campaign, analysis, names),
        Section(
            "conditions",
            "Conditions held",
            over_all_titles=True,
            paragraphs=[
                " ".join(
                    f"{stage.word.capitalize()}: {said}."
                    for stage, said in rules_in_words(plan, names, quantity)
                ),
                *(
                    ["This rig has no temperature to hold conditions on; rules on one went by time."]
                    if campaign.repeats["temperature_quantity"].isna().all() and counted
                    else []
                ),
            ],
            tables=[conditions] if conditions else [],
            charts=shown("start-conditions"),
        ),
        Section(
            "attempts",
            "Attempts that do not count",
            over_all_titles=True,
            paragraphs=[attempts.account(campaign)],
            bullets=attempts.coverage(campaign, names),
            tables=[rejected] if rejected else [],
            closing_tables=[marked] if marked else [],
        ),
        screens_section(campaign, names),
        Section(
            "unstable",
            "Unstable profiles",
            over_all_titles=True,
            paragraphs=["Set aside by the plan's rule after crashes of the title or the machine."]
            if unstable
            else [],
            bullets=unstable,
        ),
        Section(
            "rig",
            "Rig and profiles",
            tables=[rig.profiles_table(campaign, names), rig.rig_table(campaign)],
            texts=[("The plan, as it was run", campaign.plan_text)],
        ),
        Section(
            "definitions",
            "Definitions and uncertainty",
            definitions=words.definitions(plan),
            paragraphs=[*words.uncertainty(plan), *details.instruments_said(analysis)],
            closing_tables=_present(
                details.scatter_table(analysis, names), details.instruments_table(analysis, names)
            ),
        ),
        Section("cautions", "Cautions", bullets=list(words.CAUTIONS)),
        Section(
            "methods",
            "Methods, ready to paste",
            pastes=[Paste("methods-text", "Copy this paragraph", methods, shown=True)] if methods else [],
        ),
        Section("sources", "Where each number comes from", paragraphs=words.SOURCES),
    ]
    first = glance(campaign, analysis, names, figures.looks_of(campaign))
    return View(
        name=campaign.name,
        overline=" · ".join([campaign.name, *summary.measured_on(campaign), summary.night(campaign)]),
        question=plan.plan.question,
        answer=analysis.answer,
        simulated=campaign.simulated,
        source=f"campaign {campaign.campaign_id}, plan {campaign.plan_sha256[:12]}",
        titles=[
            Named(t.name, names[t.name]) for t in plan.titles if (campaign.repeats["title"] == t.name).any()
        ],
        profiles=[
            Named(p, names[p]) for p in figures.looks_of(campaign) if (campaign.repeats["profile"] == p).any()
        ],
        sections=[s for s in sections if _says_something(s)],
        glance=first,
        pastes=summary_of(campaign, analysis, first, version).pastes(),
    )


def source_line(campaign: Campaign, version: str) -> str:
    """What stands at the foot of a picture: card, driver, night, program."""
    simulated = ["SIMULATED"] if campaign.simulated else []
    parts = [*simulated, *summary.measured_on(campaign), summary.night(campaign), f"levelrig {version}"]
    return " · ".join(parts)


def _present(*tables: Table | None) -> list[Table]:
    return [table for table in tables if table is not None]


def _says_something(section: Section) -> bool:
    return any(
        (
            section.paragraphs, section.tables, section.charts, section.bullets, section.definitions,
            section.closing_tables, section.texts, section.pastes, section.folds, section.shots,
        )
    )  # fmt: skip


def render(view: View, looks: Mapping[str, style.ProfileLook], bundle: str = "", data: str = "") -> str:
    """The page as one HTML text."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("harness.report.page.page", "templates"),
        autoescape=True,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["tied"] = _tied
    widths = {t.needs_rem for t in _tables(view)}
    stacked = sorted(widths | ({view.glance.needs_rem} if view.glance else set()))
    css = environment.get_template("report.css").render().replace("FONT_STACK", style.FONT_STACK)
    return environment.get_template("report.html.j2").render(
        view=view,
        stacked=stacked,
        looks=looks,
        light=Markup(style.css_variables(dark=False)),
        dark=Markup(style.css_variables(dark=True)),
        css=Markup(css),
        version=tool_version(),
        bundle=Markup(bundle),
        data=Markup(data),
        licences=environment.get_template("licences.txt").render() if bundle else "",
        script=Markup(environment.get_template("report.js").render()),
    )


def _tables(view: View) -> Iterator[Table]:
    """Every table of the page."""
    for section in view.sections:
        yield from section.tables
        yield from section.closing_tables
        for chart in (*section.charts, *(chart for fold in section.folds for chart in fold.charts)):
            if chart.table is not None:
                yield chart.table
    if view.glance is not None and view.glance.table is not None:
        yield view.glance.table


def _tied(text: str) -> str:
    """A number is not split from its unit at the end of a line."""
    return re.sub(r"(?<=\d) (?=[%°A-Za-z])", "\N{NO-BREAK SPACE}", text)


def tool_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("levelrig")
    except PackageNotFoundError:
        return "unknown"
