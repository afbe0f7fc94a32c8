"""A new journal from what is on disk, where the old one is gone or can't be trusted.

Witnesses of an attempt's outcome, the best first: its row beside its files (``attempt.json``), the old
journal as far as it can be read, the exported dataset. Files without any of these stay as evidence of an
interrupted attempt and are measured again. Hashes come from the manifest where it lists a file, so that
damage stays damage; what it does not list is taken as it is found. The old journal is kept aside.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from harness import inside
from harness.errors import StoreError
from harness.numerals import counted
from harness.parquet import read_parquet
from harness.store import dataset, export, records
from harness.store.artifacts import ROW_NAME, Artifact, describe
from harness.store.campaign_state import JOURNAL_LOST
from harness.store.files import TEMPORARY, SafeFiles
from harness.store.journal import JOURNAL_NAME, REPAIRED_NAME, Journal, add_event, build, copy_of, set_meta
from harness.store.lock import FolderLock
from harness.store.manifest import read_manifest
from harness.store.opening import ATTEMPTS_FOLDER, DEFINITION_FORM, FORM_NOW, PlanInForce
from harness.store.soundness import ROWS_KEPT, attempt_folders, files_of_attempts, require_campaign

_UNKNOWN: Final = "unknown"
_OLD: Final = "the old journal"


@dataclass(frozen=True)
class Rebuilt:
    """What a rebuild recovered.

    Attributes:
        folder: The campaign folder.
        witnesses: Witness -> attempts whose outcome comes from it.
        evidence: Attempts of which only files are left; they are measured again.
        without_files: Attempts whose outcome is known and whose files are all gone.
        unconfirmed: Files that no manifest confirms, taken as they were found.
        damaged: Files that differ from the manifest, or are missing.
        doubled: Attempts that were accepted and are no longer counted, as a later one of the same repeat was.
        events: Events copied from the old journal; None where there was nothing to read.
        aside: Where the old journal lies now; empty where there was none.
    """

    folder: Path
    witnesses: Mapping[str, int]
    evidence: tuple[str, ...]
    without_files: tuple[str, ...]
    unconfirmed: int
    damaged: tuple[str, ...]
    doubled: tuple[str, ...]
    events: int | None
    aside: tuple[str, ...]

    def lines(self) -> list[str]:
        """The same for a person: what was recovered, and what was not."""
        told = [
            f"{counted(count, 'attempt')} recovered from {source}"
            for source, count in self.witnesses.items()
            if count
        ]
        told = told or ["no attempt's outcome could be recovered"]
        for what, names in (
            ("only files are left, kept as evidence and measured again", self.evidence),
            ("its outcome is known, its files are gone", self.without_files),
            (
                "a later attempt of the same repeat was accepted too, so this one no longer counts",
                self.doubled,
            ),
            ("damaged or missing, as `levelrig verify` tells in full", self.damaged),
        ):
            told += [f"{name}: {what}" for name in names[:5]]
            if len(names) > 5:
                told.append(f"and {len(names) - 5} more: {what}")
        if self.unconfirmed:
            told.append(f"{counted(self.unconfirmed, 'file')} in no manifest, taken as found")
        if self.events is None:
            told.append("not recovered: events and the times of phases; log.jsonl has what was logged")
        else:
            told.append(
                f"{counted(self.events, 'event')} copied from the old journal; times of phases "
                "as far as it had them"
            )
        told += [f"the old journal is kept as {name}" for name in self.aside]
        return told


def rebuild(folder: Path, plan: PlanInForce, now_utc: datetime) -> Rebuilt:
    """Build a new journal for a campaign folder. Nothing that was measured is changed or removed.

    Interrupted at any moment, it can be done again.

    Args:
        folder: The campaign folder.
        plan: The plan that it ran, as its ``plan.toml`` says.
        now_utc: Present wall-clock time.
    Raises:
        NotACampaign, CampaignBusy: No campaign, or one that a process works on.
        DiskFull, StorageFault, StoreError: The folder can't be written.
    """
    folder = folder.absolute()
    require_campaign(folder)
    files = SafeFiles(folder)
    lock = FolderLock(folder, now_utc)
    try:
        return _rebuild(files, plan, now_utc)
    finally:
        lock.release()


def _rebuild(files: SafeFiles, plan: PlanInForce, now_utc: datetime) -> Rebuilt:
    folder = files.folder
    manifest = read_manifest(folder)
    old = _OldJournal.of(folder)
    artifacts, unconfirmed, damaged = _artifacts(folder, manifest)
    rows, witnesses = _rows(folder, manifest.get("campaign_id"), old, {*artifacts})
    campaign_id = str(
        manifest.get("campaign_id")
        or next((row["campaign_id"] for row in rows.values()), None)
        or sha256(f"{plan.text}/{now_utc.isoformat()}".encode()).hexdigest()[:12]
    )
    evidence: list[str] = []
    for attempt_id in sorted({*artifacts} - set(rows)):
        row = _evidence_row(folder, attempt_id, plan, campaign_id)
        if row is not None:
            rows[attempt_id] = row
            evidence.append(attempt_id)
    _bring_to_this_form(rows, plan, artifacts)
    doubled = _count_once(rows)
    build_path = folder / f"{JOURNAL_NAME}{TEMPORARY}"
    files.remove(build_path)
    with closing(build(files, build_path)) as journal:
        _fill(journal, plan, rows, artifacts, campaign_id, old, now_utc)
    aside = files.keep_aside(f"{JOURNAL_NAME}-wal", f"{JOURNAL_NAME}-shm", REPAIRED_NAME, JOURNAL_NAME)
    files.publish(build_path, folder / JOURNAL_NAME)
    with closing(Journal.open(files)) as journal:
        export.export_dataset(journal)
        export.write_closing_manifest(journal, now_utc)
    return Rebuilt(
        folder=folder,
        witnesses=witnesses,
        evidence=tuple(evidence),
        without_files=tuple(sorted(a for a in rows if a not in artifacts)),
        unconfirmed=unconfirmed,
        damaged=tuple(damaged),
        doubled=tuple(doubled),
        events=None if old is None else len(old.events),
        aside=tuple(aside),
    )


# --- witnesses --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _OldJournal:
    """What of the old journal can be read."""

    campaign_id: str | None
    rows: Sequence[Mapping[str, Any]]
    events: Sequence[Sequence[Any]]
    transitions: Sequence[Sequence[Any]]

    @classmethod
    def of(cls, folder: Path) -> _OldJournal | None:
        there = (p for p in (folder / REPAIRED_NAME, folder / JOURNAL_NAME) if inside.is_there(folder, p))
        path = next(there, None)
        if path is None or not inside.size_bytes(folder, path):
            return None
        try:
            with copy_of(folder, path) as copy:  # with its log, which counts too
                return cls._read(copy)
        except (sqlite3.Error, OSError, StoreError):
            return None

    @classmethod
    def _read(cls, path: Path) -> _OldJournal | None:
        with closing(sqlite3.connect(path, timeout=10)) as connection:
            ids = list(_readable(connection, "SELECT value FROM meta WHERE key = 'campaign_id'"))
            encoded = _readable(connection, "SELECT fields FROM attempts WHERE verdict IS NOT NULL")
            rows = [row for (text,) in encoded if (row := _decoded(text)) is not None]
            events = list(_readable(connection, "SELECT utc, kind, message, data FROM events"))
            transitions = list(_readable(connection, "SELECT attempt_id, phase, t_s FROM transitions"))
        if not rows and not events:
            return None
        campaign_id = None
        with suppress(ValueError, IndexError, TypeError):
            campaign_id = str(json.loads(ids[0][0]))
        return cls(campaign_id, rows, events, transitions)


def _readable(connection: sqlite3.Connection, sql: str) -> Iterator[tuple[Any, ...]]:
    """Rows up to the first that can't be read."""
    try:
        yield from connection.execute(sql)
    except sqlite3.Error:
        return


