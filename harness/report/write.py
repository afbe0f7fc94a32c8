"""Writes the report of a campaign folder."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from harness.analysis import Analysis, AnalysisSettings, analyse
from harness.analysis.tables import CELL_COLUMNS, COMPARISON_COLUMNS, OVERALL_COLUMNS
from harness.report import figures, interactive, page
from harness.report.folder import Campaign, read_campaign
from harness.report.forms import buckets_per_trace, overview_forms, page_data, title_forms
from harness.report.summary import Names
from harness.report.view import records
from harness.tables import schema_of


@dataclass(frozen=True)
class ReportFiles:
    """What was written.

    Attributes:
        page: The HTML page.
        tables: CSV and Parquet files of the analysis.
    """

    page: Path
    tables: tuple[Path, ...] = field(default=())


def write_report(folder: Path, *, analysis: Analysis | None = None) -> ReportFiles:
    """Write ``report/`` of a campaign folder: the page and the tables behind it.

    Args:
        folder: A campaign folder with its ``dataset/``.
        analysis: The analysis to report; None to analyse the folder's repeats by its plan.
    Raises:
        StoreError: The folder can't be read.
    """
    campaign = read_campaign(folder)
    if analysis is None:
        analysis = analyse(campaign.repeats, AnalysisSettings.from_plan(campaign.plan))
    target = folder / "report"
    target.mkdir(exist_ok=True)
    names = Names(campaign)
    overview = figures.summary_charts(campaign, analysis, names)
    looks = figures.looks_of(campaign)
    enc = interactive.Encodings(looks, {profile: names[profile] for profile in looks})
    forms = overview_forms(campaign, overview, enc)
    by_title = []
    for title, setting in measured_titles(campaign):
        traces = figures.collect_traces(campaign, title, setting, buckets_per_trace(len(campaign.repeats)))
        charts = figures.title_charts(campaign, traces, names)
        forms |= title_forms(traces, charts, enc)
        by_title.append((title, charts))
    bundle = interactive.bundle()
    view = page.view_of(campaign, analysis, names, overview, by_title, forms if bundle else {})
    data = page_data(forms, names, campaign, overview) if bundle else ""
    html = page.render(view, looks, bundle, data)
    page_path = target / "index.html"
    write_text(page_path, html)
    return ReportFiles(page_path, write_tables(target, analysis))


def measured_titles(campaign: Campaign) -> list[tuple[str, str]]:
    """Title and setting of every accepted repeat, in the plan's order."""
    present = {(str(r["title"]), str(r["setting"])) for r in records(campaign.repeats[["title", "setting"]])}
    planned = [(t.name, s.name) for t in campaign.plan.titles for s in t.settings]
    return [key for key in planned if key in present] + sorted(present - set(planned))


def write_tables(target: Path, analysis: Analysis) -> tuple[Path, ...]:
    """The tables of the analysis as CSV and Parquet."""
    written = []
    for name, frame, columns in (
        ("cells", analysis.cells, CELL_COLUMNS),
        ("comparisons", analysis.comparisons, COMPARISON_COLUMNS),
        ("overall", analysis.overall, OVERALL_COLUMNS),
    ):
        csv = target / f"{name}.csv"
        write_text(csv, frame.to_csv(index=False, lineterminator="\n"))
        parquet = target / f"{name}.parquet"
        table = pa.Table.from_pandas(frame, schema=schema_of(columns), preserve_index=False)
        write_parquet(parquet, table)
        written += [csv, parquet]
    return tuple(written)


def write_parquet(path: Path, table: pa.Table) -> None:
    """Write a table whole or not at all."""
    part = path.with_name(path.name + ".part")
    pq.write_table(table, part)
    part.replace(path)


def write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        Path(part).chmod(0o644)
        Path(part).replace(path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise


def read_tables(folder: Path) -> dict[str, pd.DataFrame]:
    """The tables of an earlier report, by name; those that are missing are left out."""
    found = {name: folder / "report" / f"{name}.parquet" for name in ("cells", "comparisons", "overall")}
    return {name: pq.read_table(path).to_pandas() for name, path in found.items() if path.is_file()}
