"""The result to paste into an article or a post: a paragraph, a table as Markdown and HTML, and as a picture.

All of it is what the first screen shows, in the same words; the caution for the one card goes along. Pure.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import pandas as pd
from markupsafe import escape
from matplotlib.figure import FigureBase

from harness.analysis import Analysis
from harness.numerals import at_start, counted
from harness.report.charts import style as look
from harness.report.charts.chart import Chart, is_upright, width_pt
from harness.report.charts.lettering import fitted
from harness.report.elements import NOTHING, Figure, Glance, Paste
from harness.report.folder import Campaign
from harness.report.sections.summary import measured_on, night
from harness.report.sections.words import CAUTIONS

COLUMNS = ("Profile", "Metric", "Before and after", "Change", "Interval", "Verdict")
#: Left edges of the picture's columns, as a share of its width: metric, levels, change, verdict.
_EDGES = (0.0, 0.38, 0.63, 0.84)
_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~])")


@dataclass(frozen=True)
class Summary:
    """The result in short.

    Attributes:
        sentences: The paragraph: answer, what went wrong, what was measured, the caution.
        rows: Texts in the order of :data:`COLUMNS`.
        notes: What the table's numbers are.
    """

    sentences: Sequence[str]
    rows: Sequence[tuple[str, ...]]
    notes: Sequence[str]

    @property
    def paragraph(self) -> str:
        """One paragraph of plain text."""
        return " ".join(self.sentences)

    def markdown(self) -> str:
        """Paragraph and table in Markdown with pipes."""
        lines = [_marked(self.paragraph), ""]
        if self.rows:
            lines += ["| " + " | ".join(COLUMNS) + " |", "|" + " --- |" * len(COLUMNS)]
            lines += ["| " + " | ".join(_marked(cell) for cell in row) + " |" for row in self.rows]
            lines += ["", _marked(" ".join(self.notes))]
        return "\n".join(lines).rstrip() + "\n"

    def html(self) -> str:
        """The same as an HTML fragment without any look of its own."""
        if not self.rows:
            return f"<p>{escape(self.paragraph)}</p>\n"
        head = "".join(f"<th>{escape(name)}</th>" for name in COLUMNS)
        body = "\n".join(
            "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in self.rows
        )
        return (
            f"<p>{escape(self.paragraph)}</p>\n<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n"
            f"</tbody>\n</table>\n<p>{escape(' '.join(self.notes))}</p>\n"
        )

    def pastes(self) -> list[Paste]:
        """The page's buttons."""
        made = [Paste("summary-text", "Copy the summary", self.paragraph)]
        if self.rows:
            made.append(Paste("summary-table", "Copy summary and table", self.markdown(), html=self.html()))
        return made


def summary_of(campaign: Campaign, analysis: Analysis, glance: Glance, version: str) -> Summary:
    """The summary of what the first screen shows."""
    rows = [
        (one.label, _metric(figure), *_told(figure))
        for one in glance.profiles
        for figure in one.figures
        if figure is not None
    ]
    wrong = [f"Under {one.label}: {', '.join(one.wrong)}." for one in glance.profiles if one.wrong]
    told = [
        *(["A rehearsal on a simulated rig; nothing was measured."] if campaign.simulated else []),
        f"{analysis.answer.rstrip('.')}.",
        *wrong,
        _measured(campaign, version),
        CAUTIONS[0],
    ]
    return Summary(told, rows, [note.replace(" interval in brackets", " interval") for note in glance.notes])


def _metric(figure: Figure) -> str:
    remark = f" ({figure.remark})" if figure.remark else ""
    return f"{at_start(figure.label)}{remark}"


def _told(figure: Figure) -> tuple[str, str, str, str]:
    levels = f"{figure.before} → {figure.after} {figure.unit}".rstrip() if figure.before else NOTHING
    verdict = f"{figure.sign} {figure.verdict}".strip()
    return levels, f"{figure.arrow} {figure.change}".strip(), figure.interval.strip("()"), verdict


def _measured(campaign: Campaign, version: str) -> str:
    titles = campaign.counted["title"].nunique()
    many = f"{counted(len(campaign.counted), 'repeat')} of {counted(int(titles), 'title')}"
    rig = measured_on(campaign)
    on = [f"on {rig[0]}", *rig[1:]] if rig else []
    return f"Measured: {', '.join([many, *on, night(campaign)])}; levelrig {version}."


def _marked(text: str) -> str:
    """Text that Markdown leaves as it is."""
    return _MARKDOWN.sub(r"\\\1", " ".join(text.split()))


def summary_chart(summary: Summary, reference: str) -> Chart | None:
    """The table as a picture, a still for each profile where they are several; None without figures."""
    if not summary.rows:
        return None
    frame = pd.DataFrame(summary.rows, columns=[name.lower().replace(" ", "_") for name in COLUMNS])
    caption = f"Against {reference}. {CAUTIONS[0].split('. ')[0]}."
    profiles = list(dict.fromkeys(frame["profile"]))

    def made(name: str, heading: str, rows: pd.DataFrame, *, grouped: bool) -> Chart:
        high = len(rows) + (1.4 * rows["profile"].nunique() if grouped else 0)
        return Chart(
            name, heading, caption, summary.sentences[0], rows, _table(rows, grouped), 0.4 + 0.38 * high
        )

    whole = made("summary", "What the profiles change", frame, grouped=True)
    if len(profiles) == 1:
        return made("summary", f"What {profiles[0]} changes", frame, grouped=False)
    stills = [
        made(
            f"summary-{i}-of-{len(profiles)}", f"What {profile} changes",
            frame[frame["profile"] == profile].reset_index(drop=True), grouped=False,
        )
        for i, profile in enumerate(profiles, start=1)
    ]  # fmt: skip
    return replace(whole, stills=stills)


def _table(rows: pd.DataFrame, grouped: bool) -> Callable[[FigureBase, float], None]:
    def draw(figure: FigureBase, scale: float) -> None:
        ax = figure.subplots()
        ax.set_axis_off()
        upright = is_upright(figure)
        at, last = 0.0, None
        for profile, *cells in rows.itertuples(index=False, name=None):
            if grouped and profile != last:
                at += 0.4 if last is not None else 0.0
                ax.text(0, at, str(profile), weight="bold", va="center")
                at += 1
            last = profile
            ax.axhline(at - 0.5, color=look.RULE.now, lw=0.6 * scale)
            metric, levels, change, interval, verdict = (str(cell) for cell in cells)
            size = 9.5 * scale
            metric = fitted(metric, (0.5 if upright else 0.34) * width_pt(figure), size, 2)
            if upright:
                ax.text(0, at, metric, va="center", weight="bold")
                ax.text(1, at, verdict, va="center", ha="right", fontsize=9 * scale)
                ax.text(0, at + 0.8, levels, va="center", fontsize=9 * scale)
                ax.text(1, at + 0.8, f"{change} ({interval})", va="center", ha="right", fontsize=9 * scale)
                at += 1.9
                continue
            for edge, text in zip(_EDGES, (metric, levels, "", verdict), strict=True):
                ax.text(edge, at, text, va="center", fontsize=size if edge == 0 else 9 * scale)
            ax.text(_EDGES[2], at - 0.22, change, va="center", fontsize=9 * scale, weight="bold")
            ax.text(_EDGES[2], at + 0.22, interval, va="center", fontsize=9 * scale)
            at += 1
        ax.set_ylim(at - 0.4, -0.6)
        ax.set_xlim(0, 1)
        for said in ax.texts:
            said.set_in_layout(False)

    return draw