def _decoded(text: Any) -> dict[str, Any] | None:
    """A row from JSON if it is a whole row of the attempts table; else None."""
    try:
        row = json.loads(text)
        dataset.decode_rows([text])
        row["started_utc"] = datetime.fromisoformat(row["started_utc"])
        dataset.encode_row(row, held=dataset.foreign_figures(row))
    except (ValueError, TypeError, LookupError, pa.ArrowException):
        return None
    return dict(row)


def _rows(
    folder: Path, campaign_id: str | None, old: _OldJournal | None, with_files: set[str]
) -> tuple[dict[str, dict[str, Any]], dict[str, int]]:
    """attempt_id -> row by its best witness; and how many each gave.

    A damaged journal is not believed where it tells of an accepted attempt that left no file.
    """
    beside: list[Mapping[str, Any]] = []
    for attempt_folder in attempt_folders(folder):
        with suppress(OSError, UnicodeDecodeError):
            row = _decoded(inside.read_text(folder, attempt_folder / ROW_NAME))
            name = attempt_folder.relative_to(folder / ATTEMPTS_FOLDER).as_posix()
            if row is not None and records.attempt_id_of(row) == name:
                beside.append(row)
    exported: list[Mapping[str, Any]] = []
    with suppress(OSError, ValueError, pa.ArrowException):
        with inside.opened(folder, folder / "dataset" / "attempts.parquet") as file:
            table = read_parquet(file).to_pylist()
        exported = [row for row in map(_without_nulls, table) if _whole(row)]
    found: dict[str, dict[str, Any]] = {}
    counts: dict[str, int] = {}
    mine = campaign_id or next((str(r["campaign_id"]) for r in (*beside, *exported)), None)
    for name, rows in (
        ("the rows beside their files", beside),
        (_OLD, old.rows if old is not None else ()),
        ("the dataset", exported),
    ):
        counts[name] = 0
        for held in rows:
            attempt_id = records.attempt_id_of(held)
            believed = name != _OLD or held["verdict"] != "accepted" or attempt_id in with_files
            if attempt_id not in found and believed and held["campaign_id"] == (mine or held["campaign_id"]):
                found[attempt_id] = dict(held)
                counts[name] += 1
    return found, counts


