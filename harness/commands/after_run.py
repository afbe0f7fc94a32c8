"""What follows a run: analyse the accepted repeats, write the report, print table and answer."""

from __future__ import annotations

import argparse
import dataclasses
import math
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from rich.console import Console
from rich.text import Text

from harness.analysis.analyse import Analysis, analyse
from harness.boundary import told
from harness.commands import print_json, records
from harness.commands.rehearsal_summary import print_outlook
from harness.engine.campaign import CampaignResult
from harness.errors import DiskFull, Interrupted, ReportMissing
from harness.frames.notes import NOTE_CODE, note_lines
from harness.metrics import METRICS, ComparedMetric
from harness.numerals import decimals_of, out_of, signed
from harness.plan.hours import Calendar
from harness.rehearse import Outlook
from harness.report import ReportFiles, write_report
from harness.report.charts.publish import Pictures
from harness.report.folder import read_campaign
from harness.terminal import console, print_table

#: Ratios from here on say only that the interval is useless.
_HUGE = 11


@dataclass(frozen=True)
class Conclusion:
    """An analysis, the files of its report, and what was unusual in accepted repeats (a sentence each)."""

    analysis: Analysis
    files: ReportFiles
    marks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "answer": self.analysis.answer,
            "warnings": [*self.analysis.warnings, *self.marks],
            "cells": records(self.analysis.cells),
            "comparisons": records(self.analysis.comparisons),
            "overall": records(self.analysis.overall),
            "report": str(self.files.page),
        }

    def print(self, out: Console, ended: str | None = None) -> None:
        """The closing summary."""
        out.print()
        columns, rows = closing_table(self.analysis)
        if rows:
            reference = self.analysis.settings.reference
            print_table(out, verdict_heading(reference), columns, rows)
            out.print()
        for warning in (*self.analysis.warnings, *self.marks):
            out.print(Text(f"note: {warning}", style="yellow"))
        if ended is not None:
            out.print(Text(f"ended: {ended}"))
        out.print(Text(self.analysis.answer, style="bold"))
        out.print(Text(f"report: {self.files.page}"))


def verdict_heading(reference: str) -> str:
    """Heading of :func:`closing_table`."""
    return f"change against {reference}; a word is a verdict, ? undecided, without either: described only"


def conclude(folder: Path, *, charts: Pictures | None = None) -> Conclusion:
    """Analyse a campaign folder's dataset by its own plan and write its report. Raises StoreError."""
    campaign = read_campaign(folder)
    analysis = analyse(campaign.repeats, campaign.settings, campaign.attempts, campaign.courses)
    files = write_report(folder, analysis=analysis, charts=charts)
    return Conclusion(analysis, files, (*files.damage, *_marks(campaign.counted)))


def _marks(repeats: pd.DataFrame) -> tuple[str, ...]:
    """How many accepted repeats carry which mark."""
    marked = Counter(
        code
        for marks in repeats["marks"]
        for code in {mark.partition(":")[0] for mark in marks} - {NOTE_CODE}
    )
    return tuple(note_lines(repeats.to_dict("records"))) + tuple(
        f"{out_of(count, len(repeats), 'accepted repeat', 'is')} marked {code}; the report has the details"
        for code, count in marked.most_common()
    )


def closing_table(analysis: Analysis) -> tuple[list[str], list[list[str]]]:
    """Columns and rows: for each title and compared profile, and over all titles, every metric's change."""
    claims = records(analysis.comparisons)
    overall = records(analysis.overall)
    measured = {claim["metric"] for claim in claims}
    metrics = [
        metric
        for metric in METRICS.compared()
        if metric.name in measured and metric.name in _closing(measured)
    ]
    metrics.sort(key=lambda metric: not metric.with_interval)
    settings: dict[str, set[str]] = {}
    for claim in claims:
        settings.setdefault(claim["title"], set()).add(claim["setting"])

    def name(claim: dict[str, Any]) -> str:
        several = len(settings[claim["title"]]) > 1
        return f"{claim['title']} {claim['setting']}" if several else str(claim["title"])

    found = {(name(claim), claim["profile"], claim["metric"]): claim for claim in claims}
    if len(settings) > 1:
        found |= {("all titles", claim["profile"], claim["metric"]): claim for claim in overall}
    rows = [
        [title, profile, *(_shown(found.get((title, profile, metric.name)), metric) for metric in metrics)]
        for title, profile in dict.fromkeys((title, profile) for title, profile, _ in found)
    ]
    return ["title", "profile", *(metric.heading for metric in metrics)], rows


