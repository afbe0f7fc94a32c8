"""Collects repeats from folders of any origin: campaigns, tables of repeats, files of frames.

A campaign folder is known by its ``dataset/attempts.parquet``. Any other Parquet or CSV file is known by its
columns: with ``title`` and ``profile`` and a metric it is a table of repeats, with a frame-time column it is
the frames of one repeat, whose identity stands in its path. What is neither is listed as left out.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from harness import inside, userfiles
from harness.collect.csv_tables import csv_columns, read_csv_table
from harness.collect.judged_file import judge_file
from harness.errors import FrameLogError, NothingToAnalyse, StoreError, UnsafePath, UserFileError
from harness.frames.mapping import ColumnMapping
from harness.metrics import METRICS
from harness.numerals import agreed, counted
from harness.parquet import read_parquet
from harness.plan.schema import LowDefinition
from harness.tables import attempts_schema

#: Mapping of a file in the form of ``harness.tables.FRAMES``.
OWN_FRAMES = ColumnMapping(interval_column="frametime_ms")
OWN_TIMED_FRAMES = ColumnMapping(
    interval_column="frametime_ms", presentation_time_column="t_s", time_unit="s"
)
#: A folder with this file is a campaign, also where its dataset was not written yet.
JOURNAL_NAME = "journal.sqlite"
#: A table of repeats with more rows is none (and might fill the memory).
MOST_REPEATS = 1_000_000
#: Endings of files that may be tables or frames.
_TABLES = frozenset((".parquet", ".csv", ".tsv"))
_KEYS = ("title", "setting", "profile", "repeat", "block")
_IDENTITY = ("campaign_id", "cell_id", "repeat_index", "attempt_index", "position")


@dataclass(frozen=True)
class Collection:
    """What the folders held.

    Attributes:
        repeats: Schema of ``harness.tables.attempts_schema``; every attempt that was found, each once.
        sources: What was read, a sentence each.
        left_out: File -> why it was not used.
        plans: Plan files of the campaigns among the folders.
        lower_score_titles: Titles of which a column ``score_better`` says that a lower score is better.
    """

    repeats: pa.Table
    sources: tuple[str, ...]
    left_out: dict[Path, str]
    plans: tuple[Path, ...]
    lower_score_titles: frozenset[str] = frozenset()


def collect_repeats(
    folders: Sequence[Path],
    *,
    mapping: ColumnMapping = OWN_FRAMES,
    layout: str | None = None,
    low_definition: LowDefinition = "percentile",
    pair_by: str | None = None,
) -> Collection:
    """Everything that can be analysed in these folders, at any depth.

    Args:
        folders: Campaign folders, folders of such, or folders and files of tables from elsewhere.
        mapping: How files of frames are to be read.
        layout: Where a file of frames carries its identity: a pattern for the end of its path without the
            suffix, as ``{title}/{profile}/{repeat}``. None: path parts ``title=…``, ``profile=…``.
        low_definition: Definition of the lows that are computed from frames.
        pair_by: Column of tables of repeats that tells which were measured beside each other, instead of
            ``block``. Without either nothing does: no block is made up from the order of the rows.
    Raises:
        NothingToAnalyse: A folder is missing, or nothing in them can be analysed.
    """
    pattern = None if layout is None else _compiled(layout)
    tables: list[pa.Table] = []
    sources: list[str] = []
    left_out: dict[Path, str] = {}
    plans: list[Path] = []
    frames: list[dict[str, Any]] = []
    lower: set[str] = set()
    for root in folders:
        if not root.is_dir() and not (root.is_file() and root.suffix.lower() in _TABLES):
            raise NothingToAnalyse(
                f"{root}: {'a file, no table' if root.exists() else 'no such folder'}; "
                "give campaign folders, folders of Parquet or CSV files, or such a file"
            )
        foreign: dict[Path, pa.Table] = {}
        unnamed: list[Path] = []
        contents: dict[str, Path] = {}
        for path, campaign in _tables_in(root):
            doubled = 0
            try:
                names = _names_of(path, campaign)
                if {"title", "profile"} <= set(names) and _holds_a_metric(names):
                    read = _read(path, campaign)
                    if campaign is None:
                        same = contents.setdefault(_content(read), path)
                        if same != path:
                            left_out[path] = f"the same table as {same}"
                            continue
                        read, doubled = _without_doubles(read)
                        table = _as_attempts(_keyed(read, pair_by), root, path, root.name)
                        lower |= _lower_score_titles(read)
                        foreign[path] = table
                        if "campaign_id" not in names:
                            unnamed.append(path)
                    elif not read.num_rows:
                        raise FrameLogError(f"{path}: no attempt stands in it")
                    else:
                        table = _as_attempts(read, campaign, path, campaign.name)
                        tables.append(table)
                    beside = [] if campaign is not None else _said_of(path, read, doubled, pair_by)
                    sources.append("; ".join([f"{path}: {counted(table.num_rows, 'attempt')}", *beside]))
                    kept = ("plan.toml", JOURNAL_NAME)
                    if campaign is not None and any(
                        inside.is_there(campaign, campaign / name) for name in kept
                    ):
                        plans.append(campaign / "plan.toml")
                elif _holds(names, mapping) or (_is_csv(path) and mapping is not OWN_FRAMES):
                    identity = _identity(path.relative_to(root.parent), pattern)
                    frames.append(_row_of_frames(path, root, identity, mapping, low_definition, names))
                else:
                    left_out[path] = _why_neither(names)
            except (FrameLogError, UserFileError, OSError, ValueError, KeyError, pa.ArrowException) as error:
                why = str(error).removeprefix(f"{path}: ")
                if isinstance(error, UserFileError) and _is_csv(path):
                    raise  # a person's own table: a repeat that is silently left out changes the result
                if campaign is None:
                    left_out[path] = why
                    continue
                try:
                    held = _from_journal(campaign)
                except StoreError as broken:
                    left_out[path] = f"{why}; nor does its journal help: {broken}"
                    continue
                tables.append(_as_attempts(held, campaign, path, campaign.name))
                sources.append(
                    f"{path}: {why}; {counted(held.num_rows, 'attempt')} from the campaign's journal"
                )
                plans.append(campaign / "plan.toml")
        tables += _nights(foreign, unnamed, root)
    if frames:
        _number(frames)
        tables.append(pa.Table.from_pylist(frames, schema=attempts_schema()))
        sources.append(f"{counted(len(frames), 'file')} of frames")
    if not tables:
        why = "".join(f"\n  {path}: {reason}" for path, reason in list(left_out.items())[:10])
        raise NothingToAnalyse(
            f"nothing to analyse in {', '.join(map(str, folders))}; wanted: campaign folders, tables "
            f"(Parquet or CSV) with title, profile and {' or '.join(_named())}, or files of frames{why}"
        )
    repeats, doubles = _each_once(pa.concat_tables(tables))
    if doubles:
        sources.append(
            f"{counted(doubles, 'attempt')} stood in more than one folder and "
            f"{agreed('was', doubles)} used once"
        )
    return Collection(repeats, tuple(sources), left_out, tuple(dict.fromkeys(plans)), frozenset(lower))


@dataclass(frozen=True)
class Unusual:
    """An attempt that the checks rejected or marked.

    Attributes:
        attempt: ``cell_id repeat.attempt``.
        verdict: As in the table of attempts.
        reason: Why it does not count; None where it does.
        marks: What was unusual.
    """

    attempt: str
    verdict: str
    reason: str | None
    marks: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """One line for a person."""
        why = self.reason or "no reason kept"
        said = [f"{self.verdict}: {why}"] if self.verdict != "accepted" else []
        return f"{self.attempt}: {'; '.join([*said, *self.marks])}"


def unusual_attempts(repeats: pa.Table) -> list[Unusual]:
    """Attempts of a table of attempts that were rejected or marked, in its order."""
    columns = ("cell_id", "repeat_index", "attempt_index", "verdict", "reason", "reason_code", "marks")
    return [
        Unusual(
            f"{row['cell_id']} {row['repeat_index']}.{row['attempt_index']}",
            row["verdict"],
            row["reason"] or row["reason_code"],
            tuple(row["marks"] or ()),
        )
        for row in repeats.select(columns).to_pylist()
        if row["verdict"] != "accepted" or row["marks"]
    ]


def _tables_in(root: Path) -> Iterator[tuple[Path, Path | None]]:
    """Parquet and CSV files below, each with the campaign folder that it is the dataset of; a file: itself.

    A CSV beside a Parquet file of its name is a copy of it, as levelrig itself writes them.
    """
    if root.is_file():
        yield root, None
        return
    for folder, subfolders, names in os.walk(root):
        here = Path(folder)
        attempts = here / "dataset" / "attempts.parquet"
        if inside.is_file(here, attempts) or inside.is_there(here, here / JOURNAL_NAME):
            subfolders.clear()
            yield attempts, here
            continue
        subfolders.sort()
        for name in sorted(names):
            if name.endswith(".parquet") or (
                _is_csv(here / name) and f"{Path(name).stem}.parquet" not in names
            ):
                yield here / name, None


def _is_csv(path: Path) -> bool:
    return path.suffix.lower() in _TABLES - {".parquet"}


def _names_of(path: Path, campaign: Path | None) -> list[str]:
    """Names of a file's columns."""
    if _is_csv(path):
        _refuse_strangers_link(path)
        return csv_columns(path)
    with _open(path, campaign) as file:
        return list(pq.read_schema(file).names)