def _without_nulls(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value is not None}


def _whole(row: Mapping[str, Any]) -> bool:
    try:
        dataset.encode_row(row, held=dataset.foreign_figures(row))
    except (ValueError, TypeError):
        return False
    return True


def _artifacts(folder: Path, manifest: Mapping[str, Any]) -> tuple[dict[str, list[Artifact]], int, list[str]]:
    """attempt_id -> its artifacts; files that no manifest lists; files that differ from it."""
    listed = {p: e for p, e in manifest["files"].items() if p.startswith(f"{ATTEMPTS_FOLDER}/")}
    there = [
        path.relative_to(folder).as_posix()
        for path in files_of_attempts(folder)
        if not path.name.endswith(TEMPORARY)
    ]
    found: dict[str, list[Artifact]] = {}
    unconfirmed, damaged = 0, []
    for name in sorted({*listed, *there}):
        entry = listed.get(name)
        try:
            artifact = describe(
                folder, folder / name, row_count=_row_count(folder, folder / name), partial=".cut." in name
            )
        except OSError:
            artifact = None
        if entry is None and artifact is not None:
            unconfirmed += 1
        elif entry is not None and (artifact is None or artifact.sha256 != entry["sha256"]):
            damaged.append(name)
            artifact = Artifact(name, entry["sha256"], entry["bytes"])
        if artifact is not None:
            attempt_id = name.removeprefix(f"{ATTEMPTS_FOLDER}/").rpartition("/")[0]
            found.setdefault(attempt_id, []).append(artifact)
    return found, unconfirmed, damaged


def _row_count(folder: Path, path: Path) -> int | None:
    if path.suffix != ".parquet":
        return None
    try:
        with inside.opened(folder, path) as file:
            return int(pq.read_metadata(file).num_rows)
    except (OSError, pa.ArrowException):
        return None


