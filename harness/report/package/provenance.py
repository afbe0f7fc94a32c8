"""Where each published number comes from: number -> repeats -> artifacts with their hashes -> plan."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from harness import inside
from harness.analysis import Analysis
from harness.boundary import printable
from harness.errors import NoSuchNumber, ReportError
from harness.metrics import METRICS
from harness.report.elements import records
from harness.report.folder import Campaign, read_campaign
from harness.store.soundness import require_campaign

NUMBERS_NAME = "numbers.json"


def numbers_of(campaign: Campaign, analysis: Analysis, version: str) -> dict[str, Any]:
    """Every number of the report's tables with what it rests on, as JSON values."""
    numbers: dict[str, Any] = {}
    reference = analysis.settings.reference
    used = _Used(campaign.counted)
    for row in records(analysis.cells):
        numbers[f"cell/{row['cell_id']}/{row['metric']}"] = {
            "what": f"mean {row['label']} over accepted repeats",
            **_value(row["mean"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "repeats": used.of_cell(row["cell_id"], row["metric"]),
        }
    rests: dict[tuple[str, str], dict[str, list[str]]] = {}
    for row in records(analysis.comparisons):
        place = f"{row['title']}.{row['setting']}"
        cells = (f"{place}.{row['profile']}", f"{place}.{reference}")
        repeats = used.of_change(*cells, row["metric"], paired=bool(row["paired"]))
        rests.setdefault((row["profile"], row["metric"]), {}).update(repeats)
        numbers[f"change/{place}.{row['profile']}/{row['metric']}"] = {
            "what": f"{row['scale']} of {row['label']}, {row['profile']} against {reference}: "
            f"{row['decision']}",
            **_value(row["estimate"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "repeats": repeats,
        }
    for row in records(analysis.overall):
        mean = (
            "geometric mean over titles of the ratio"
            if row["scale"] == "ratio"
            else "mean over titles of the difference"
        )
        numbers[f"overall/{row['profile']}/{row['metric']}"] = {
            "what": f"{mean} of {row['label']}, {row['profile']} against {reference}: {row['decision']}",
            **_value(row["estimate"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "repeats": rests[row["profile"], row["metric"]],
        }
    return {
        "campaign_id": campaign.campaign_id,
        "plan_sha256": campaign.plan_sha256,
        "levelrig": version,
        "confidence_pct": analysis.settings.confidence_pct,
        "cells": _cells(campaign),
        "numbers": numbers,
    }


class _Used:
    """Which accepted repeats a number rests on: those that carry the metric and, in pairs, have a partner."""

    def __init__(self, counted: pd.DataFrame) -> None:
        self._rows: dict[str, list[dict[str, Any]]] = {}
        for row in records(counted):
            self._rows.setdefault(str(row["cell_id"]), []).append(row)

    def of_cell(self, cell_id: str, metric: str) -> dict[str, list[str]]:
        return {cell_id: [name_of(row) for row in self._carrying(cell_id, metric)]}

    def of_change(
        self, cell_id: str, reference_id: str, metric: str, *, paired: bool
    ) -> dict[str, list[str]]:
        ours, theirs = self._carrying(cell_id, metric), self._carrying(reference_id, metric)
        if paired:
            shared = {row["block"] for row in ours} & {row["block"] for row in theirs}
            ours, theirs = ([row for row in rows if row["block"] in shared] for rows in (ours, theirs))
        return {cell_id: [name_of(row) for row in ours], reference_id: [name_of(row) for row in theirs]}

    def _carrying(self, cell_id: str, metric: str) -> list[dict[str, Any]]:
        return [row for row in self._rows.get(cell_id, ()) if value_of(row, metric)[1] is not None]


def name_of(row: Mapping[str, Any]) -> str:
    """``repeat.attempt`` of an attempt's row."""
    return f"{row['repeat_index']}.{row['attempt_index']}"


def value_of(row: Mapping[str, Any], metric: str) -> tuple[str, float | None]:
    """The column that gives a metric of a repeat, and its value there; None where it was not measured.

    Speed is no column: it is the average FPS, or the score of a title that has no frames.
    """
    speeds = (m.name for m in METRICS.standing_for("speed") if m.in_table)
    for name in speeds if metric == "speed" else (metric,):
        value = _finite(row.get(name))
        if value is not None:
            return name, value
    return metric, None


def _value(value: Any, low: Any, high: Any, unit: str) -> dict[str, Any]:
    return {"value": _finite(value), "low": _finite(low), "high": _finite(high), "unit": unit}


def _finite(value: Any) -> float | None:
    return None if value is None or pd.isna(value) or not math.isfinite(value) else float(value)


def _cells(campaign: Campaign) -> dict[str, Any]:
    """Cell -> its accepted repeats, each with all its files that the manifest lists and their hashes."""
    files: dict[str, dict[str, str]] = {}
    for path, digest in campaign.hashes.items():
        files.setdefault(path.rpartition("/")[0], {})[path] = digest
    cells: dict[str, Any] = {}
    for row in records(campaign.counted):
        folder = campaign.artifact(row, "").relative_to(campaign.folder).as_posix()
        cells.setdefault(row["cell_id"], []).append(
            {"repeat": name_of(row), "artifacts": dict(sorted(files.get(folder, {}).items()))}
        )
    return cells


def explain(folder: Path, number_id: str) -> str:
    """The chain behind one published number, checked against the files as they are now.

    Args:
        folder: A campaign folder with its report.
        number_id: As in the page (the ``id`` of the number) and in ``report/numbers.json``.
    Raises:
        NotACampaign: The folder holds no campaign.
        ReportError: No report there, or no such number in it.
        StoreError: The campaign can't be read.
    """
    path = folder / "report" / NUMBERS_NAME
    require_campaign(folder)
    if not inside.is_there(folder, path):
        raise ReportError(f"{path}: not there; run `levelrig report {folder}` first")
    try:
        known = json.loads(inside.read_bytes(folder, path))
        numbers: Mapping[str, Any] = dict(known["numbers"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise ReportError(f"{path}: can't be read ({error}); run `levelrig report {folder}` again") from error
    if number_id not in numbers:
        near = get_close_matches(number_id, numbers, n=3, cutoff=0.3) or list(numbers)[:3]
        raise NoSuchNumber(f"no number {number_id!r} in {path}; nearest: {', '.join(near)}")
    return "\n".join(_chain(read_campaign(folder), known, number_id))


def _chain(campaign: Campaign, known: Mapping[str, Any], number_id: str) -> list[str]:
    entry = known["numbers"][number_id]
    unit = f" {entry['unit']}" if entry["unit"] else ""
    lines = [number_id, f"  {entry['what']}", f"  value {_text(entry['value'])}{unit}"]
    if entry["low"] is not None:
        lines.append(
            f"  {known['confidence_pct']:g} % interval {_text(entry['low'])} to {_text(entry['high'])}{unit}"
        )
    for cell_id, names in entry["repeats"].items():
        lines += _cell_lines(campaign, known["cells"].get(cell_id, ()), cell_id, entry["metric"], names)
    same = campaign.plan_sha256 == known["plan_sha256"]
    lines.append(f"plan  {campaign.folder / 'plan.toml'}")
    lines.append(f"  sha256 {known['plan_sha256']}  {'as it is now' if same else 'CHANGED since the report'}")
    lines += [f"note  {text}" for text in campaign.damage]
    lines.append(f"made by levelrig {known['levelrig']} in campaign {known['campaign_id']}")
    return lines


def _cell_lines(
    campaign: Campaign,
    repeats: Sequence[Mapping[str, Any]],
    cell_id: str,
    metric: str,
    names: Sequence[str],
) -> list[str]:
    """One cell's repeats that the number rests on; those that it does not are counted."""
    mine = campaign.counted[campaign.counted["cell_id"] == cell_id]
    rows = {name_of(r): r for r in records(mine)}
    others = len(repeats) - len(names)
    rest = f", {others} more do not enter this number" if others else ""
    lines = [f"cell  {cell_id}: {len(names)} accepted repeats{rest}"]
    for repeat in repeats:
        if repeat["repeat"] not in names:
            continue
        row = rows.get(repeat["repeat"], {})
        column, value = value_of(row, metric)
        started = row.get("started_utc")
        when = (
            ""
            if started is None or pd.isna(started)
            else f", started {pd.Timestamp(started):%Y-%m-%d %H:%M:%S} UTC"
        )
        lines.append(f"  repeat {repeat['repeat']}: {column} {_text(value)}{when}")
        marks = row.get("marks")
        lines += [f"    mark {printable(mark)}" for mark in (() if marks is None else marks)]
        if not repeat["artifacts"]:
            lines.append("    no artifact of it is listed in the manifest")
        for path, digest in repeat["artifacts"].items():
            lines.append(f"    {path}")
            lines.append(f"      sha256 {digest}  {_state(campaign, path, digest)}")
    return lines


def _state(campaign: Campaign, path: str, digest: str) -> str:
    place = campaign.folder / path
    if not inside.is_file(campaign.folder, place):
        return "MISSING"
    found, _ = campaign.sha256_of(place)
    return "as it is now" if found == digest else f"CHANGED, now {found}"


def _text(value: Any) -> str:
    return "not measured" if value is None or pd.isna(value) else f"{float(value):.6g}"
