"""Writes a report: the page, the tables behind it, the data package and the publication charts."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pyarrow as pa

from harness import inside
from harness.analysis import incidents
from harness.analysis.analyse import Analysis, analyse
from harness.analysis.efficiency import EFFICIENCY_COLUMNS
from harness.analysis.tables import (
    CELL_COLUMNS,
    COMPARISON_COLUMNS,
    OVERALL_COLUMNS,
    SENSITIVITY_COLUMNS,
)
from harness.analysis.uncertainty import UNCERTAINTY_COLUMNS
from harness.analysis.variance import VARIANCE_COLUMNS
from harness.columns import schema_of
from harness.csvtext import csv_text
from harness.errors import HarnessError, ReportError, ReportMissing
from harness.report import numbers
from harness.report.charts import figures, interactive, publish, script_library, style, title_figures
from harness.report.charts.chart import Chart
from harness.report.charts.film import films
from harness.report.charts.interactive_forms import buckets_per_trace, overview_forms, page_data, title_forms
from harness.report.charts.publish import Pictures, Published
from harness.report.compare import campaigns
from harness.report.compare import charts as compare_charts
from harness.report.elements import records
from harness.report.files import make_target, write_parquet, write_text
from harness.report.folder import Campaign, read_campaign
from harness.report.names import Names
from harness.report.package import metadata
from harness.report.page import page
from harness.report.page.paste import summary_chart, summary_of
from harness.report.sections.by_frame_rate import Seconds, frame_rate_table
from harness.report.sections.methods import methods

#: Files that belong to the data package besides ``attempts``, ``dataset`` and ``report``.
_PACKAGED = ("plan.toml", "rig.json", "log.jsonl", "CITATION.cff")


@dataclass(frozen=True)
class ReportFiles:
    """What was written.

    Attributes:
        page: The HTML page.
        tables: CSV and Parquet files of the analysis.
        charts: Publication charts and their data; empty where they were not asked for.
        damage: What of the campaign could not be read and what that costs, a sentence each.
        package: Data package, RO-Crate metadata, citation file and the numbers with their sources.
    """

    page: Path
    tables: tuple[Path, ...] = field(default=())
    charts: tuple[Published, ...] = field(default=())
    package: tuple[Path, ...] = field(default=())
    damage: tuple[str, ...] = field(default=())


def write_report(
    folder: Path | Sequence[Path],
    *,
    analysis: Analysis | None = None,
    charts: Pictures | None = None,
    into: Path | None = None,
) -> ReportFiles:
    """Write the report of one campaign folder, or the comparison of several.

    Args:
        folder: A campaign folder with its ``dataset/``; or several, the first of which is the base.
        analysis: The analysis to report; None to analyse by the plan. One campaign only.
        charts: Also write every chart as PNG and SVG in the publication sizes, each with its data as CSV
            (a second or two a chart), in these themes.
        into: Where to write; None for ``report/`` in the campaign folder, or for ``comparison/`` beside the
            first of several.
    Raises:
        StoreError: A folder can't be read.
        ReportError: No folder was given.
        ReportMissing: The report can't be written: a read-only folder, or a full disk.
    """
    folders = [folder] if isinstance(folder, Path) else list(folder)
    if not folders:
        raise ReportError("no campaign folder given; name at least one")
    try:
        if len(folders) > 1:
            return _write_comparison(folders, charts, into or folders[0].parent / "comparison")
        campaign = read_campaign(folders[0])
        if analysis is None:
            analysis = analyse(campaign.repeats, campaign.settings, campaign.attempts, campaign.courses)
        with style.lettered(publish.texts_of([campaign])) as without:
            files = _write_campaign(campaign, analysis, charts, into or campaign.folder / "report")
        return _told(files, without)
    except HarnessError:
        raise
    except OSError as error:
        where = error.filename or folders[0]
        raise ReportMissing(
            f"{where}: the report can't be written ({error.strerror or error}); the measurements are "
            "untouched. Free some space or make the folder writable, then run `levelrig report` on it"
        ) from error


def _told(files: ReportFiles, without: str) -> ReportFiles:
    """With a note where letters are missing in the pictures; the page is written by the reader's fonts."""
    if not files.charts or not without:
        return files
    note = (
        f"the pictures show a box for each of these letters, which no font of this machine has: {without}. "
        "Install a font for them and write the pictures again; the page needs none"
    )
    return dataclasses.replace(files, damage=(*files.damage, note))


