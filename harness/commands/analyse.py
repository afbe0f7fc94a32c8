"""``analyse``: comparison tables from any number of campaigns, or from tables of any origin."""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pyarrow as pa

from harness import userfiles
from harness.analysis import AnalysisSettings, cross_check, words
from harness.analysis.analyse import Analysis, analyse
from harness.collect.repeats import OWN_FRAMES, Collection, collect_repeats, unusual_attempts
from harness.commands import add_command, print_json
from harness.commands.after_run import closing_table, verdict_heading
from harness.csvtext import csv_text
from harness.errors import PlanError, Problem, StoreError
from harness.frames.mapping import ColumnMapping
from harness.plan.complaints import nearest
from harness.plan.documents import parse_toml, read_model
from harness.plan.schema import Plan
from harness.report.files import make_target, write_parquet, write_text
from harness.report.folder import Campaign, read_campaign
from harness.report.reading import Reader
from harness.terminal import console, print_table

_UNUSUAL_LINES = 30
_TABLES = ("cells", "comparisons", "overall", "sensitivity", "efficiency", "variance", "instruments")


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "analyse",
        _analyse,
        example="levelrig analyse nights/2031 nights/2032 --reference factory --into years",
        reports=True,
        reads_tables=True,
    )
    parser.add_argument(
        "folders",
        nargs="+",
        type=Path,
        metavar="FOLDER",
        help="folders, searched at any depth, or single tables: Parquet, or CSV with title, "
        "profile and average_fps, score and the like (and setting, repeat, block, campaign_id)",
    )
    parser.add_argument("--reference", help="profile to compare with; default: the one that the plans name")
    parser.add_argument("--margin-pct", type=float, help="difference that counts as none, in %%")
    parser.add_argument(
        "--pair-by",
        metavar="COLUMN",
        help="column of tables from elsewhere that tells which repeats were measured beside each other; "
        "without one profiles are compared as independent groups",
    )
    parser.add_argument(
        "--lower-is-better",
        action="append",
        default=[],
        metavar="TITLE",
        help="a title whose score is better when it is lower; may be given several times",
    )
    parser.add_argument("--question", help="the question that the closing sentence answers")
    parser.add_argument(
        "--mapping",
        type=Path,
        metavar="FILE",
        help="TOML with the keys of a frame_log table, for files of frames",
    )
    parser.add_argument(
        "--layout", help="where paths of files of frames name the repeat, as '{title}/{profile}/{repeat}'"
    )
    parser.add_argument(
        "--cross-check",
        action="store_true",
        help="show t, bootstrap and mixed model side by side (needs the extra 'analysis')",
    )
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER", help="write all tables there, as Parquet and CSV"
    )


def _analyse(arguments: argparse.Namespace) -> int:
    found = collect_repeats(
        arguments.folders,
        mapping=_mapping(arguments.mapping),
        layout=arguments.layout,
        pair_by=arguments.pair_by,
    )
    repeats = found.repeats.to_pandas()
    settings = _settings(arguments, found)
    analysis = analyse(repeats, settings, repeats if settings.places else None)
    checked = cross_check(repeats, analysis.settings) if arguments.cross_check else None
    if arguments.into is not None:
        _write(arguments.into, found, analysis)
    if arguments.json:
        print_json(
            {
                "sources": list(found.sources),
                "left_out": {str(path): reason for path, reason in found.left_out.items()},
                "attempts": found.repeats.num_rows,
                "unusual": [dataclasses.asdict(one) for one in unusual_attempts(found.repeats)],
                "answer": analysis.answer,
                "warnings": list(analysis.warnings),
                "comparisons": analysis.comparisons.astype(object)
                .where(analysis.comparisons.notna(), None)
                .to_dict("records"),
                **({} if checked is None else {"cross_check": checked.to_dict("records")}),
            }
        )
        return 0
    out = console()
    for line in found.sources:
        out.print(line, markup=False, soft_wrap=True)
    for path, reason in found.left_out.items():
        out.print(f"left out: {path}: {reason}", style="yellow", markup=False, soft_wrap=True)
    _print_unusual(out, found)
    columns, rows = closing_table(analysis)
    if rows:
        reference = analysis.settings.reference
        print_table(out, verdict_heading(reference), columns, rows)
    if checked is not None:
        shown = [
            (row["profile"], row["scope"], row["method"], _change(row, analysis.settings), row["note"])
            for row in checked.to_dict("records")
        ]
        print_table(out, "average FPS by three methods", ("profile", "for", "method", "change", ""), shown)
    for warning in analysis.warnings:
        out.print(f"note: {warning}", style="yellow", markup=False)
    out.print(analysis.answer, style="bold", markup=False)
    if arguments.into is not None:
        out.print(f"tables: {arguments.into}", markup=False)
    return 0