def _read(path: Path, campaign: Path | None) -> pa.Table:
    """A table of repeats. Raises FrameLogError, UserFileError."""
    if _is_csv(path):
        return read_csv_table(path)
    with _open(path, campaign) as file:
        if pq.read_metadata(file).num_rows > MOST_REPEATS:
            raise FrameLogError(f"{path}: over {MOST_REPEATS:,} rows; no table of repeats has so many")
        file.seek(0)
        return read_parquet(file)


def _open(path: Path, campaign: Path | None) -> BinaryIO:
    """A table to read. In a campaign no link is followed, elsewhere none of another user."""
    if campaign is not None:
        return inside.opened(campaign, path)
    _refuse_strangers_link(path)
    return userfiles.open_regular(path, "table")


def _refuse_strangers_link(path: Path) -> None:
    found = path.lstat()
    if sys.platform != "win32" and stat.S_ISLNK(found.st_mode) and found.st_uid not in (0, os.geteuid()):
        raise UnsafePath(f"{path}: another user's link; name the real folder")


def _from_journal(campaign: Path) -> pa.Table:
    """The attempts as the campaign's own journal has them. Raises StoreError where it can't be read."""
    from harness.store.campaign import CampaignStore

    with closing(CampaignStore.read(campaign)) as store:
        return store.attempts_table()