def _write_campaign(
    campaign: Campaign, analysis: Analysis, pictures: Pictures | None, target: Path
) -> ReportFiles:
    make_target(campaign.folder, target)
    make_target(campaign.folder, campaign.folder / "dataset")
    version = page.tool_version()
    names = Names(campaign)
    looks = figures.looks_of(campaign)
    enc = interactive.Encodings(looks, {profile: names[profile] for profile in looks})
    captions = campaign.plan.report.captions

    overview = [figures.captioned(c, captions) for c in figures.summary_charts(campaign, analysis, names)]
    forms = overview_forms(campaign, overview, enc)
    by_title: list[tuple[tuple[str, str], list[Chart]]] = []
    seconds: list[Seconds] = []
    frame_times: list[tuple[str, pd.DataFrame]] = []
    for title, setting in measured_titles(campaign):
        traces = title_figures.collect_traces(
            campaign, title, setting, buckets_per_trace(len(campaign.counted))
        )
        made = [figures.captioned(c, captions) for c in title_figures.title_charts(campaign, traces, names)]
        forms |= title_forms(traces, made, enc)
        by_title.append(((title, setting), made))
        seconds.append((title, setting, traces.seconds))
        frame_times.append((f"{title}-{setting}", traces.frames.assign(row_label=names.row(title, setting))))

    bundle = script_library.bundle()
    incident = incidents.sentence(analysis.crashes, analysis.set_aside, analysis.account, analysis.settings)
    text = methods(campaign, names, version, incident)
    told = dataclasses.replace(analysis, warnings=(*analysis.warnings, *campaign.damage))
    split = frame_rate_table(seconds, campaign.plan.plan.reference, names)
    view = page.view_of(
        campaign, told, names, overview, by_title, split, forms if bundle else {}, text, version
    )
    labels = {p: names[p] for p in (*looks, *(t.name for t in campaign.plan.titles))}
    data = page_data(forms, labels, overview) if bundle else ""
    page_path = target / "index.html"
    write_text(page_path, page.render(view, looks, bundle, data))
    write_text(target / "methods.txt", text + "\n")
    tables = write_tables(campaign.folder / "dataset", analysis)
    listed = target / numbers.NUMBERS_NAME
    write_text(listed, _json(numbers.numbers_of(campaign, analysis, version)))
    drawn: list[Published] = []
    if pictures is not None:
        spec = campaign.plan.report
        source = page.source_line(campaign, version)
        short = summary_of(campaign, analysis, view.glance, version) if view.glance else None
        pasted = summary_chart(short, view.glance.reference) if short and view.glance else None
        every = [
            *([pasted] if pasted else []),
            *overview,
            *(chart for _, charts in by_title for chart in charts),
        ]
        drawn = publish.publish(every, target / "charts", pictures, spec, source)
        if pictures.film:
            drawn += films(frame_times, target / "charts", pictures.dresses(spec, source), looks, names)
        publish.write_list(target / "charts", drawn)
    return ReportFiles(
        page_path, tables, tuple(drawn), (listed, *_write_package(campaign, version)), campaign.damage
    )


def _write_comparison(folders: Sequence[Path], pictures: Pictures | None, target: Path) -> ReportFiles:
    several = campaigns.Several.of([read_campaign(folder) for folder in folders])
    with style.lettered(publish.texts_of(several.campaigns)) as without:
        return _told(_comparison(folders, several, pictures, target), without)