def _evidence_row(
    folder: Path, attempt_id: str, plan: PlanInForce, campaign_id: str
) -> dict[str, Any] | None:
    """A row for an attempt of which only files are left; None where its folder is not named like one."""
    attempt_folder = folder / ATTEMPTS_FOLDER / attempt_id
    cell_id, _, name = attempt_id.partition("/")
    kind, _, numbers = name.rpartition("-")
    repeat, _, attempt = numbers.partition(".")
    parts = cell_id.split(".")
    if len(parts) != 3 or kind not in ("", "sentinel", "second-look") or not (repeat + attempt).isdecimal():
        return None
    slot = next(
        (s for s in plan.slots if s.cell_id == cell_id and s.repeat_index == int(repeat) and not s.sentinel),
        None,
    )
    cell = next((c for c in plan.cells if c.cell_id == cell_id), None)
    times = [inside.stat_of(folder, p).st_mtime for p in inside.files_below(folder, attempt_folder)]
    return {
        "campaign_id": campaign_id,
        "rig_id": _UNKNOWN,
        "cell_id": cell_id,
        **dict(zip(("title", "setting", "profile"), parts, strict=True)),
        "repeat_index": int(repeat),
        "attempt_index": int(attempt),
        "block": slot.block if slot else 1,
        "position": slot.position if slot else 1,
        "sentinel": kind == "sentinel",
        "second_look": kind == "second-look",
        "definition_hash": cell.definition_hash if cell else _UNKNOWN,
        "verdict": "interrupted",
        "reason_code": JOURNAL_LOST,
        "reason": "the journal was lost and with it the outcome; the files are kept as evidence",
        "started_utc": datetime.fromtimestamp(min(times, default=0.0), UTC),
        "boot_id": _UNKNOWN,
    }


def _bring_to_this_form(
    rows: dict[str, dict[str, Any]], plan: PlanInForce, artifacts: Mapping[str, Sequence[Artifact]]
) -> None:
    """Attempts from before rows lay beside their files carry hashes that were made otherwise.

    The folder's plan is the one that its latest attempts ran by, so what they say of a cell's definition is
    what the plan says.
    """
    for cell in plan.cells:
        mine = {a: row for a, row in rows.items() if row["cell_id"] == cell.cell_id}
        beside = {a for a in mine if any(f.path.endswith(f"/{ROW_NAME}") for f in artifacts.get(a, ()))}
        known = [row for row in mine.values() if row.get("reason_code") != JOURNAL_LOST]
        if not known or beside or any(row["definition_hash"] == cell.definition_hash for row in known):
            continue
        latest = max(known, key=lambda row: row["started_utc"])["definition_hash"]
        for row in known:
            if row["definition_hash"] == latest:
                row["definition_hash"] = cell.definition_hash


def _count_once(rows: dict[str, dict[str, Any]]) -> list[str]:
    """Of several accepted attempts at a repeat the latest counts: no more is begun once one is accepted.

    An earlier one had its row written and was cut off before the journal took it in.
    """
    latest: dict[tuple[Any, ...], str] = {}
    doubled: list[str] = []
    for attempt_id, row in sorted(rows.items(), key=lambda item: int(item[1]["attempt_index"])):
        if row["verdict"] != "accepted":
            continue
        names = ("cell_id", "definition_hash", "repeat_index", "sentinel", "second_look")
        key = tuple(row.get(name) or False for name in names)
        if key in latest:
            doubled.append(latest[key])
        latest[key] = attempt_id
    for attempt_id in doubled:
        why = "a later attempt at the same repeat was accepted; this one had not been taken into the journal"
        rows[attempt_id] |= {"verdict": "interrupted", "reason_code": JOURNAL_LOST, "reason": why}
    return doubled


# --- the new journal --------------------------------------------------------------------------------------


