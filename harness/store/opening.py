"""What happens when a campaign folder is opened: it begins, or goes on where it was left."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import tomllib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.boots import same_boot
from harness.errors import DiskFull, FolderTaken, PlanChanged, RigChanged
from harness.numerals import counted
from harness.plan.cells import means_the_same
from harness.plan.night_tables import Retries
from harness.plan.schema import Cell, Slot
from harness.rig import RigFacts
from harness.rig_identity import RigComparison, compare_rigs
from harness.store import dataset, records
from harness.store.artifacts import Artifact, salvage
from harness.store.campaign_state import MACHINE_DOWN, MACHINE_RESTARTED
from harness.store.causes import PROGRAM_LOST
from harness.store.changes import PlanChange, compare
from harness.store.export import DATASET_FOLDER, PLAN_NAME
from harness.store.files import BALLAST_BYTES, BALLAST_NAME, SafeFiles
from harness.store.journal import JOURNAL_NAME, Journal, add_event, set_meta
from harness.store.lock import FolderLock
from harness.store.records import RIG_NAME
from harness.store.revise import rewrite_lost_rows
from harness.store.soundness import ROWS_KEPT, is_campaign

ATTEMPTS_FOLDER: Final = "attempts"
#: Tells by what an earlier boot ended in order (identity, latest time at which it is known to have run).
BootEnded = Callable[[str, datetime], str | None]
#: What a campaign writes beside its journal once it has begun.
NAMES_OF_ITS_OWN: Final = (
    PLAN_NAME, RIG_NAME, ATTEMPTS_FOLDER, DATASET_FOLDER, "report", "CITATION.cff", "ro-crate-metadata.json",
)  # fmt: skip
#: Key in ``meta``: how definition hashes are made. 2: of what bears, without what is at its default.
DEFINITION_FORM: Final = "definition_form"
FORM_NOW: Final = 2


@dataclass(frozen=True)
class PlanInForce:
    """The plan that a session goes by."""

    text: str
    source: str
    cells: Sequence[Cell]
    slots: Sequence[Slot]
    retries: Retries


@dataclass
class OpenSession:
    """This process's time with the folder.

    Attributes:
        start_offset_s: Seconds from the campaign's first start to this session's, by the wall clock.
        plan_change: How the plan differs from the folder's; None where the campaign begins.
        closed_attempts: Attempts that were found begun and not ended.
        rig_note: By what the rig was recognised, where its id alone does not say it.
        known_utc: Latest wall-clock time that the store was told.
    """

    session_id: int
    rig_id: str
    start_offset_s: float
    plan_change: PlanChange | None
    closed_attempts: tuple[str, ...]
    known_utc: datetime
    rig_note: str = ""

    def last_known_utc(self) -> datetime:
        return self.known_utc


def refuse_to_replace(folder: Path, plan_text: str) -> None:
    """A campaign that begins writes nothing over what somebody else put there.

    Raises:
        FolderTaken: No campaign, and something there has a name of a campaign's own. Nothing was changed.
    """
    journal = folder / JOURNAL_NAME
    if inside.size_bytes(folder, journal) or is_campaign(folder):
        return
    # A link is refused where it is written through.
    taken = [n for n in NAMES_OF_ITS_OWN if inside.is_file(folder, folder / n) or _is_folder(folder / n)]
    with contextlib.suppress(OSError):
        if inside.read_bytes(folder, folder / PLAN_NAME) == plan_text.encode():
            taken.remove(PLAN_NAME)
    if taken:
        raise FolderTaken(
            f"{folder}: no campaign, and it holds {', '.join(taken)}, which a campaign there would write "
            "over; name a new folder with --into"
        )


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def begin_session(
    journal: Journal,
    plan: PlanInForce,
    facts: RigFacts,
    now_utc: datetime,
    *,
    accept_plan_change: bool,
    accept_other_rig: bool,
    boot_ended: BootEnded | None,
) -> OpenSession:
    """Begin the campaign in an empty journal, or go on. See ``CampaignStore.open``."""
    files = journal.files
    begun = journal.meta("campaign_id") is not None
    renamed = same_under_new_hashes(journal, plan) if begun else {}
    change = compare_plans(journal, plan.cells, renamed) if begun else None
    rig_note = compare_with_last(journal, facts).told if begun else ""
    if change is not None:
        _refuse_silent_losses(journal, facts, change, accept_plan_change, accept_other_rig)
    extended = _refuse_second_extension(journal, plan) if begun else None
    saved = {
        row["attempt_id"]: salvage(files, files.folder / ATTEMPTS_FOLDER / row["attempt_id"])
        for row in records.unfinished(journal)
    }
    _keep_ballast(files)
    with journal.transaction("resume" if begun else "begin_campaign") as connection:
        if not begun:
            begun_as = {"campaign_id": _new_id(plan, facts, now_utc), "begun_utc": now_utc.isoformat()}
            set_meta(connection, {**begun_as, ROWS_KEPT: True})
        records.rename_definitions(connection, renamed)
        set_meta(connection, {DEFINITION_FORM: FORM_NOW})
        closed = _close_interrupted(journal, connection, facts, now_utc, saved, boot_ended)
        _put_plan_in_force(journal, connection, plan, change, now_utc)
        if extended is not None:
            message = f"extended once after a look: from {extended[0]} repeats of each cell to {extended[1]}"
            add_event(connection, now_utc, "extended", message, {"from": extended[0], "to": extended[1]})
        if begun:
            _note_resume(journal, connection, facts, change, closed, now_utc)
        set_meta(connection, {"retries": plan.retries.model_dump()})
        session_id = records.insert_session(connection, now_utc, os.getpid(), facts.rig_id, facts.boot_id)
    _write_if_changed(files, PLAN_NAME, plan.text.encode())
    _write_rig(files, facts)
    with contextlib.suppress(DiskFull):  # a copy for a journal that is lost one day
        rewrite_lost_rows(journal, files.folder / ATTEMPTS_FOLDER, now_utc)
    begun_utc = datetime.fromisoformat(journal.meta("begun_utc"))
    offset_s = max(0.0, (now_utc - begun_utc).total_seconds())
    return OpenSession(session_id, facts.rig_id, offset_s, change, tuple(closed), now_utc, rig_note)


def compare_plans(
    journal: Journal, cells: Sequence[Cell], renamed: Mapping[tuple[str, str], str] | None = None
) -> PlanChange:
    """How these cells differ from those of the folder.

    Args:
        journal: The folder's journal.
        cells: The cells of the plan that is to go on.
        renamed: (cell_id, hash in the folder) -> hash that says the same now.
    """
    renamed = renamed or {}
    after = {cell.cell_id: cell.definition_hash for cell in cells}
    before = {c: renamed.get((c, known), known) for c, known in records.definitions(journal).items()}
    accepted: Counter[tuple[str, str]] = Counter()
    for key, count in records.accepted_counts(journal).items():
        accepted[key[0], renamed.get(key, key[1])] += count
    measured = records.measured_hashes(journal)
    same = {c.cell_id for c in cells if c.measured_hash and c.measured_hash == measured.get(c.cell_id)}
    return compare(before, after, accepted, same)


def same_under_new_hashes(journal: Journal, plan: PlanInForce) -> dict[tuple[str, str], str]:
    """Cells whose definition has another hash now only because hashes are made otherwise since.

    Returns:
        (cell_id, hash in the folder) -> hash in the plan that is to go on; empty for folders of this form.
    """
    if journal.meta(DEFINITION_FORM) == FORM_NOW:
        return {}
    texts = journal.query("SELECT text FROM plans ORDER BY rowid DESC LIMIT 1")
    after = {cell.cell_id: cell for cell in plan.cells}
    renamed: dict[tuple[str, str], str] = {}
    for row in journal.query("SELECT cell_id, definition_hash, definition FROM cells"):
        cell = after.get(row["cell_id"])
        if cell is None or cell.definition_hash == row["definition_hash"]:
            continue
        try:
            before = Cell.model_validate_json(row["definition"])
            plans = [tomllib.loads(text.removeprefix("\ufeff")) for text in (texts[0]["text"], plan.text)]
            same = means_the_same(before, cell, plans[0], plans[1])
        except (ValueError, LookupError):
            continue  # then it counts as changed, and nothing is discarded without being asked for
        if same:
            renamed[row["cell_id"], row["definition_hash"]] = cell.definition_hash
    return renamed


def rig_json(facts: RigFacts) -> bytes:
    """Content of ``rig.json``."""
    content = {
        "rig_id": facts.rig_id,
        "boot_id": facts.boot_id,
        "simulated": facts.simulated,
        "facts": {section: dict(values) for section, values in facts.facts.items()},
    }
    return (json.dumps(content, indent=1, sort_keys=True, default=str) + "\n").encode()


def _write_rig(files: SafeFiles, facts: RigFacts) -> None:
    """Put the rig down that the campaign was begun on; a file that can't be read any more is kept aside."""
    path = files.folder / RIG_NAME
    if inside.is_file(files.folder, path):
        if records.rig_facts(files.folder) or inside.read_bytes(files.folder, path) == rig_json(facts):
            return
        files.keep_aside(RIG_NAME)
    _write_if_changed(files, RIG_NAME, rig_json(facts))


