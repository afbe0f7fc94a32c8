"""The summary of a campaign folder: made from its tables, written as files where that is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.analysis.analyse import analyse
from harness.report.charts import figures, publish, style
from harness.report.files import make_target, write_text
from harness.report.folder import read_campaign
from harness.report.names import Names
from harness.report.page.glance import glance
from harness.report.page.page import source_line, tool_version
from harness.report.page.paste import Summary, summary_chart, summary_of


@dataclass(frozen=True)
class Summarised:
    """A summary, and the files that it was written to."""

    summary: Summary
    files: tuple[Path, ...]


def summarise(folder: Path, into: Path | None = None) -> Summarised:
    """Summarise a campaign; with ``into`` write ``summary.txt``, ``.md``, ``.html`` and pictures there.

    Raises:
        StoreError: The folder can't be read, or the other not be written.
    """
    campaign = read_campaign(folder)
    analysis = analyse(campaign.repeats, campaign.settings, campaign.attempts, campaign.courses)
    names = Names(campaign)
    version = tool_version()
    first = glance(campaign, analysis, names, figures.looks_of(campaign))
    summary = summary_of(campaign, analysis, first, version)
    if into is None:
        return Summarised(summary, ())
    make_target(into, into)
    texts = {"txt": summary.paragraph + "\n", "md": summary.markdown(), "html": summary.html()}
    files = []
    for suffix, text in texts.items():
        files.append(into / f"summary.{suffix}")
        write_text(files[-1], text)
    chart = summary_chart(summary, first.reference)
    if chart is not None:
        spec = campaign.plan.report
        dress = publish.Dress(spec.theme == "dark", spec.credit, source_line(campaign, version))
        with style.lettered(publish.texts_of([campaign])):
            files += publish.publish_chart(chart, into, publish.formats(spec.article_width_px), dress)
    return Summarised(summary, tuple(files))