def _print_unusual(out: Any, found: Collection) -> None:
    """A line for each attempt that the checks rejected or marked."""
    unusual = unusual_attempts(found.repeats)
    for one in unusual[:_UNUSUAL_LINES]:
        style = "red" if one.verdict != "accepted" else "yellow"
        out.print(one.sentence, style=style, markup=False, soft_wrap=True)
    if len(unusual) > _UNUSUAL_LINES:
        out.print(f"and {len(unusual) - _UNUSUAL_LINES} more; --into FOLDER writes all", markup=False)


def _change(row: Mapping[Any, Any], settings: AnalysisSettings) -> str:
    return words.change_with_interval(
        row["estimate"], row["low"], row["high"], "ratio", "", settings.confidence_pct
    )


def _mapping(path: Path | None) -> ColumnMapping:
    if path is None:
        return OWN_FRAMES
    text = userfiles.read_text(path, "mapping")
    keys = {k: v for k, v in parse_toml(text, str(path)).items() if k not in ("path", "reader")}
    return read_model(ColumnMapping, keys, str(path), text)


def _settings(arguments: argparse.Namespace, found: Collection) -> AnalysisSettings:
    """The first plan's settings, where there is one; what the command line says goes first."""
    profiles = sorted(set(found.repeats["profile"].to_pylist()))
    plan, late = _first_plan(found)
    reference = arguments.reference or (plan.plan.reference if plan is not None else None)
    if reference is None or reference not in profiles:
        raise PlanError(
            "analyse",
            [
                Problem(
                    "--reference",
                    f"{reference!r} is no profile here" if reference else "nothing says what to compare with",
                    f"give one of: {', '.join(profiles)}",
                )
            ],
        )
    base = AnalysisSettings.from_plan(plan) if plan is not None else AnalysisSettings(reference=reference)
    changes: dict[str, Any] = {"reference": reference}
    if arguments.margin_pct is not None:
        if not 0 < arguments.margin_pct < 50:
            problem = Problem(
                "--margin-pct",
                f"{arguments.margin_pct:g} is out of range",
                "give more than 0 and less than 50",
            )
            raise PlanError("analyse", [problem])
        changes["margin_pct"] = arguments.margin_pct
        if plan is None or arguments.margin_pct != base.margin_pct:
            before = f"before: {base.margin_pct:g} %" if plan is not None else "no plan stated one"
            late = (*late, f"margin {arguments.margin_pct:g} % ({before})")
    if arguments.question is not None:
        changes["question"] = arguments.question
    if plan is not None and reference != plan.plan.reference:
        late = (*late, f"reference {reference} (before: {plan.plan.reference})")
    titles = set(found.repeats["title"].to_pylist())
    for title in arguments.lower_is_better:
        if title not in titles:
            problem = Problem("--lower-is-better", f"{title!r} is no title here", nearest(title, titles))
            raise PlanError("analyse", [problem])
    stated = found.lower_score_titles | frozenset(arguments.lower_is_better)
    own = [campaign.settings for campaign in _campaigns(found)]
    changes["lower_score_titles"] = base.lower_score_titles.union(
        stated, *(one.lower_score_titles for one in own)
    )
    changes["steps"] = {
        name: max(one.steps.get(name, 0.0) for one in own)
        for name in {name for one in own for name in one.steps}
    }
    changes["blank"] = next((one.blank for one in own if one.blank), base.blank)
    changes["chosen_afterwards"] = late
    return dataclasses.replace(base, **changes)


def _campaigns(found: Collection) -> list[Campaign]:
    """The campaigns among the folders that can be read, for what each says of its own titles and readings."""
    made = []
    for path in found.plans:
        with suppress(StoreError):
            made.append(read_campaign(path.parent))
    return made


def _first_plan(found: Collection) -> tuple[Plan | None, tuple[str, ...]]:
    """The plan of the first campaign that has one, in its folder or in its journal; a damaged one is left.

    Beside it what of it was chosen when results could be known.
    """
    damage: StoreError | None = None
    for path in found.plans:
        try:
            reader = Reader(path.parent)
            plan = reader.plan()[0]
            return plan, reader.chosen_afterwards(plan)
        except StoreError as error:
            damage = damage or (error if path.exists() else None)
    if damage is not None:
        raise damage
    return None, ()


def _write(folder: Path, found: Collection, analysis: Analysis) -> None:
    """The tables as Parquet and CSV."""
    try:
        make_target(folder, folder)
        tables = {name: getattr(analysis, name) for name in _TABLES}
        for name, frame in {"attempts": found.repeats.to_pandas(), **tables}.items():
            table = pa.Table.from_pandas(frame, preserve_index=False)
            write_parquet(folder / f"{name}.parquet", table)
            write_text(folder / f"{name}.csv", csv_text(frame))
    except OSError as error:
        raise StoreError(f"{folder}: can't write the tables ({error}); choose another folder") from error