def _refuse_silent_losses(
    journal: Journal, facts: RigFacts, change: PlanChange, accept_plan_change: bool, accept_other_rig: bool
) -> None:
    folder = journal.files.folder
    if change.discards_work and not accept_plan_change:
        told = "\n".join(f"  {line}" for line in change.lines())
        lost = sum(change.discarded_repeats.values())
        raise PlanChanged(
            f"{folder}: the plan changed, and {counted(lost, 'accepted repeat')} would no longer count:\n"
            f"{told}\nadd --discard-changed to go on so, or use a new folder"
        )
    seen = compare_with_last(journal, facts)
    if not seen.same and not accept_other_rig:
        last = records.sessions(journal)[-1].rig_id
        raise RigChanged(
            f"{folder}: measured on rig {last}, this is {facts.rig_id}: {seen.told}; analyse it as it is, "
            "use a new folder here, or add --other-rig to mix both rigs in one campaign"
        )


def _head(text: str) -> dict[str, Any]:
    """Table ``[plan]`` of a plan's text; empty where it can't be read."""
    try:
        head = tomllib.loads(text.removeprefix("\ufeff")).get("plan", {})
    except ValueError:
        return {}
    return head if isinstance(head, dict) else {}


def _refuse_second_extension(journal: Journal, plan: PlanInForce) -> tuple[int, int] | None:
    """From and to how many repeats the plan was extended since the folder's last one; None where not.

    Raises:
        PlanChanged: It was extended before, or had no room for it when its first repeat was measured.
    """
    texts = [row["text"] for row in journal.query("SELECT text FROM plans ORDER BY rowid")]
    new, *old = (_head(text) for text in (plan.text, *texts))
    to = new.get("extended_to")
    before = next((head["extended_to"] for head in reversed(old) if head.get("extended_to")), None)
    if to == before or not old:
        return None
    measured = bool(journal.query("SELECT 1 FROM attempts WHERE verdict = 'accepted' LIMIT 1"))
    folder = journal.files.folder
    if before is not None and measured:
        raise PlanChanged(
            f"{folder}: extended to {before} repeats already, and a plan is extended once; set extended_to "
            f"back to {before}, or measure a new campaign"
        )
    if measured and not old[0].get("may_extend_once"):
        raise PlanChanged(
            f"{folder}: its plan kept no room for an extension before the first repeat (may_extend_once); "
            "take extended_to out, and measure a new campaign"
        )
    return (int(new["repeats"]), int(to or 0)) if measured else None


