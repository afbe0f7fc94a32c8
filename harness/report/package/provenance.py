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
from harness.report.elements import records
from harness.report.folder import Campaign, read_campaign
from harness.store.soundness import require_campaign

NUMBERS_NAME = "numbers.json"
_ARTIFACTS = ("frames.parquet", "telemetry.parquet")


def numbers_of(campaign: Campaign, analysis: Analysis, version: str) -> dict[str, Any]:
    """Every number of the report's tables with what it rests on, as JSON values."""
    numbers: dict[str, Any] = {}
    reference = analysis.settings.reference
    for row in records(analysis.cells):
        numbers[f"cell/{row['cell_id']}/{row['metric']}"] = {
            "what": f"mean {row['label']} over accepted repeats",
            **_value(row["mean"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "cells": [row["cell_id"]],
        }
    for row in records(analysis.comparisons):
        place = f"{row['title']}.{row['setting']}"
        numbers[f"change/{place}.{row['profile']}/{row['metric']}"] = {
            "what": f"{row['scale']} of {row['label']}, {row['profile']} against {reference}: "
            "{row['decision']}",
            **_value(row["estimate"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "cells": [f"{place}.{row['profile']}", f"{place}.{reference}"],
        }
    titles = analysis.comparisons.groupby(["profile", "metric"], sort=False)
    for row in records(analysis.overall):
        rests = records(titles.get_group((row["profile"], row["metric"])))
        cells = [f"{r['title']}.{r['setting']}.{p}" for r in rests for p in (row["profile"], reference)]
        mean = (
            "geometric mean over titles of the ratio"
            if row["scale"] == "ratio"
            else "mean over titles of the difference"
        )
        numbers[f"overall/{row['profile']}/{row['metric']}"] = {
            "what": f"{mean} of {row['label']}, {row['profile']} against {reference}: {row['decision']}",
            **_value(row["estimate"], row["low"], row["high"], row["unit"]),
            "metric": row["metric"],
            "cells": cells,
        }
    return {
        "campaign_id": campaign.campaign_id,
        "plan_sha256": campaign.plan_sha256,
        "levelrig": version,
        "confidence_pct": analysis.settings.confidence_pct,
        "cells": _cells(campaign),
        "numbers": numbers,
    }


def _value(value: Any, low: Any, high: Any, unit: str) -> dict[str, Any]:
    return {"value": _finite(value), "low": _finite(low), "high": _finite(high), "unit": unit}


def _finite(value: Any) -> float | None:
    return None if value is None or pd.isna(value) or not math.isfinite(value) else float(value)


def _cells(campaign: Campaign) -> dict[str, Any]:
    cells: dict[str, Any] = {}
    repeats = campaign.repeats[~campaign.repeats["sentinel"].fillna(False).astype(bool)]
    for row in records(repeats):
        artifacts = {}
        for name in _ARTIFACTS:
            path = campaign.artifact(row, name).relative_to(campaign.folder).as_posix()
            if path in campaign.hashes:
                artifacts[path] = campaign.hashes[path]
        cells.setdefault(row["cell_id"], []).append(
            {"repeat": f"{row['repeat_index']}.{row['attempt_index']}", "artifacts": artifacts}
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
    if not path.is_file():
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
    for cell_id in dict.fromkeys(entry["cells"]):
        lines += _cell_lines(campaign, known["cells"].get(cell_id, ()), cell_id, entry["metric"])
    same = campaign.plan_sha256 == known["plan_sha256"]
    lines.append(f"plan  {campaign.folder / 'plan.toml'}")
    lines.append(f"  sha256 {known['plan_sha256']}  {'as it is now' if same else 'CHANGED since the report'}")
    lines += [f"note  {text}" for text in campaign.damage]
    lines.append(f"made by levelrig {known['levelrig']} in campaign {known['campaign_id']}")
    return lines


def _cell_lines(
    campaign: Campaign, repeats: Sequence[Mapping[str, Any]], cell_id: str, metric: str
) -> list[str]:
    mine = campaign.repeats[campaign.repeats["cell_id"] == cell_id]
    rows = {f"{r['repeat_index']}.{r['attempt_index']}": r for r in records(mine)}
    lines = [f"cell  {cell_id}: {len(repeats)} accepted repeats"]
    for repeat in repeats:
        row = rows.get(repeat["repeat"], {})
        started = row.get("started_utc")
        when = (
            ""
            if started is None or pd.isna(started)
            else f", started {pd.Timestamp(started):%Y-%m-%d %H:%M:%S} UTC"
        )
        lines.append(f"  repeat {repeat['repeat']}: {metric} {_text(row.get(metric))}{when}")
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
    if not place.is_file():
        return "MISSING"
    found, _ = campaign.sha256_of(place)
    return "as it is now" if found == digest else f"CHANGED, now {found}"


def _text(value: Any) -> str:
    return "not measured" if value is None or pd.isna(value) else f"{float(value):.6g}"