def _closing(measured: Collection[str]) -> set[str]:
    """Names of the metrics of the closing table; a temperature or power is the one that the answer tells."""
    found = set()
    for metric in METRICS.shown_in("closing-table"):
        standing = METRICS.standing_for(metric.role) if metric.role in ("power", "temperature") else ()
        found.add(next((m.name for m in standing if m.name in measured), metric.name))
    return found


def _shown(claim: dict[str, Any] | None, metric: ComparedMetric) -> str:
    """A change, with its interval for the main metrics, and what was decided."""
    if claim is None:
        return ""
    text = _change(claim, claim["estimate"])
    main = metric.with_interval
    if main and claim["low"] is not None:
        low, high = (_change(claim, claim[end]).removesuffix(" %") for end in ("low", "high"))
        text += f" ({low} to {high})"
    decision = claim["decision"]
    if decision == "descriptive":
        return text
    if decision == "undecided":
        return f"{text} ?"
    return f"{text} {decision}"


def _change(claim: dict[str, Any], value: float) -> str:
    half = math.nan if claim["low"] is None else (claim["high"] - claim["low"]) / 2
    if claim["scale"] != "ratio":
        return f"{signed(value, decimals_of(half))} {claim['unit']}"
    if value >= _HUGE:
        return f"over +{(_HUGE - 1) * 100} %"
    return f"{signed((value - 1) * 100, decimals_of(100 * half))} %"


def conclude_run(result: CampaignResult) -> Conclusion:
    """Analysis and report; whatever stands in their way, the measurements are safe, and it is said so.

    Raises:
        ReportError: They could not be made.
        Interrupted: Ctrl-C.
    """
    safe = (
        f"{out_of(result.accepted, result.wanted, 'repeat', 'is')} measured and safe in {result.folder} "
        f"(ended: {result.reason})"
    )
    again = f"`levelrig report {result.folder}` writes it"
    try:
        return conclude(result.folder)
    except KeyboardInterrupt:
        raise Interrupted(f"the report was not written; {safe}; {again}") from None
    except Exception as error:
        room = "make room, then " if isinstance(error, OSError | DiskFull) else ""
        missing = ReportMissing(f"the report could not be written ({told(error)}); {safe}; {room}{again}")
        missing.exit_code = result.exit_code or missing.exit_code  # how the night ended matters more
        raise missing from error


def end_run(
    result: CampaignResult,
    arguments: argparse.Namespace,
    seen: Outlook | None = None,
    nights: Calendar | None = None,
) -> int:
    """Conclude a run and print what became of it; returns the exit code."""
    conclusion = conclude_run(result)
    if arguments.json:
        print_json(
            {
                "folder": str(result.folder),
                "exit_code": result.exit_code,
                "reason": result.reason,
                "accepted": result.accepted,
                "wanted": result.wanted,
                "unrestored": result.unrestored,
                **conclusion.as_json(),
                **({} if seen is None else {"outlook": seen.as_json()}),
                **({} if nights is None else {"night": dataclasses.asdict(nights)}),
            }
        )
        return result.exit_code
    conclusion.print(console(), result.reason)
    if seen is not None:
        print_outlook(console(), seen)
    if nights is not None:
        console().print(nights.sentence, markup=False, soft_wrap=True)
    if result.unrestored:
        warning = "THE CARD IS NOT BACK in the state that was found: run `levelrig restore`"
        console().print(Text(warning, style="bold red"))
    return result.exit_code