def compare_with_last(journal: Journal, facts: RigFacts) -> RigComparison:
    """This rig against that of the folder's last session."""
    last = records.sessions(journal)[-1]
    return compare_rigs(
        last.rig_id,
        facts.rig_id,
        facts_before=records.rig_facts(journal.files.folder),
        facts_now=facts.facts,
        same_boot=same_boot(last.boot_id, facts.boot_id),
    )


def _close_interrupted(
    journal: Journal,
    connection: sqlite3.Connection,
    facts: RigFacts,
    now_utc: datetime,
    saved: dict[str, list[Artifact]],
    boot_ended: BootEnded | None,
) -> list[str]:
    closed: list[str] = []
    for row in records.unfinished(journal):
        attempt_id = row["attempt_id"]
        rebooted = not same_boot(row["boot_id"], facts.boot_id)
        ordered = None
        if rebooted and boot_ended is not None:
            ordered = boot_ended(row["boot_id"], records.sessions(journal)[-1].heartbeat_utc)
        code, reason = why_interrupted(row["last_phase"], rebooted=rebooted, ordered=ordered)
        end_interrupted(journal, connection, attempt_id, code, reason, saved.get(attempt_id, []), now_utc)
        closed.append(attempt_id)
    return closed


def end_interrupted(
    journal: Journal,
    connection: sqlite3.Connection,
    attempt_id: str,
    code: str,
    reason: str,
    evidence: list[Artifact],
    now_utc: datetime,
) -> None:
    """Close an attempt that nobody will end any more, inside a transaction."""
    fields = records.known_fields(journal, attempt_id, journal.meta("campaign_id"))
    fields |= {"verdict": "interrupted", "reason_code": code, "reason": reason}
    records.end_attempt(connection, attempt_id, "interrupted", code, dataset.encode_row(fields), evidence)
    add_event(connection, now_utc, code, f"{attempt_id}: {reason}", {"attempt_id": attempt_id})


