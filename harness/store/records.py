"""What the journal's tables hold, as values, and the statements that change them.

Functions that take a connection run inside a transaction of :class:`~harness.store.journal.Journal`.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.plan.earlier_keys import with_present_keys
from harness.plan.night_tables import Retries
from harness.plan.schema import Cell, Slot
from harness.store import campaign_state as rules
from harness.store.artifacts import Artifact
from harness.store.campaign_state import Standing
from harness.store.causes import AttemptFact
from harness.store.journal import Journal

RIG_NAME: Final = "rig.json"


@dataclass(frozen=True)
class BegunAttempt:
    """An attempt's durable start, as :func:`insert_attempt` put it down."""

    attempt_id: str
    attempt_index: int


@dataclass(frozen=True)
class Session:
    """One process that worked on the folder.

    Attributes:
        heartbeat_utc: Last sign of life.
        closed_utc: None if it is at work, or ended without closing the folder.
        outcome: How the campaign ended in it, where it got that far.
    """

    session_id: int
    opened_utc: datetime
    pid: int
    rig_id: str
    boot_id: str
    heartbeat_utc: datetime
    closed_utc: datetime | None
    outcome: str | None


def folder_name(repeat_index: int, attempt_index: int, sentinel: bool, remeasurement: bool = False) -> str:
    """Name of an attempt's folder below its cell's."""
    kind = "sentinel-" if sentinel else "second-look-" if remeasurement else ""
    return f"{kind}{repeat_index}.{attempt_index}"


#: Signs of the longest name of a file of an attempt, while it is written.
_LONGEST_NAME: Final = 48


def longest_path_below(cell_ids: Sequence[str]) -> int:
    """Signs of the longest path below a campaign's folder."""
    longest = folder_name(999, 99, sentinel=False, remeasurement=True)
    return len(f"attempts/{max(cell_ids, key=len, default='')}/{longest}/") + _LONGEST_NAME


def folder_of(row: Mapping[str, Any]) -> str:
    """:func:`folder_name` of a row of ``harness.tables.ATTEMPTS``."""
    return folder_name(
        int(row["repeat_index"]),
        int(row["attempt_index"]),
        row.get("sentinel") is True,
        row.get("second_look") is True,
    )


def attempt_id_of(row: Mapping[str, Any]) -> str:
    """Id of the attempt in a row of ``harness.tables.ATTEMPTS``: its folder below ``attempts/``."""
    return f"{row['cell_id']}/{folder_of(row)}"


# --- reading ----------------------------------------------------------------------------------------------


def measured_hashes(journal: Journal) -> dict[str, str]:
    """cell_id -> hash of what is run for it, by the plan in force; empty in folders of earlier versions."""
    rows = journal.query("SELECT cell_id, definition FROM cells")
    return {r["cell_id"]: json.loads(r["definition"]).get("measured_hash", "") for r in rows}


def definitions(journal: Journal) -> dict[str, str]:
    """cell_id -> definition hash of the plan in force."""
    return {r["cell_id"]: r["definition_hash"] for r in journal.query("SELECT * FROM cells ORDER BY rowid")}


def slots(journal: Journal) -> list[Slot]:
    """The planned repeats in the order of the night."""
    return [
        Slot(
            position=r["position"],
            block=r["block"],
            cell_id=r["cell_id"],
            repeat_index=r["repeat_index"],
            sentinel=bool(r["sentinel"]),
            remeasurement=bool(r["second_look"]),
        )
        for r in journal.query("SELECT * FROM slots ORDER BY position")
    ]


def attempt_facts(journal: Journal) -> list[AttemptFact]:
    """Every attempt, as the rules see it."""
    return [
        AttemptFact(
            cell_id=r["cell_id"],
            title=r["title"],
            profile=r["profile"],
            definition_hash=r["definition_hash"],
            repeat_index=r["repeat_index"],
            sentinel=bool(r["sentinel"]),
            verdict=r["verdict"],
            reason_code=r["reason_code"],
            remeasurement=bool(r["second_look"]),
            reason=_reason(r),
            session=r["session_id"],
            round=r["round"],
            launched=bool(r["launched"]),
        )
        for r in journal.query(
            "SELECT *, (SELECT count(*) FROM sessions s WHERE s.session_id < a.session_id"
            " AND s.outcome IS NOT NULL) AS round, a.attempt_id IN (SELECT attempt_id FROM"
            " transitions WHERE phase = 'launch') AS launched"
            " FROM attempts a ORDER BY attempt_number"
        )
    ]