def _comparison(
    folders: Sequence[Path], several: campaigns.Several, pictures: Pictures | None, target: Path
) -> ReportFiles:
    names = campaigns.CampaignNames(several)
    analysis = several.analysis(names)
    version = page.tool_version()
    looks = several.looks()
    enc = interactive.Encodings(looks, {profile: names[profile] for profile in looks})
    made = compare_charts.charts_of(several, analysis, names)
    bundle = script_library.bundle()
    forms = compare_charts.forms(several, made, enc) if bundle else {}
    make_target(folders[0].parent, target)
    page_path = target / "index.html"
    view = campaigns.view_of(several, analysis, names, made, forms, version)
    data = page_data(forms, names.labels, made) if bundle else ""
    write_text(page_path, page.render(view, looks, bundle, data))
    tables = write_tables(target, analysis)
    drawn: list[Published] = []
    if pictures is not None:
        spec = several.campaigns[0].plan.report
        simulated = "SIMULATED · " if view.simulated else ""
        source = f"{simulated}{view.name} · levelrig {version}"
        drawn = publish.publish(made, target / "charts", pictures, spec, source)
        publish.write_list(target / "charts", drawn)
    damage = tuple(text for campaign in several.campaigns for text in campaign.damage)
    return ReportFiles(page_path, tables, tuple(drawn), damage=damage)


def measured_titles(campaign: Campaign) -> list[tuple[str, str]]:
    """Title and setting of every accepted repeat, in the plan's order."""
    present = {(str(r["title"]), str(r["setting"])) for r in records(campaign.counted[["title", "setting"]])}
    planned = [(t.name, s.name) for t in campaign.plan.titles for s in t.settings]
    return [key for key in planned if key in present] + sorted(present - set(planned))


def write_tables(target: Path, analysis: Analysis) -> tuple[Path, ...]:
    """The tables of the analysis as CSV and Parquet."""
    written = []
    for name, frame, columns in (
        ("cells", analysis.cells, CELL_COLUMNS),
        ("comparisons", analysis.comparisons, COMPARISON_COLUMNS),
        ("overall", analysis.overall, OVERALL_COLUMNS),
        ("sensitivity", analysis.sensitivity, SENSITIVITY_COLUMNS),
        ("efficiency", analysis.efficiency, EFFICIENCY_COLUMNS),
        ("variance", analysis.variance, VARIANCE_COLUMNS),
        ("instruments", analysis.instruments, UNCERTAINTY_COLUMNS),
    ):
        csv, parquet = target / f"{name}.csv", target / f"{name}.parquet"
        write_text(csv, csv_text(frame))
        write_parquet(parquet, pa.Table.from_pandas(frame, schema=schema_of(columns), preserve_index=False))
        written += [csv, parquet]
    return tuple(written)


def _write_package(campaign: Campaign, version: str) -> tuple[Path, ...]:
    folder = campaign.folder
    citation = folder / "CITATION.cff"
    write_text(citation, metadata.citation(campaign, version))
    dataset = list(_packaged(campaign, inside.children(folder, folder / "dataset"), folder / "dataset"))
    data_package = folder / "dataset" / "datapackage.json"
    write_text(data_package, _json(metadata.data_package(campaign, dataset, version)))
    paths = [folder / name for name in _PACKAGED]
    for part in ("attempts", "dataset", "report"):
        paths += inside.files_below(folder, folder / part)
    crate = folder / "ro-crate-metadata.json"
    write_text(crate, _json(metadata.ro_crate(campaign, list(_packaged(campaign, paths, folder)), version)))
    return data_package, crate, citation


def _packaged(campaign: Campaign, paths: Sequence[Path], base: Path) -> Iterator[metadata.PackagedFile]:
    """Files with size and hash; artifacts of attempts take their hash from the manifest."""
    for path in paths:
        if inside.is_file(campaign.folder, path) and not path.name.endswith(".part"):
            listed = campaign.hashes.get(path.relative_to(campaign.folder).as_posix())
            fixed = listed if path.is_relative_to(campaign.folder / "attempts") else None
            digest = fixed or campaign.sha256_of(path)[0]
            size_bytes = inside.size_bytes(campaign.folder, path)
            yield metadata.PackagedFile(path.relative_to(base).as_posix(), size_bytes, digest)


def _json(value: object) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