def why_interrupted(last_phase: str | None, *, rebooted: bool, ordered: str | None = None) -> tuple[str, str]:
    """(reason code, sentence) for an attempt that was begun and never ended.

    Args:
        last_phase: Where it was.
        rebooted: The machine is in another boot since.
        ordered: By what that boot ended in order; None where it crashed, or where nobody knows.
    """
    where = f"in phase {last_phase}" if last_phase else "before its first phase"
    if rebooted and ordered is not None:
        return MACHINE_RESTARTED, f"the machine was {ordered} {where}, which says nothing of the profile"
    if rebooted:
        return MACHINE_DOWN, f"the machine crashed or rebooted {where}; it was started again since"
    return PROGRAM_LOST, f"levelrig ended {where} without closing the attempt; the machine stayed up"


def _put_plan_in_force(
    journal: Journal,
    connection: sqlite3.Connection,
    plan: PlanInForce,
    change: PlanChange | None,
    now_utc: datetime,
) -> None:
    before = journal.query("SELECT text FROM plans ORDER BY rowid DESC LIMIT 1")
    if not before or before[0]["text"] != plan.text:
        connection.execute(
            "INSERT INTO plans VALUES (?, ?, ?)", (now_utc.isoformat(), plan.source, plan.text)
        )
    records.replace_plan(connection, plan.cells, plan.slots)
    if change is not None and change.changed:
        data: dict[str, Any] = {
            "remeasured": change.remeasured,
            "orphaned": change.orphaned,
            "added": change.added,
            "discarded_repeats": dict(change.discarded_repeats),
        }
        add_event(connection, now_utc, "plan-changed", "the plan changed: " + "; ".join(change.lines()), data)


def _note_resume(
    journal: Journal,
    connection: sqlite3.Connection,
    facts: RigFacts,
    change: PlanChange | None,
    closed: list[str],
    now_utc: datetime,
) -> None:
    last = records.sessions(journal)[-1]
    data: dict[str, Any] = {"closed_attempts": closed, "last_heartbeat_utc": last.heartbeat_utc}
    if not same_boot(last.boot_id, facts.boot_id):
        add_event(
            connection, now_utc, "rebooted", "the machine was started again since the last session", data
        )
    if last.rig_id != facts.rig_id:
        seen = compare_with_last(journal, facts)
        kind = "rig-renamed" if seen.same else "rig-changed"
        message = f"continues on rig {facts.rig_id}; was on rig {last.rig_id}: {seen.told}"
        add_event(connection, now_utc, kind, message, {"before": last.rig_id, "after": facts.rig_id})
    if now_utc < last.heartbeat_utc:
        add_event(
            connection, now_utc, "clock-stepped", "the wall clock stands before the last session's end", data
        )
    ended = "closed" if last.closed_utc else "not closed"
    add_event(connection, now_utc, "resumed", f"goes on; the last session was {ended}", data)


def _keep_ballast(files: SafeFiles) -> None:
    path = files.folder / BALLAST_NAME
    if inside.size_bytes(files.folder, path) != BALLAST_BYTES:
        files.write_whole(path, os.urandom(BALLAST_BYTES))


def _write_if_changed(files: SafeFiles, name: str, content: bytes) -> None:
    path = files.folder / name
    try:
        if inside.read_bytes(files.folder, path) == content:
            return
    except OSError:  # none there, or something that is no file of ours
        pass
    files.write_whole(path, content)


def _new_id(plan: PlanInForce, facts: RigFacts, now_utc: datetime) -> str:
    identity = f"{plan.text}/{facts.rig_id}/{now_utc.isoformat()}"
    return sha256(identity.encode()).hexdigest()[:12]


def put_event(folder: Path, now_utc: datetime, kind: str, message: str) -> None:
    """Put an event down in a campaign that no process works on. Raises CampaignBusy, StoreError."""
    folder = folder.absolute()
    Journal.read(folder).close()
    lock = FolderLock(folder, now_utc)
    try:
        journal = Journal.open(SafeFiles(folder))
        try:
            with journal.transaction("put_event") as connection:
                add_event(connection, now_utc, kind, message, {})
        finally:
            journal.close()
    finally:
        lock.release()
