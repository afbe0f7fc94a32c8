"""One campaign folder, for the process that runs the campaign and for those that look at it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from harness.errors import DiskFull, MachineDown, StoreError
from harness.plan.night_tables import Retries
from harness.plan.schema import Cell, Slot
from harness.rig import RigFacts
from harness.store import dataset, export, opening, records
from harness.store.artifacts import (
    Artifact,
    TableWriter,
    check_kept,
    keep_compressed,
    read_kept,
    salvage,
    salvage_streams,
    sweep,
    write_row,
    write_table,
)
from harness.store.campaign_queries import CampaignView
from harness.store.campaign_state import DISK_FULL, Standing
from harness.store.causes import PROGRAM_LOST
from harness.store.changes import PlanChange
from harness.store.files import FileSystem, SafeFiles
from harness.store.journal import Journal, add_event
from harness.store.lock import FolderLock
from harness.store.opening import ATTEMPTS_FOLDER
from harness.store.revise import revise
from harness.store.soundness import open_sound, read_sound, seal
from harness.store.space import SpaceNeed, space_needed

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True)
class AttemptRef:
    """One begun attempt.

    Attributes:
        attempt_index: Try at that repeat, from 1.
        attempt_id: ``<cell>/<repeat>.<attempt>``; unique in the campaign.
        folder: Its artifacts go here; exists.
    """

    cell_id: str
    repeat_index: int
    attempt_index: int
    attempt_id: str
    folder: Path


class CampaignStore(CampaignView):
    """A campaign folder, open. Made by :meth:`open` (to run it) or :meth:`read` (to look at it).

    Attributes:
        folder: The campaign folder.
        campaign_id: Its identity.
        rig_id: The rig of this session; when only looking, that of the last one.
        plan_change: How the plan differs from the folder's when the campaign went on; None where it began.
        rig_note: By what this rig was recognised as the folder's, where its id alone does not say it.
        stale_pid: Process that worked on the folder before and ended without closing it; else None.
        closed_attempts: Ids of attempts that this opening closed as interrupted.
    """

    def __init__(
        self,
        journal: Journal,
        lock: FolderLock | None,
        session: opening.OpenSession | None,
        now: Callable[[], datetime],
    ) -> None:
        """Not called from outside."""
        self.folder = journal.files.folder
        self.campaign_id: str = journal.meta("campaign_id")
        self.rig_id: str = session.rig_id if session else records.sessions(journal)[-1].rig_id
        self.plan_change: PlanChange | None = session.plan_change if session else None
        self.closed_attempts: tuple[str, ...] = session.closed_attempts if session else ()
        self.rig_note: str = session.rig_note if session else ""
        self.stale_pid = lock.stale_pid if lock else None
        self._journal = journal
        self._files = journal.files
        self._lock = lock
        self._session = session
        self._now = now
        self._pending: dict[str, list[Artifact]] = {}
        self._writers: list[TableWriter] = []
        self._standing: Standing | None = None

    # --- opening and closing ------------------------------------------------------------------------------

    @classmethod
    def open(
        cls,
        folder: Path,
        *,
        plan_text: str,
        plan_source: str,
        cells: Sequence[Cell],
        slots: Sequence[Slot],
        facts: RigFacts,
        now_utc: datetime,
        retries: Retries | None = None,
        accept_plan_change: bool = False,
        accept_other_rig: bool = False,
        now: Callable[[], datetime] | None = None,
        file_system: FileSystem | None = None,
        boot_ended: opening.BootEnded | None = None,
    ) -> Self:
        """Begin a campaign in a new folder, or go on with the one that is there.

        Attempts that were begun and never ended are closed as interrupted; their evidence is kept.

        Args:
            folder: The campaign folder.
            plan_text: The plan file, word for word; kept as ``plan.toml``.
            plan_source: Where it came from, for messages.
            cells: All cells of the plan.
            slots: The planned repeats in the order of the night.
            facts: The rig at this moment, with its boot identity.
            now_utc: Present wall-clock time.
            retries: The plan's bounds for tries at a repeat and for setting profiles aside.
            accept_plan_change: Go on though accepted repeats will no longer count.
            accept_other_rig: Go on though the folder was begun on another rig.
            now: Wall clock that events are stamped with; default: ``now_utc``, later the heartbeat's.
            file_system: Effects on the disk; default: those that last.
            boot_ended: Tells by what an earlier boot ended in order; None: nobody knows, so it crashed.
        Raises:
            FolderTaken: It is no campaign, and what lies there would be written over.
            CampaignBusy: Another process works on the folder; the message has its process id.
            PlanChanged: The plan differs so that accepted repeats would be discarded.
            RigChanged: The folder was begun on another rig.
            DiskFull, StorageFault, StoreError: The folder can't be used.
        """
        folder = folder.absolute()
        files = SafeFiles(folder, file_system)
        opening.refuse_to_replace(folder, plan_text)
        files.make_folders(folder)
        lock = FolderLock(folder, now_utc)
        journal: Journal | None = None
        try:
            journal = open_sound(files)
            plan = opening.PlanInForce(plan_text, plan_source, cells, slots, retries or Retries())
            session = opening.begin_session(
                journal,
                plan,
                facts,
                now_utc,
                accept_plan_change=accept_plan_change,
                accept_other_rig=accept_other_rig,
                boot_ended=boot_ended,
            )
            return cls(journal, lock, session, now or session.last_known_utc)
        except BaseException:
            if journal is not None:
                journal.close()
            lock.release()
            raise

    @classmethod
    def read(cls, folder: Path) -> Self:
        """Look at a campaign, also while it runs. Whatever would change it raises StoreError."""
        journal = read_sound(folder.absolute())

        def no_clock() -> datetime:
            raise StoreError(f"{folder}: open for reading only")

        return cls(journal, None, None, no_clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if isinstance(error, MachineDown):
            self._drop()
        else:
            self.close()

    def _drop(self) -> None:
        """Let go without a word, as when the machine lost its power."""
        lock, self._lock = self._lock, None
        self._close_writers()
        self._journal.close()
        if lock is not None:
            lock.release()

    def finish(self, outcome: str, message: str = "") -> None:
        """Put down how this session ended (``done``, ``missing``, ``safety``, ``interrupt``…)."""
        session = self._writing()
        now_utc = self._now()
        with self._journal.transaction("finish") as connection:
            connection.execute(
                "UPDATE sessions SET outcome = ? WHERE session_id = ?", (outcome, session.session_id)
            )
            add_event(connection, now_utc, "finished", message or outcome, {"outcome": outcome})

    def close(self) -> None:
        """Close, with a fresh manifest. Safe to call twice; after a disk fault nothing is written."""
        if self._lock is None:
            self._journal.close()
            return
        lock, self._lock = self._lock, None
        self._close_writers()
        try:
            known = {} if self._files.faulty else self._close_session()
            sealed = {} if self._files.faulty else seal(self._journal)
            self._journal.close()
            if not self._files.faulty:
                export.write_whole_manifest(self._journal, self.campaign_id, self._now(), known, sealed)
        except DiskFull:
            pass  # the journal holds all that counts; the next session writes the manifest again
        finally:
            self._journal.close()
            lock.release()

    def _close_writers(self) -> None:
        """Leave streams that nobody committed as they are: evidence, or swept at the next start."""
        for writer in self._writers:
            with suppress(StoreError):
                writer.close()
        self._writers.clear()

    def _close_session(self) -> dict[str, tuple[str, int]]:
        assert self._session is not None
        self._close_abandoned()
        known = export.known_files(self._journal)
        with self._journal.transaction("close") as connection:
            connection.execute(
                "UPDATE sessions SET closed_utc = ? WHERE session_id = ?",
                (self._now().isoformat(), self._session.session_id),
            )
        return known

    def _close_abandoned(self) -> None:
        """Close what the engine left open, so that a later reboot is not taken for its cause."""
        code, why = PROGRAM_LOST, "the program gave the attempt up"
        if self._files.was_full:
            code, why = DISK_FULL, "the disk was full"
        for row in records.unfinished(self._journal):
            attempt_id, phase = row["attempt_id"], row["last_phase"]
            evidence: list[Artifact] = []
            with suppress(DiskFull):  # then its streams stay as they are
                evidence = salvage(self._files, self.folder / ATTEMPTS_FOLDER / attempt_id)
            reason = f"{why} {f'in phase {phase}' if phase else 'before its first phase'}"
            with self._journal.transaction("close_abandoned") as connection:
                opening.end_interrupted(
                    self._journal, connection, attempt_id, code, reason, evidence, self._now()
                )

    # --- attempts -----------------------------------------------------------------------------------------

    def begin_attempt(self, slot: Slot, *, started_utc: datetime, start_s: float, boot_id: str) -> AttemptRef:
        """Put the start of an attempt down; durable on return, so call it before anything is applied.

        Args:
            slot: The planned repeat that it serves.
            started_utc: Wall-clock time of its start.
            start_s: Monotonic seconds since this session began; the store adds what went before.
            boot_id: Identity of the rig's present boot.
        Raises:
            DiskFull: There is less room than an attempt needs; nothing was begun.
        """
        session = self._writing()
        self._require_room()
        with self._journal.transaction("begin_attempt") as connection:
            begun = records.insert_attempt(
                connection,
                slot,
                session_id=session.session_id,
                started_utc=started_utc,
                start_s=start_s + session.start_offset_s,
                boot_id=boot_id,
                rig_id=session.rig_id,
            )
        self._standing = None
        folder = self.folder / ATTEMPTS_FOLDER / begun.attempt_id
        self._files.make_folders(folder)
        self._pending[begun.attempt_id] = []
        return AttemptRef(slot.cell_id, slot.repeat_index, begun.attempt_index, begun.attempt_id, folder)

    def mark_phase(self, ref: AttemptRef, phase: str, t_s: float) -> None:
        """Put down that the attempt enters a phase, ``t_s`` seconds after its start; durable on return."""
        self._writing()
        with self._journal.transaction("mark_phase") as connection:
            connection.execute("INSERT INTO transitions VALUES (?, ?, ?)", (ref.attempt_id, phase, t_s))

    def table_writer(self, ref: AttemptRef, name: str, schema: pa.Schema) -> TableWriter:
        """A table of the attempt that grows by batches and survives a crash up to its last whole batch."""
        self._writing()
        path = ref.folder / f"{name}.parquet"
        writer = TableWriter(self._files, path, schema, self._pending[ref.attempt_id].append)
        self._writers.append(writer)
        return writer

    def write_table(self, ref: AttemptRef, name: str, table: pa.Table) -> Artifact:
        """Write a whole table of the attempt as ``<name>.parquet``."""
        self._writing()
        return self._keep(ref, write_table(self._files, ref.folder / f"{name}.parquet", table))

    def keep_file(self, ref: AttemptRef, source: Path, name: str) -> Artifact:
        """Keep a copy of a file as ``<name>.gz`` (gzip), for instance the original frame log."""
        self._writing()
        return self._keep(ref, keep_compressed(self._files, source, ref.folder / f"{name}.gz"))

    def commit_attempt(self, ref: AttemptRef, row: Mapping[str, Any]) -> None:
        """Put the attempt's outcome down, with its artifacts and their hashes; durable on return.

        Args:
            ref: The attempt.
            row: Columns of ``harness.tables.ATTEMPTS``. What the store knows (ids, place in the order,
                start) is filled in by it. A figure that is not finite becomes null and is marked.
        Raises:
            ValueError: A column is unknown, missing or of the wrong type.
            StoreError: The attempt has an outcome already, or its repeat is accepted already.
        """
        self._writing()
        known = records.known_fields(self._journal, ref.attempt_id, self.campaign_id)
        encoded = dataset.encode_row({**row, **known})
        self._close_writers()
        with suppress(DiskFull):  # a copy for a journal that is lost one day
            self._keep(ref, write_row(self._files, ref.folder, encoded))
        unfinished: list[Artifact] = []
        with suppress(DiskFull):
            unfinished = salvage_streams(self._files, ref.folder)
        evidence = {a.path: a for a in (*unfinished, *self._pending.get(ref.attempt_id, ()))}
        with self._journal.transaction("commit_attempt") as connection:
            if not records.end_attempt(
                connection,
                ref.attempt_id,
                row["verdict"],
                row.get("reason_code"),
                encoded,
                list(evidence.values()),
            ):
                raise StoreError(f"{ref.attempt_id}: has an outcome already; begin a new attempt")
        self._pending.pop(ref.attempt_id, None)
        with suppress(DiskFull):
            sweep(self._files, ref.folder)
        self._standing = None

    def revise_attempt(
        self,
        attempt_id: str,
        changes: Mapping[str, Any],
        *,
        why: str,
        tables: Mapping[str, pa.Table] | None = None,
    ) -> None:
        """Put figures that were worked out again from kept files in the place of an ended attempt's old ones.

        The old values go into an event (kind ``revised``), a replaced table stays as
        ``<name>.before-<n>.parquet``; durable on return. Interrupted and done again it ends the same.

        Args:
            attempt_id: The attempt.
            changes: Columns of ``harness.tables.ATTEMPTS`` with their new values; ``verdict``, ``reason``
                and ``definition_hash`` among them where a second reading judges otherwise. What, when and
                where was measured can't change.
            why: In half a sentence, for the journal.
            tables: Name of a table of the attempt (``frames``) -> its new content.
        Raises:
            ValueError: A column is unknown, of the wrong type, or not to be revised.
            StoreError: No such ended attempt, or its repeat would be accepted twice.
        """
        self._writing()
        folder = self.folder / ATTEMPTS_FOLDER / attempt_id
        revise(self._journal, folder, attempt_id, changes, tables or {}, why, self._now())
        self._standing = None

    def kept_file(self, attempt_id: str, name: str) -> Path:
        """A file kept by :meth:`keep_file`, checked against its hash. Raises StoreError: gone or damaged."""
        path = f"{ATTEMPTS_FOLDER}/{attempt_id}/{name}.gz"
        artifact = records.artifact(self._journal, path)
        check_kept(self.folder, path, artifact)
        return self.folder / path

    def kept_table(self, attempt_id: str, name: str) -> pa.Table:
        """A table of an ended attempt, checked against its hash. Raises StoreError: gone or damaged."""
        path = f"{ATTEMPTS_FOLDER}/{attempt_id}/{name}.parquet"
        return read_kept(self.folder / path, records.artifact(self._journal, path))

    def space_needed(self, assumed_attempt_bytes: int) -> SpaceNeed:
        """Room for the rest of the campaign; ``assumed_attempt_bytes`` counts until one was measured."""
        sizes = records.attempt_sizes(self._journal)
        return space_needed(len(self.remaining_slots()), sizes, assumed_attempt_bytes)

    def free_bytes(self) -> int:
        """Free space where the folder lies."""
        with self._files.guarded("asking for free space", reading=True):
            return self._files.primitives.free_bytes(self.folder)

    def _require_room(self) -> None:
        need_bytes = self.space_needed(0).attempt_bytes
        if self.free_bytes() < need_bytes:
            raise self._files.full(f"the next attempt needs {need_bytes / 2**20:.0f} MiB")

    def _keep(self, ref: AttemptRef, artifact: Artifact) -> Artifact:
        self._pending[ref.attempt_id].append(artifact)
        return artifact

    # --- the campaign -------------------------------------------------------------------------------------

    def standing(self) -> Standing:
        """Where the campaign stands. Cheap between attempts: it is worked out once after each change."""
        if self._standing is None or self._session is None:
            self._standing = records.standing(self._journal)
        return self._standing

    def remaining_slots(self) -> tuple[Slot, ...]:
        """What is still to be measured, in the order of the night."""
        return self.standing().remaining

    def add_slots(self, slots: Sequence[Slot]) -> None:
        """Want further repeats, at positions that are free; durable on return."""
        self._writing()
        with self._journal.transaction("add_slots") as connection:
            records.insert_slots(connection, slots)
        self._standing = None

    def note(self, kind: str, message: str, **data: Any) -> None:
        """Put an event down (a reboot, a stop, a warning); durable on return."""
        self._writing()
        with self._journal.transaction("note") as connection:
            add_event(connection, self._now(), kind, message, data)

    def heartbeat(self, now_utc: datetime) -> None:
        """Put a sign of life down. Costs no wait for the disk: it may be lost with the machine."""
        session = self._writing()
        session.known_utc = now_utc
        with self._journal.transaction("heartbeat", durable=False) as connection:
            connection.execute(
                "UPDATE sessions SET heartbeat_utc = ? WHERE session_id = ?",
                (now_utc.isoformat(), session.session_id),
            )

    def export_dataset(self) -> list[Path]:
        """Write ``dataset/``: attempts and repeats as Parquet and CSV. Returns the files."""
        self._writing()
        return export.export_dataset(self._journal)

    def _writing(self) -> opening.OpenSession:
        self._files.check()
        if self._session is None or self._lock is None:
            raise StoreError(f"{self.folder}: not open for writing; open the campaign to change it")
        return self._session