def _reason(row: sqlite3.Row) -> str | None:
    """Why an attempt was not accepted, in a sentence."""
    if row["reason_code"] is None or row["fields"] is None:
        return None
    reason = json.loads(row["fields"]).get("reason")
    return None if reason is None else str(reason)


def accepted_counts(journal: Journal) -> Mapping[tuple[str, str], int]:
    """(cell_id, definition hash) -> accepted repeats."""
    return Counter((a.cell_id, a.definition_hash) for a in attempt_facts(journal) if a.verdict == "accepted")


def standing(journal: Journal) -> Standing:
    """Where the campaign stands now."""
    rows = journal.query("SELECT * FROM cells")
    kept = with_present_keys({"retries": journal.meta("retries")})
    retries = Retries.model_validate(kept["retries"])
    runs = journal.query("SELECT session_id, outcome FROM sessions ORDER BY session_id")
    return rules.standing(
        slots(journal),
        definitions(journal),
        {r["cell_id"]: (r["title"], r["profile"]) for r in rows},
        attempt_facts(journal),
        retries,
        controls={r["cell_id"]: str(json.loads(r["definition"])["profile"]["control"]) for r in rows},
        kin={r["cell_id"]: _runs_as(r) for r in rows},
        session=runs[-1]["session_id"] if runs else 0,
        orderly_ends=sum(run["outcome"] is not None for run in runs[:-1]),
    )


def _runs_as(row: sqlite3.Row) -> str:
    """The cell's title and setting; the cell itself where the plan's words name its profile."""
    cell_id = str(row["cell_id"])
    return cell_id if "{profile}" in row["definition"] else cell_id.rpartition(".")[0]


def unfinished(journal: Journal) -> list[sqlite3.Row]:
    """Attempts that were begun and have no verdict; ``last_phase`` is the last one put down."""
    return journal.query(
        "SELECT *, (SELECT phase FROM transitions t WHERE t.attempt_id = a.attempt_id"
        " ORDER BY t.rowid DESC LIMIT 1) AS last_phase FROM attempts a WHERE verdict IS NULL"
        " ORDER BY attempt_number"
    )


def encoded_rows(journal: Journal, *, repeats_only: bool = False) -> list[str]:
    """Rows of ended attempts as JSON; of accepted ones at present definitions only, if asked for."""
    if not repeats_only:
        sql = "SELECT fields FROM attempts WHERE verdict IS NOT NULL ORDER BY attempt_number"
    else:
        sql = (
            "SELECT fields FROM attempts JOIN cells USING (cell_id, definition_hash)"
            " WHERE verdict = 'accepted' ORDER BY attempt_number"
        )
    return [r["fields"] for r in journal.query(sql)]


def artifacts(journal: Journal) -> list[tuple[str, Artifact]]:
    """(attempt_id, artifact) of everything that was committed."""
    return [(r["attempt_id"], _artifact(r)) for r in journal.query("SELECT * FROM artifacts ORDER BY path")]


def artifact(journal: Journal, path: str) -> Artifact | None:
    """The committed artifact at this path; None if there is none."""
    rows = journal.query("SELECT * FROM artifacts WHERE path = ?", (path,))
    return next((_artifact(r) for r in rows), None)


def _artifact(row: sqlite3.Row) -> Artifact:
    return Artifact(row["path"], row["sha256"], row["bytes"], row["row_count"], bool(row["partial"]))


def attempt_sizes(journal: Journal) -> list[int]:
    """Bytes of the artifacts of each attempt."""
    return [r[0] for r in journal.query("SELECT sum(bytes) FROM artifacts GROUP BY attempt_id")]


