"""What follows a run: analyse the accepted repeats, write the report, print table and answer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from rich.console import Console
from rich.text import Text

from harness.analysis import Analysis, AnalysisSettings, analyse
from harness.report import ReportFiles, write_report
from harness.report.folder import read_campaign
from harness.terminal import print_table

#: Metrics of the closing table, in this order, those that were measured.
_CLOSING = ("average_fps", "one_percent_low_fps", "score", "mean_power_w", "fps_per_w", "end_core_temp_c")
#: Ratios from here on say only that the interval is useless.
_HUGE = 11


@dataclass(frozen=True)
class Conclusion:
    """An analysis and the files of its report."""

    folder: Path
    analysis: Analysis
    files: ReportFiles

    def as_json(self) -> dict[str, Any]:
        """For ``--json``."""
        return {
            "answer": self.analysis.answer,
            "warnings": list(self.analysis.warnings),
            "cells": _records(self.analysis.cells),
            "comparisons": _records(self.analysis.comparisons),
            "overall": _records(self.analysis.overall),
            "report": str(self.files.page),
        }

    def print(self, out: Console, ended: str | None = None) -> None:
        """The closing summary."""
        out.print()
        table = closing_rows(self.analysis)
        if table:
            print_table(
                out, "", ["title", "profile", "metric", "measured", "against reference", "decision"], table
            )
            out.print()
        for warning in self.analysis.warnings:
            out.print(Text(f"note: {warning}", style="yellow"))
        if ended is not None:
            out.print(Text(f"ended: {ended}"))
        out.print(Text(self.analysis.answer, style="bold"))
        out.print(Text(f"report: {self.files.page}"))


def conclude(folder: Path, *, charts: bool = False) -> Conclusion:
    """Analyse a campaign folder's dataset by its own plan and write its report. Raises StoreError."""
    campaign = read_campaign(folder)
    analysis = analyse(campaign.repeats, AnalysisSettings.from_plan(campaign.plan))
    return Conclusion(folder, analysis, write_report(folder, analysis=analysis, charts=charts))


def closing_rows(analysis: Analysis) -> list[list[str]]:
    """One row per title, profile and metric: measured value, ratio with interval, decision."""
    rows: list[list[str]] = []
    against = {
        (row["title"], row["setting"], row["profile"], row["metric"]): row
        for row in _records(analysis.comparisons)
    }
    cells = analysis.cells
    several_settings = cells.groupby("title")["setting"].nunique().max() > 1 if len(cells) else False
    for metric in _CLOSING:
        for cell in _records(cells[cells["metric"] == metric]):
            title = f"{cell['title']} {cell['setting']}" if several_settings else cell["title"]
            claim = against.get((cell["title"], cell["setting"], cell["profile"], metric))
            rows.append(
                [
                    title,
                    cell["profile"],
                    cell["label"],
                    f"{_measured(cell)} {cell['unit']}".strip(),
                    "" if claim is None else _claim(claim),
                    "reference" if claim is None else str(claim["decision"]),
                ]
            )
    return rows


def _measured(cell: dict[str, Any]) -> str:
    """Mean ± half width, both to the half width's second digit."""
    if cell["low"] is None:
        return f"{cell['mean']:.4g}"
    half = (cell["high"] - cell["low"]) / 2
    decimals = 3 if half <= 0 else min(3, max(0, 1 - math.floor(math.log10(half))))
    return f"{cell['mean']:.{decimals}f} ± {half:.{decimals}f}"


def _claim(claim: dict[str, Any]) -> str:
    def shown(value: float) -> str:
        if claim["scale"] == "ratio":
            return f"{(value - 1) * 100:+.1f} %" if value < _HUGE else f"over +{(_HUGE - 1) * 100} %"
        return f"{value:+.1f} {claim['unit']}"

    text = shown(claim["estimate"]).replace("-", "−")
    if claim["low"] is None:
        return text
    return f"{text} ({shown(claim['low'])} to {shown(claim['high'])})".replace("-", "−")


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(key): None if pd.isna(value) else value for key, value in record.items()}
        for record in table.to_dict("records")
    ]
