"""Whether a journal can be gone on with: one answer for those that run and those that verify. Reads only.

SQLite's own check finds torn pages, not rows that somebody deleted. So, at each orderly end, the manifest
keeps a seal: the number of rows and a hash of each table. A journal that did not move on since must still
match it; one that did may only have grown. Folders from before there was a seal are checked against
themselves and against the files and tables that came from them.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.errors import JournalDamaged, NotACampaign, StorageFault, StoreError
from harness.numerals import counted, out_of
from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Plan
from harness.store.files import TEMPORARY, SafeFiles
from harness.store.journal import JOURNAL_NAME, REPAIRED_NAME, TABLES, Journal
from harness.store.manifest import MANIFEST_NAME, read_manifest
from harness.store.records import folder_of

ATTEMPTS_FOLDER: Final = "attempts"
#: Key in ``meta``: every attempt of this campaign that ended has a file with its row.
ROWS_KEPT: Final = "rows_kept"
#: Tables whose rows are never taken away; ``slots`` and ``cells`` follow the plan, ``snapshots`` come and go.
_GROWING: Final = ("plans", "sessions", "attempts", "transitions", "artifacts", "events")
_IDENTITY: Final = (
    "cell_id", "repeat_index", "attempt_index", "sentinel", "second_look", "position", "block", "rig_id",
    "boot_id", "definition_hash",
)  # fmt: skip


def is_campaign(folder: Path) -> bool:
    """The folder holds a campaign, or what is left of one."""
    marks = (JOURNAL_NAME, REPAIRED_NAME, MANIFEST_NAME, "dataset/attempts.parquet")
    try:
        return folder.is_dir() and (
            any((folder / m).is_file() for m in marks) or bool(attempt_folders(folder))
        )
    except (OSError, ValueError):  # no name that a folder can have, or nothing that may be looked at
        return False


def require_campaign(folder: Path) -> None:
    """Raises NotACampaign."""
    if not is_campaign(folder):
        what = "no campaign there" if os.path.isdir(folder) else "no such folder"  # noqa: PTH112 - it never raises
        raise NotACampaign(f"{folder}: {what}; name the folder that `levelrig run` wrote")


def attempt_folders(folder: Path) -> list[Path]:
    """Folders of attempts that hold a finished file, in order of their names."""
    return sorted({path.parent for path in files_of_attempts(folder) if not path.name.endswith(TEMPORARY)})


def files_of_attempts(folder: Path) -> list[Path]:
    """Regular files in the folders of attempts, in order of their names."""
    top = folder / ATTEMPTS_FOLDER
    return [path for path in inside.files_below(folder, top) if len(path.relative_to(top).parts) == 3]


def refuse_to_begin_again(folder: Path) -> None:
    """A journal that is gone or empty beside what was measured. Raises JournalDamaged.

    Called before anything of the folder is touched.
    """
    path = folder / JOURNAL_NAME
    if inside.is_there(folder, folder / REPAIRED_NAME):
        return
    size = inside.size_bytes(folder, path) if inside.is_there(folder, path) else None
    if size:
        return
    measured = len(attempt_folders(folder))
    beside_it = (folder / MANIFEST_NAME, folder / "dataset" / "attempts.parquet")
    if measured or any(inside.is_there(folder, path) for path in beside_it):
        what = "is missing" if size is None else "is empty"
        beside = counted(measured, "attempt") if measured else "a manifest or a dataset"
        raise damaged(folder, [f"{JOURNAL_NAME} {what} beside {beside}"])


def damaged(folder: Path, problems: Sequence[str]) -> JournalDamaged:
    """The error for a journal that can't be gone on with."""
    told = "; ".join(problems[:3]) + (f"; and {len(problems) - 3} more" if len(problems) > 3 else "")
    return JournalDamaged(f"{folder}: {told}. Nothing was changed; {remedy(folder)}")


def remedy(folder: Path) -> str:
    """The way that works, for messages."""
    return (
        f"`levelrig rebuild {folder}` builds a new journal from what is on disk and keeps this one aside "
        "(or put a copy of the journal back)"
    )


def open_sound(files: SafeFiles) -> Journal:
    """Open a journal to go on with it, or begin one where nothing was measured. The caller holds the lock.

    Raises:
        JournalDamaged: It is not whole; nothing was changed.
    """
    folder = files.folder
    refuse_to_begin_again(folder)
    journal: Journal | None = None
    try:
        journal = Journal.open(files)
        found = problems(journal)
        if found:
            raise damaged(folder, found)
        return journal
    except StorageFault as error:
        if journal is not None:
            journal.close()
        raise _as_damage(folder, error) from error