def _fill(
    journal: Journal,
    plan: PlanInForce,
    rows: Mapping[str, Mapping[str, Any]],
    artifacts: Mapping[str, Sequence[Artifact]],
    campaign_id: str,
    old: _OldJournal | None,
    now_utc: datetime,
) -> None:
    folder = journal.files.folder
    ordered = sorted(rows.items(), key=lambda item: (item[1]["started_utc"], item[0]))
    first = ordered[0][1] if ordered else None
    begun_utc = (
        now_utc if first is None else first["started_utc"] - timedelta(seconds=first.get("start_s") or 0)
    )
    with journal.transaction("rebuild") as connection:
        set_meta(
            connection,
            {
                "campaign_id": campaign_id,
                "begun_utc": begun_utc.isoformat(),
                "retries": plan.retries.model_dump(),
                ROWS_KEPT: False,
                DEFINITION_FORM: FORM_NOW,
            },
        )
        connection.execute(
            "INSERT INTO plans VALUES (?, ?, ?)", (now_utc.isoformat(), plan.source, plan.text)
        )
        records.replace_plan(connection, plan.cells, plan.slots)
        # what was wanted beyond the plan's own order: a far repeat measured once more
        known = {(s.cell_id, s.repeat_index, s.remeasurement) for s in plan.slots}
        cell_ids = {cell.cell_id for cell in plan.cells}
        records.insert_slots(
            connection,
            [
                records.slot_of(row)
                for _, row in ordered
                if row.get("second_look")
                and row["cell_id"] in cell_ids
                and (row["cell_id"], row["repeat_index"], True) not in known
                and row["attempt_index"] == 1
            ],
        )
        session_of = _sessions(connection, folder, ordered, now_utc)
        for attempt_id, row in ordered:
            records.insert_ended_attempt(
                connection,
                attempt_id,
                session_of[attempt_id],
                row,
                dataset.encode_row(row, held=dataset.foreign_figures(row)),
            )
            records.insert_artifacts(connection, attempt_id, artifacts.get(attempt_id, ()))
        if old is not None and old.campaign_id in (None, campaign_id):
            connection.executemany(
                "INSERT INTO events (utc, kind, message, data) VALUES (?, ?, ?, ?)", old.events
            )
            connection.executemany(
                "INSERT INTO transitions VALUES (?, ?, ?)", [t for t in old.transitions if t[0] in rows]
            )
        message = f"a new journal was built from what is on disk: {counted(len(ordered), 'attempt')}"
        add_event(connection, now_utc, "rebuilt", message, {})


def _sessions(
    connection: sqlite3.Connection,
    folder: Path,
    ordered: Sequence[tuple[str, Mapping[str, Any]]],
    now_utc: datetime,
) -> dict[str, int]:
    """A session for each stretch of attempts of one boot and rig; attempt_id -> its session."""
    session_of: dict[str, int] = {}
    last: tuple[str, str] | None = None
    session_id = 0
    for attempt_id, row in ordered:
        who = (str(row["rig_id"]), str(row.get("boot_id") or _UNKNOWN))
        if who[0] == _UNKNOWN and last is not None:
            who = last
        if who[0] == _UNKNOWN:
            who = _rig_of_folder(folder)
        if who != last:
            session_id = records.insert_session(connection, row["started_utc"], 0, *who)
            last = who
        session_of[attempt_id] = session_id
    if last is None:
        records.insert_session(connection, now_utc, 0, *_rig_of_folder(folder))
    connection.execute(
        "UPDATE sessions SET closed_utc = ?, heartbeat_utc = opened_utc", (now_utc.isoformat(),)
    )
    return session_of


def _rig_of_folder(folder: Path) -> tuple[str, str]:
    """(rig, boot) of ``rig.json``."""
    try:
        content = json.loads(inside.read_bytes(folder, folder / records.RIG_NAME))
        return str(content["rig_id"]), str(content["boot_id"])
    except (OSError, ValueError, LookupError, TypeError):
        return _UNKNOWN, _UNKNOWN


def require_plan(folder: Path) -> Path:
    """The folder's own copy of its plan. Raises StoreError."""
    path = folder / "plan.toml"
    if not inside.is_file(folder, path):
        raise StoreError(f"{path}: not there; name the plan that the campaign ran with --plan")
    return path