def rig_facts(folder: Path) -> Mapping[str, Mapping[str, Any]]:
    """Sections of ``rig.json``; empty where it is missing or can't be read."""
    try:
        facts = json.loads(inside.read_bytes(folder, folder / RIG_NAME))["facts"]
    except (OSError, ValueError, LookupError, TypeError):
        return {}
    return {k: v for k, v in facts.items() if isinstance(v, dict)} if isinstance(facts, dict) else {}


def sessions(journal: Journal) -> list[Session]:
    """All sessions, oldest first."""
    return [
        Session(
            session_id=r["session_id"],
            opened_utc=datetime.fromisoformat(r["opened_utc"]),
            pid=r["pid"],
            rig_id=r["rig_id"],
            boot_id=r["boot_id"],
            heartbeat_utc=datetime.fromisoformat(r["heartbeat_utc"]),
            closed_utc=datetime.fromisoformat(r["closed_utc"]) if r["closed_utc"] else None,
            outcome=r["outcome"],
        )
        for r in journal.query("SELECT * FROM sessions ORDER BY session_id")
    ]


# --- writing ----------------------------------------------------------------------------------------------


def replace_plan(connection: sqlite3.Connection, cells: Sequence[Cell], wanted: Iterable[Slot]) -> None:
    """Put a plan's cells and slots in force."""
    connection.execute("DELETE FROM slots")
    connection.execute("DELETE FROM cells")
    connection.executemany(
        "INSERT INTO cells VALUES (?, ?, ?, ?, ?, ?)",
        [
            (
                c.cell_id,
                c.title.name,
                c.setting.name,
                c.profile.name,
                c.definition_hash,
                c.model_dump_json(),
            )
            for c in cells
        ],
    )
    insert_slots(connection, wanted)


def rename_definitions(connection: sqlite3.Connection, renamed: Mapping[tuple[str, str], str]) -> None:
    """Give definitions the hash that says the same now: (cell_id, hash so far) -> new hash."""
    for (cell_id, before), after in renamed.items():
        rows = connection.execute(
            "SELECT attempt_id, fields FROM attempts WHERE cell_id = ? AND definition_hash = ?",
            (cell_id, before),
        ).fetchall()
        for row in rows:
            fields = row["fields"] and json.dumps({**json.loads(row["fields"]), "definition_hash": after})
            connection.execute(
                "UPDATE attempts SET definition_hash = ?, fields = ? WHERE attempt_id = ?",
                (after, fields, row["attempt_id"]),
            )


def insert_slots(connection: sqlite3.Connection, wanted: Iterable[Slot]) -> None:
    """Add planned repeats."""
    connection.executemany(
        "INSERT INTO slots VALUES (?, ?, ?, ?, ?, ?)",
        [(s.position, s.block, s.cell_id, s.repeat_index, s.sentinel, s.remeasurement) for s in wanted],
    )


def insert_session(
    connection: sqlite3.Connection, now_utc: datetime, pid: int, rig_id: str, boot_id: str
) -> int:
    """Put a session's start down; returns its id."""
    now = now_utc.isoformat()
    cursor = connection.execute(
        "INSERT INTO sessions (opened_utc, pid, rig_id, boot_id, heartbeat_utc) VALUES (?, ?, ?, ?, ?)",
        (now, pid, rig_id, boot_id, now),
    )
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def insert_attempt(
    connection: sqlite3.Connection,
    slot: Slot,
    *,
    session_id: int,
    started_utc: datetime,
    start_s: float,
    boot_id: str,
    rig_id: str,
) -> BegunAttempt:
    """Put an attempt's start down, with the next free attempt index."""
    (index,) = connection.execute(
        "SELECT coalesce(max(attempt_index), 0) + 1 FROM attempts"
        " WHERE cell_id = ? AND repeat_index = ? AND sentinel = ? AND second_look = ?",
        rules.key_of(slot),
    ).fetchone()
    name = folder_name(slot.repeat_index, index, slot.sentinel, slot.remeasurement)
    attempt_id = f"{slot.cell_id}/{name}"
    connection.execute(
        "INSERT INTO attempts (attempt_id, session_id, cell_id, title, setting, profile, definition_hash,"
        " repeat_index, sentinel, second_look, attempt_index, position, block, started_utc, start_s,"
        " boot_id, rig_id)"
        " SELECT ?, ?, cell_id, title, setting, profile, definition_hash, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?"
        " FROM cells WHERE cell_id = ?",
        (
            attempt_id,
            session_id,
            slot.repeat_index,
            slot.sentinel,
            slot.remeasurement,
            index,
            slot.position,
            slot.block,
            started_utc.isoformat(),
            start_s,
            boot_id,
            rig_id,
            slot.cell_id,
        ),
    )
    return BegunAttempt(attempt_id, index)


