"""Where each published number comes from: number -> repeats -> artifacts with their hashes -> plan."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from harness import inside
from harness.boundary import printable
from harness.clock import local_time
from harness.errors import NoSuchNumber, ReportError
from harness.numerals import counted
from harness.report.elements import records
from harness.report.folder import Campaign, read_campaign
from harness.report.numbers import ANSWER, NUMBERS_NAME, name_of, value_of
from harness.store.soundness import require_campaign


def explain(folder: Path, number_id: str) -> str:
    """The chain behind one published number, checked against the files as they are now.

    Args:
        folder: A campaign folder with its report.
        number_id: As in the page (the ``id`` of the number) and in ``report/numbers.json``; ``answer`` for
            the sentence at the head of the page with all its numbers.
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
    answer: Mapping[str, Any] = known.get(ANSWER) or {}
    if number_id == ANSWER and answer:
        campaign = read_campaign(folder)
        lines = [ANSWER, f"  {answer['text']}"]
        for one in answer["numbers"]:
            lines += ["", *_chain(campaign, known, one)]
        return "\n".join(lines)
    if number_id not in numbers:
        near = get_close_matches(number_id, numbers, n=3, cutoff=0.3) or list(numbers)[:3]
        raise NoSuchNumber(f"no number {number_id!r} in {path}; nearest: {', '.join(near)}")
    return "\n".join(_chain(read_campaign(folder), known, number_id))


def _chain(campaign: Campaign, known: Mapping[str, Any], number_id: str) -> list[str]:
    entry = known["numbers"][number_id]
    unit = f" {entry['unit']}" if entry["unit"] else ""
    exact = [f"{_text(entry[end])}{unit}" for end in ("value", "low", "high")]
    shown = [*entry.get("shown", ())]  # a report of an earlier version keeps the exact ones only
    lines = [number_id, f"  {entry['what']}", f"  value {shown[0] if shown else exact[0]}"]
    if entry["low"] is not None:
        ends = entry.get("ends") or f"{known['confidence_pct']:g} % interval"
        lines.append(f"  {ends} {shown[1] if len(shown) > 1 else f'{exact[1]} to {exact[2]}'}")
    if shown and entry["value"] is not None:
        told = exact[0] if entry["low"] is None else f"{exact[0]} ({_text(entry['low'])} to {exact[2]})"
        lines.append(f"  in full {told}")
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
    lines = [f"cell  {cell_id}: {counted(len(names), 'accepted repeat')}{rest}"]
    for repeat in repeats:
        if repeat["repeat"] not in names:
            continue
        row = rows.get(repeat["repeat"], {})
        column, value = value_of(row, metric)
        started = row.get("started_utc")
        when = (
            ""
            if started is None or pd.isna(started)
            else f", started {local_time(pd.Timestamp(started).to_pydatetime())}"
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