def _holds_a_metric(names: list[str]) -> bool:
    return any(metric.name in names for metric in METRICS.compared() if metric.in_table)


def _named() -> list[str]:
    """Metrics to name to somebody who looks for one."""
    return [metric.name for metric in METRICS.shown_in("closing-table")]


def _holds(names: list[str], mapping: ColumnMapping) -> bool:
    return all(name.startswith("#") or name in names for name in mapping.wanted_columns())


def _content(table: pa.Table) -> str:
    """The same for tables of the same columns and values, whatever file they lie in."""
    columns = {name: table[name].to_pylist() for name in sorted(table.column_names)}
    return hashlib.sha256(repr(columns).encode()).hexdigest()


def _why_neither(names: Sequence[str]) -> str:
    """Why a file of these columns is not used."""
    missing = [name for name in ("title", "profile") if name not in names]
    missing += [] if _holds_a_metric(list(names)) else ["a metric"]
    there = ", ".join(repr(name) for name in names[:8]) + (", …" if len(names) > 8 else "")
    return (
        "neither a table of repeats nor frames under this mapping: its columns are "
        f"{there or 'none'}; a table of repeats lacks {' and '.join(missing)}"
    )


def _without_doubles(table: pa.Table) -> tuple[pa.Table, int]:
    """A table from elsewhere with each numbered repeat once, and how many rows were copies of another.

    Only rows that are alike in everything are copies; without a column of repeats two may be measured alike.
    """
    if "repeat_index" not in table.column_names:
        return table, 0
    seen: dict[str, int] = {}
    for place, row in enumerate(table.to_pylist()):
        seen.setdefault(repr(row), place)
    return table.take(list(seen.values())), table.num_rows - len(seen)


def _said_of(path: Path, table: pa.Table, doubled: int, pair_by: str | None) -> list[str]:
    """What a person should hear of a table of theirs beside its size."""
    said = []
    if doubled:
        said.append(f"{counted(doubled, 'row')} {agreed('was', doubled)} a copy of another, used once")
    if _is_csv(path):
        known = {*attempts_schema().names, "block", "score_better", pair_by}
        if unused := [name for name in table.column_names if name not in known]:
            said.append(f"columns not used, as no metric has their name: {', '.join(unused)}")
    return said