def read_sound(folder: Path) -> Journal:
    """Open a journal to look at the campaign. Raises NotACampaign, JournalDamaged, StoreError."""
    require_campaign(folder)
    journal: Journal | None = None
    try:
        if not inside.is_there(folder, folder / REPAIRED_NAME):
            refuse_to_begin_again(folder)
        journal = Journal.read(folder)
        found = missing_tables(journal)
        if found:
            raise damaged(folder, found)
        if not journal.query("SELECT name FROM sqlite_master") or journal.meta("campaign_id") is None:
            found = problems(journal)
            if found:
                raise damaged(folder, found)
            raise StoreError(f"{folder}: the campaign was not begun to the end; run its plan again")
        if not journal.query("SELECT session_id FROM sessions LIMIT 1"):
            raise damaged(folder, ["table sessions is empty"])
        return journal
    except StoreError as error:
        if journal is not None:
            journal.close()
        raise (_as_damage(folder, error) if isinstance(error, StorageFault) else error) from error


def _as_damage(folder: Path, error: StorageFault) -> StorageFault:
    """What SQLite says of damage, with the way out; other faults of the disk as they are."""
    told = damage_in(error)
    if isinstance(error, JournalDamaged) or told is None:
        return error
    return damaged(folder, [f"{JOURNAL_NAME} is damaged ({told})"])


def damage_in(error: StoreError) -> str | None:
    """What is damaged, in words without a way out; None where the fault is another, as a missing right."""
    cause = error.__cause__
    if not isinstance(cause, sqlite3.DatabaseError):
        return "gone, or empty, beside what was measured" if isinstance(error, JournalDamaged) else None
    code = getattr(cause, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
    return str(cause) if code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) else None


def seal(journal: Journal) -> dict[str, Any]:
    """Rows and hash of each table, for the manifest."""
    tables = {}
    for table in TABLES:
        rows = journal.query(f"SELECT * FROM {table} ORDER BY rowid")
        tables[table] = {"rows": len(rows), "sha256": _digest(rows)}
    last = journal.query("SELECT max(session_id) FROM sessions")[0][0]
    return {"session_id": last, "tables": tables}


def problems(journal: Journal) -> list[str]:
    """What is wrong with a journal; empty when all is well. Call it with the log applied.

    A campaign that was not begun to the end has an empty journal, and nothing was measured in it.
    """
    folder = journal.files.folder
    found = journal.problems()[:3] or missing_tables(journal)
    if found or not journal.query("SELECT name FROM sqlite_master"):
        return found
    manifest = read_manifest(folder)
    known = {t: journal.query(f"SELECT count(*) FROM {t}")[0][0] for t in TABLES}
    campaign_id = _quietly(lambda: journal.meta("campaign_id"))
    begun = campaign_id is not None
    if not begun:
        left = [t for t in ("attempts", "sessions", "plans", "slots", "cells") if known[t]]
        if left or attempt_folders(folder) or manifest.get("campaign_id"):
            return ["the journal does not know which campaign it is of (table meta is empty)"]
        return []
    if manifest.get("campaign_id") not in (None, campaign_id):
        return [f"the journal is of campaign {campaign_id}, the manifest of {manifest['campaign_id']}"]
    for key in ("begun_utc", "retries"):
        if _quietly(lambda key=key: journal.meta(key)) is None:
            found.append(f"table meta lacks {key}")
    found += [f"table {t} is empty" for t in ("sessions", "plans", "cells", "slots") if not known[t]]
    found += _numbering(journal) or _against_plan(journal)
    found += _rows(journal, str(campaign_id))
    found += _against_seal(journal, manifest, known)
    found += _against_files(journal, folder, manifest)
    found += _against_dataset(journal, folder)
    return found