def insert_ended_attempt(
    connection: sqlite3.Connection, attempt_id: str, session_id: int, row: Mapping[str, Any], fields: str
) -> None:
    """Put an attempt down whose outcome is known already, as a journal that is built again does."""
    names = (
        "cell_id", "title", "setting", "profile", "definition_hash", "repeat_index", "attempt_index",
        "position", "block", "rig_id", "verdict",
    )  # fmt: skip
    values = {name: row[name] for name in names} | {
        "attempt_id": attempt_id,
        "session_id": session_id,
        "sentinel": bool(row.get("sentinel")),
        "second_look": bool(row.get("second_look")),
        "started_utc": row["started_utc"].isoformat(),
        "start_s": row.get("start_s") or 0.0,
        "boot_id": row.get("boot_id") or "unknown",
        "reason_code": row.get("reason_code"),
        "fields": fields,
    }
    marks = ", ".join("?" * len(values))
    connection.execute(
        f"INSERT INTO attempts ({', '.join(values)}) VALUES ({marks})",
        tuple(values.values()),
    )


def insert_artifacts(connection: sqlite3.Connection, attempt_id: str, found: Iterable[Artifact]) -> None:
    """Put artifacts of an attempt down; one that stands there already is put down again."""
    connection.executemany(
        "INSERT OR REPLACE INTO artifacts VALUES (?, ?, ?, ?, ?, ?)",
        [(attempt_id, a.path, a.sha256, a.size_bytes, a.row_count, a.partial) for a in found],
    )


def slot_of(row: Mapping[str, Any]) -> Slot:
    """The planned repeat that an attempt served."""
    return Slot(
        position=row["position"],
        block=row["block"],
        cell_id=row["cell_id"],
        repeat_index=row["repeat_index"],
        sentinel=bool(row.get("sentinel")),
        remeasurement=bool(row.get("second_look")),
    )


def end_attempt(
    connection: sqlite3.Connection,
    attempt_id: str,
    verdict: str,
    reason_code: str | None,
    fields: str,
    evidence: Sequence[Artifact],
) -> bool:
    """Put an attempt's outcome down, with its artifacts. False if it has an outcome already."""
    changed = connection.execute(
        "UPDATE attempts SET verdict = ?, reason_code = ?, fields = ?"
        " WHERE attempt_id = ? AND verdict IS NULL",
        (verdict, reason_code, fields, attempt_id),
    ).rowcount
    insert_artifacts(connection, attempt_id, evidence)
    return changed == 1


def known_fields(journal: Journal, attempt_id: str, campaign_id: str) -> dict[str, object]:
    """Columns of the attempts table that the journal knows better than anybody."""
    row = journal.query("SELECT * FROM attempts WHERE attempt_id = ?", (attempt_id,))[0]
    names = (
        "cell_id", "title", "setting", "profile", "repeat_index", "attempt_index", "block", "position",
        "definition_hash", "start_s", "boot_id", "rig_id",
    )  # fmt: skip
    return {
        "campaign_id": campaign_id,
        **{name: row[name] for name in names},
        "sentinel": bool(row["sentinel"]),
        "second_look": bool(row["second_look"]),
        "started_utc": datetime.fromisoformat(row["started_utc"]),
    }