def _keyed(table: pa.Table, pair_by: str | None) -> pa.Table:
    """The table with the values of a column as its blocks. Raises FrameLogError where it has none such."""
    if pair_by is None:
        return table
    if pair_by not in table.column_names:
        raise FrameLogError(f"no column {pair_by!r} to pair by; it has {', '.join(table.column_names)}")
    blocks = pa.array(_numbered(table[pair_by].to_pylist()), pa.int64())
    rest = table.drop_columns("block") if "block" in table.column_names else table
    return rest.append_column("block", blocks)


def _lower_score_titles(table: pa.Table) -> set[str]:
    """Titles whose score is better lower. Raises FrameLogError where it says neither way, or both."""
    if "score_better" not in table.column_names:
        return set()
    titles: dict[str, set[str]] = {"higher": set(), "lower": set()}
    for title, said in zip(table["title"].to_pylist(), table["score_better"].to_pylist(), strict=True):
        if said is None:
            continue
        if said not in titles:
            raise FrameLogError(f"score_better says {said!r} of {title}; write higher or lower")
        titles[said].add(str(title))
    if both := titles["higher"] & titles["lower"]:
        raise FrameLogError(f"score_better says both higher and lower of {', '.join(sorted(both))}")
    return titles["lower"]


def _nights(tables: dict[Path, pa.Table], unnamed: Sequence[Path], root: Path) -> list[pa.Table]:
    """The tables of a folder; those without a campaign of their own that share a cell are nights apart.

    Whatever their time stamps: repeats of one cell in two tables were not measured as one night. Tables that
    share none (one a profile) are parts of one.
    """
    cells = [set(tables[path]["cell_id"].to_pylist()) for path in unnamed]
    apart = sum(map(len, cells)) > len(set().union(*cells))
    for path in unnamed if apart else ():
        night = f"{root.name}/{path.relative_to(root).with_suffix('').as_posix()}"
        place = tables[path].schema.get_field_index("campaign_id")
        column = pa.array([night] * tables[path].num_rows, pa.string())
        tables[path] = tables[path].set_column(place, tables[path].schema.field(place), column)
    return list(tables.values())


def _numbered(values: Sequence[Any]) -> list[int | None]:
    """Each distinct value a number from 1, or itself where all are counts; none for a missing one."""
    if all(v is None or (isinstance(v, int) and v >= 0) for v in values):
        return list(values)
    numbers: dict[Any, int] = {}
    return [None if v is None else numbers.setdefault(v, len(numbers) + 1) for v in values]


def _as_attempts(table: pa.Table, origin: Path, path: Path, night: str) -> pa.Table:
    """The table in the schema of attempts: missing columns null, identity filled in where it is missing.

    A block is not made up: without a stated key nothing tells which repeats were measured side by side. A
    table without a campaign is a night of its own, ``night``, whatever its time stamps.
    """
    count = table.num_rows
    known = path if path.exists() else origin
    changed = datetime.fromtimestamp(known.stat().st_mtime, UTC)

    def words(name: str) -> list[str]:
        return (
            [str(v) for v in table[name].to_pylist()] if name in table.column_names else ["default"] * count
        )

    titles, settings, profiles = words("title"), words("setting"), words("profile")
    cells = [".".join(parts) for parts in zip(titles, settings, profiles, strict=True)]
    seen: dict[str, int] = {}
    turns = []
    for cell in cells:
        seen[cell] = seen.get(cell, 0) + 1
        turns.append(seen[cell])
    repeat_index = table["repeat_index"].to_pylist() if "repeat_index" in table.column_names else turns
    fill: dict[str, list[Any]] = {
        "campaign_id": [night] * count,
        "rig_id": ["unknown"] * count,
        "cell_id": cells,
        "setting": settings,
        "repeat_index": repeat_index,
        "attempt_index": [1] * count,
        "position": list(range(1, count + 1)),
        "sentinel": [False] * count,
        "definition_hash": [""] * count,
        "verdict": ["accepted"] * count,
        "started_utc": [changed] * count,
    }
    columns = []
    for field in attempts_schema():
        if field.name in table.column_names and table[field.name].null_count < max(1, count):
            columns.append(table[field.name].cast(field.type))
        else:
            columns.append(pa.chunked_array([pa.array(fill.get(field.name, [None] * count), field.type)]))
    return pa.Table.from_arrays(columns, schema=attempts_schema())