def missing_tables(journal: Journal) -> list[str]:
    """Tables or columns that are not there; a database of another program lacks all of them."""
    names = {r[0] for r in journal.query("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not names:
        return []
    absent = [table for table in TABLES if table not in names]
    if absent:
        return [f"it is no journal of levelrig (no table {', '.join(absent)})"]
    return []


def _numbering(journal: Journal) -> list[str]:
    """Gaps in what the store numbers without gaps."""
    found = []
    for table, column in (("attempts", "attempt_number"), ("sessions", "session_id"), ("slots", "position")):
        planned = " WHERE second_look = 0" if table == "slots" else ""  # the others leave gaps
        sql = f"SELECT count(*), coalesce(max({column}), 0) FROM {table}{planned}"
        count, last = journal.query(sql)[0]
        if count != last:
            found.append(f"table {table}: {out_of(last - count, last, 'row', 'is')} missing")
    return found


def _against_plan(journal: Journal) -> list[str]:
    """Fewer planned repeats than the plan in force has; where its text can be read without its plugins."""
    texts = journal.query("SELECT text FROM plans ORDER BY rowid DESC LIMIT 1")
    try:
        plan = Plan.kept(texts[0]["text"])
        wanted = len(arrange(plan, expand(plan)))
    except (LookupError, ValueError):
        return []
    count = journal.query("SELECT count(*) FROM slots WHERE second_look = 0")[0][0]
    return [f"table slots: {out_of(wanted - count, wanted, 'row', 'is')} missing"] if count < wanted else []


def _rows(journal: Journal, campaign_id: str) -> list[str]:
    """Rows that contradict themselves or each other."""
    found = []
    for row in journal.query("SELECT * FROM attempts WHERE verdict IS NOT NULL ORDER BY attempt_number"):
        attempt_id = row["attempt_id"]
        try:
            fields = json.loads(row["fields"])
            named = f"{row['cell_id']}/{folder_of({**dict(row), **_flags(row)})}"
            same = all(fields.get(name) == {**dict(row), **_flags(row)}[name] for name in _IDENTITY)
            same = same and fields["verdict"] == row["verdict"] and fields["campaign_id"] == campaign_id
        except (ValueError, TypeError, LookupError):
            same, named = False, attempt_id
        if not same or named != attempt_id:
            found.append(f"table attempts: the row of {attempt_id} contradicts itself")
    unknown = journal.query(
        "SELECT DISTINCT attempt_id FROM (SELECT attempt_id FROM artifacts UNION SELECT attempt_id FROM"
        " transitions) WHERE attempt_id NOT IN (SELECT attempt_id FROM attempts)"
    )
    found += [f"table attempts: the row of {r[0]} is missing" for r in unknown]
    return found


def _flags(row: sqlite3.Row) -> dict[str, bool]:
    return {name: bool(row[name]) for name in ("sentinel", "second_look")}


def _against_seal(journal: Journal, manifest: Mapping[str, Any], known: Mapping[str, int]) -> list[str]:
    sealed = manifest.get("journal")
    if not isinstance(sealed, dict) or not isinstance(sealed.get("tables"), dict):
        return []
    tables = sealed["tables"]
    last = journal.query("SELECT max(session_id) FROM sessions")[0][0]
    if last == sealed.get("session_id"):
        now = seal(journal)["tables"]
        return [
            f"table {t} was changed since the last run closed it ({_count(tables[t])} rows then, "
            f"{now[t]['rows']} now)"
            for t in TABLES
            if t in tables and t != "events" and tables[t] != now[t]
        ]
    return [
        f"table {t}: rows are missing ({known[t]}, {_count(tables[t])} when the last run closed it)"
        for t in _GROWING
        if t in tables and known[t] < _count(tables[t])
    ]


def _count(entry: Any) -> int:
    return int(entry["rows"]) if isinstance(entry, dict) and isinstance(entry.get("rows"), int) else 0


def _against_files(journal: Journal, folder: Path, manifest: Mapping[str, Any]) -> list[str]:
    """Attempts whose files are there, and whose row is not; and the other way round."""
    there = {path.relative_to(folder / ATTEMPTS_FOLDER).as_posix() for path in attempt_folders(folder)}
    listed = {
        path.removeprefix(f"{ATTEMPTS_FOLDER}/").rpartition("/")[0]
        for path in manifest.get("files", {})
        if path.startswith(f"{ATTEMPTS_FOLDER}/")
    }
    # read after the folders, so that an attempt that begins meanwhile has its row
    rows = {r["attempt_id"]: r for r in journal.query("SELECT attempt_id, verdict FROM attempts")}
    found = [
        f"table attempts: the row of {attempt_id} is missing"
        for attempt_id in sorted((there | listed) - set(rows))
    ]
    with_artifacts = {r[0] for r in journal.query("SELECT DISTINCT attempt_id FROM artifacts")}
    found += [
        f"table artifacts: the rows of {attempt_id} are missing"
        for attempt_id in sorted((there | listed) & set(rows) - with_artifacts)
        if rows[attempt_id]["verdict"] == "accepted"
    ]
    if not journal.meta(ROWS_KEPT):
        return found
    return found + [
        f"table attempts: {attempt_id} was accepted, and no file of it was ever kept"
        for attempt_id, row in rows.items()
        if row["verdict"] == "accepted" and attempt_id not in there | listed | with_artifacts
    ]


def _against_dataset(journal: Journal, folder: Path) -> list[str]:
    """Attempts that were exported and that the journal has not."""
    import pyarrow as pa

    from harness.parquet import read_parquet

    path = folder / "dataset" / "attempts.parquet"
    try:
        names = ["cell_id", "repeat_index", "attempt_index", "sentinel", "second_look"]
        with inside.opened(folder, path) as file:
            exported = read_parquet(file, names).to_pylist()
    except (OSError, pa.ArrowException, KeyError, ValueError):
        return []
    known = {r[0] for r in journal.query("SELECT attempt_id FROM attempts")}
    ids = {f"{row['cell_id']}/{folder_of(row)}" for row in exported}
    return [f"table attempts: the row of {attempt_id} is missing" for attempt_id in sorted(ids - known)]


def _digest(rows: Sequence[sqlite3.Row]) -> str:
    digest = hashlib.sha256()
    for row in rows:
        digest.update(json.dumps(tuple(row), default=repr).encode() + b"\n")
    return digest.hexdigest()


def _quietly(read: Any) -> Any:
    try:
        return read()
    except ValueError:
        return None