def _compiled(layout: str) -> re.Pattern[str]:
    parts = re.split(r"(\{\w+\})", layout.removesuffix(".parquet").removesuffix(".csv"))
    names = [part[1:-1] for part in parts if part.startswith("{")]
    unknown = sorted(set(names) - set(_KEYS))
    if unknown or "title" not in names or "profile" not in names or len(set(names)) != len(names):
        raise FrameLogError(
            f"layout {layout!r}: name {{title}} and {{profile}} once each, and {{setting}}, {{repeat}} "
            "and {block} where the paths have them"
        )
    expression = "".join(
        f"(?P<{part[1:-1]}>[^/]+?)" if part.startswith("{") else re.escape(part) for part in parts
    )
    return re.compile(f"(?:.*/)?{expression}\\Z")


def _identity(path: Path, pattern: re.Pattern[str] | None) -> dict[str, str]:
    text = path.with_suffix("").as_posix()
    if pattern is not None:
        match = pattern.match(text)
        if match is None:
            raise FrameLogError(
                f"{path}: the path does not follow the layout; fix the layout or move the file"
            )
        return {key: value for key, value in match.groupdict().items() if value is not None}
    found = dict(part.split("=", 1) for part in text.split("/") if "=" in part)
    if not {"title", "profile"} <= found.keys():
        raise FrameLogError(
            f"{path}: nothing in the path tells title and profile; use folders such as "
            "title=harbour/profile=quiet, or give a layout such as {title}/{profile}/{repeat}"
        )
    return {key: value for key, value in found.items() if key in _KEYS}


def _row_of_frames(
    path: Path,
    root: Path,
    identity: dict[str, str],
    mapping: ColumnMapping,
    low_definition: LowDefinition,
    names: Sequence[str],
) -> dict[str, Any]:
    if mapping is OWN_FRAMES and {"t_s", "frametime_ms"} <= set(names):
        mapping = OWN_TIMED_FRAMES
    figures = judge_file(path, mapping, low_definition).figures
    count, fps = figures["frame_count"], figures["average_fps"]
    if not count or fps is None:
        raise FrameLogError(f"{path}: no usable frame; check the mapping")
    setting = identity.get("setting", "default")
    known = {name: value for name, value in figures.items() if name in attempts_schema().names}
    return known | {
        "campaign_id": root.name,
        "rig_id": "unknown",
        "cell_id": f"{identity['title']}.{setting}.{identity['profile']}",
        "title": identity["title"],
        "setting": setting,
        "profile": identity["profile"],
        "repeat": identity.get("repeat"),
        "block": identity.get("block"),
        "attempt_index": 1,
        "sentinel": False,
        "definition_hash": "",
        "started_utc": datetime.fromtimestamp(path.stat().st_mtime, UTC),
        "measured_s": float(count) / float(fps),
        "frame_clock": "none",
    }


def _number(rows: list[dict[str, Any]]) -> None:
    """Repeat numbers by name where every repeat of a cell has a whole number for one, else in path order.

    Blocks are those that the paths name; a repeat's number is none.
    """
    for row, block in zip(rows, _numbered([row["block"] for row in rows]), strict=True):
        row["block"] = block
    cells: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for position, row in enumerate(rows, 1):
        row["position"] = position
        cells.setdefault((row["campaign_id"], row["cell_id"]), []).append(row)
    for mine in cells.values():
        names = [row.pop("repeat") for row in mine]
        digits = [re.search(r"(\d+)\D*\Z", name) if name else None for name in names]
        numbers = [int(found[1]) if found else 0 for found in digits]
        if min(numbers) < 1 or len(set(numbers)) != len(numbers):
            numbers = list(range(1, len(mine) + 1))
        for row, number in zip(mine, numbers, strict=True):
            row["repeat_index"] = number


def _each_once(table: pa.Table) -> tuple[pa.Table, int]:
    """Attempts of one identity and start once only (a folder that was copied)."""
    key = pc.binary_join_element_wise(
        *(table[name].cast(pa.string()) for name in (*_IDENTITY, "started_utc")), "\x1f"
    )
    first = {value: place for place, value in reversed(list(enumerate(key.to_pylist())))}
    kept = sorted(first.values())
    return table.take(pa.array(kept, pa.int64())), table.num_rows - len(kept)
