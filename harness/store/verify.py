"""What in a campaign folder is damaged, and what can still be trusted. Reads only."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa
import pyarrow.parquet as pq

from harness import inside
from harness.errors import StoreError
from harness.numerals import counted
from harness.parquet import read_parquet
from harness.store import dataset, records, soundness
from harness.store.artifacts import Artifact, sha256_of
from harness.store.files import TEMPORARY
from harness.store.journal import JOURNAL_NAME, REPAIRED_NAME, Journal
from harness.store.manifest import MANIFEST_NAME
from harness.store.soundness import (
    damage_in,
    files_of_attempts,
    refuse_to_begin_again,
    remedy,
    require_campaign,
)

State = Literal["damaged", "missing", "stale", "unknown"]


@dataclass(frozen=True)
class Damage:
    """One thing that is not as it should be.

    Attributes:
        path: The file, relative to the folder.
        state: ``damaged`` or ``missing``: what it held is lost, or can't be trusted. ``stale``: older than
            the journal, made again by the next run. ``unknown``: a file that nobody answers for.
        detail: What was found.
        consequence: What it means for the results, and what to do.
        attempt_id: The attempt it belongs to; None for the rest.
    """

    path: str
    state: State
    detail: str
    consequence: str
    attempt_id: str | None = None

    def __str__(self) -> str:
        return f"{self.path}: {self.state}: {self.detail}; {self.consequence}"


@dataclass(frozen=True)
class VerifyReport:
    """The result of :func:`verify`.

    Attributes:
        folder: The campaign folder.
        findings: Everything that is not as it should be; empty when all is well.
        files_checked: Files whose hash and size were compared.
        tables_checked: Tables whose rows were counted.
        attempts: Ended attempts in the journal.
        accepted: Accepted repeats at present definitions.
        trusted: Of these, those whose every artifact is whole; None where the journal can't be read.
    """

    folder: Path
    findings: tuple[Damage, ...]
    files_checked: int = 0
    tables_checked: int = 0
    attempts: int = 0
    accepted: int = 0
    trusted: int | None = None

    @property
    def damage(self) -> tuple[Damage, ...]:
        """The findings that cost something."""
        return tuple(f for f in self.findings if f.state in ("damaged", "missing"))

    @property
    def sound(self) -> bool:
        """Nothing is damaged or missing."""
        return not self.damage

    def lines(self) -> list[str]:
        """The report for a person."""
        told = [str(finding) for finding in self.findings]
        checked = f"{counted(self.files_checked, 'file')} and {counted(self.tables_checked, 'table')} checked"
        if self.trusted is None:
            told.append(f"{checked}; the journal can't be read: trust only what the manifest confirms")
        elif self.sound:
            told.append(
                f"{checked}, all sound; {counted(self.accepted, 'accepted repeat')}, "
                f"{counted(self.attempts, 'attempt')}"
            )
        else:
            told.append(f"{checked}; of {self.accepted} accepted repeats {self.trusted} can be trusted whole")
        return told


def verify(folder: Path) -> VerifyReport:
    """Check manifest, hashes, journal and row counts of a campaign folder.

    Raises:
        NotACampaign: There is none.
        StoreError: The journal can't be looked at, which says nothing of what it holds.
    """
    folder = folder.absolute()
    require_campaign(folder)
    manifest, findings = _manifest(folder)
    moved_on = _journal_moved_on(folder, manifest)
    try:
        if not inside.is_there(folder, folder / REPAIRED_NAME):
            refuse_to_begin_again(folder)
        journal = Journal.read(folder)
        problems = soundness.problems(journal)
    except StoreError as error:
        findings.append(_damage(folder, error))
        return _without_journal(folder, manifest, findings)
    try:
        if problems:
            detail = "; ".join(problems[:3])
            findings.append(Damage(JOURNAL_NAME, "damaged", detail, remedy(folder)))
            return _without_journal(folder, manifest, findings)
        return _with_journal(folder, journal, manifest, findings, moved_on)
    except StoreError as error:
        findings.append(_damage(folder, error))
        return _without_journal(folder, manifest, findings)
    finally:
        journal.close()


def _damage(folder: Path, error: StoreError) -> Damage:
    """A journal that is damaged, with the one way that helps; any other fault is raised as it is."""
    told = damage_in(error)
    if told is None:
        raise error
    state: State = "damaged" if inside.is_there(folder, folder / JOURNAL_NAME) else "missing"
    return Damage(JOURNAL_NAME, state, told, remedy(folder))


def _with_journal(
    folder: Path, journal: Journal, manifest: Mapping[str, Any], findings: list[Damage], moved_on: bool
) -> VerifyReport:
    known = records.artifacts(journal)
    tables = 0
    hurt: set[str] = set()
    for attempt_id, artifact in known:
        found = _check_artifact(folder, artifact, attempt_id)
        tables += artifact.row_count is not None
        if found is not None:
            findings.append(found)
            hurt.add(attempt_id)
    listed = {artifact.path for _, artifact in known}
    derived = [path for path in manifest if path not in listed and path != JOURNAL_NAME]
    for path in derived:
        entry = manifest[path]
        findings += _check_derived(folder, path, entry, moved_on)
    findings += _check_rows(folder, journal)
    findings += _strays(folder, listed)
    attempts = dataset.decode_rows(records.encoded_rows(journal)).num_rows
    accepted = dataset.decode_rows(records.encoded_rows(journal, repeats_only=True)).to_pylist()
    whole = sum(f"{a['cell_id']}/{records.folder_of(a)}" not in hurt for a in accepted)
    return VerifyReport(
        folder, tuple(findings), len(known) + len(derived), tables, attempts, len(accepted), whole
    )


def _without_journal(folder: Path, manifest: Mapping[str, Any], findings: list[Damage]) -> VerifyReport:
    """Without the journal the manifest is the only witness."""
    checked = 0
    for path, entry in manifest.items():
        if path != JOURNAL_NAME:
            checked += 1
            artifact = Artifact(path, entry["sha256"], entry["bytes"])
            found = _check_artifact(folder, artifact, None)
            if found is not None:
                findings.append(found)
    return VerifyReport(folder, tuple(findings), checked)


def _check_artifact(folder: Path, artifact: Artifact, attempt_id: str | None) -> Damage | None:
    path = folder / artifact.path
    consequence = "the attempt's figures in the journal stand, but can't be worked out again from this file"
    try:
        size = inside.stat_of(folder, path).st_size
    except FileNotFoundError:
        return Damage(artifact.path, "missing", "the file is gone", consequence, attempt_id)
    except OSError as error:
        return Damage(artifact.path, "damaged", f"it can't be read ({error})", consequence, attempt_id)
    if size != artifact.size_bytes:
        detail = f"{size} bytes instead of {artifact.size_bytes}"
        return Damage(artifact.path, "damaged", detail, consequence, attempt_id)
    try:
        if sha256_of(path, folder) != artifact.sha256:
            return Damage(artifact.path, "damaged", "its SHA-256 differs", consequence, attempt_id)
        if artifact.row_count is not None:
            with inside.opened(folder, path) as file:
                row_count = pq.read_metadata(file).num_rows
            if row_count != artifact.row_count:
                return Damage(artifact.path, "damaged", "its row count differs", consequence, attempt_id)
    except (OSError, pa.ArrowInvalid) as error:
        return Damage(artifact.path, "damaged", f"it can't be read ({error})", consequence, attempt_id)
    return None


def _check_derived(folder: Path, path: str, entry: Mapping[str, Any], moved_on: bool) -> list[Damage]:
    """Files that the journal can make again: a difference is damage only if the journal didn't move on."""
    found = _check_artifact(folder, Artifact(path, entry["sha256"], entry["bytes"]), None)
    if found is None:
        return []
    consequence = "run the plan again on this folder: it is written again from the journal"
    return [Damage(path, "stale" if moved_on else found.state, found.detail, consequence)]


def _journal_moved_on(folder: Path, manifest: Mapping[str, Any]) -> bool:
    """The journal differs from the manifest's: the last session ended before it wrote a new manifest."""
    entry = manifest.get(JOURNAL_NAME)
    journal, log = folder / JOURNAL_NAME, folder / f"{JOURNAL_NAME}-wal"
    if entry is None or not inside.is_there(folder, journal) or inside.is_there(folder, log):
        return True
    return bool(sha256_of(journal, folder) != entry["sha256"])


def _check_rows(folder: Path, journal: Journal) -> list[Damage]:
    """The exported tables against the journal they come from."""
    found: list[Damage] = []
    for name, repeats_only in (("attempts", False), ("repeats", True)):
        path = folder / "dataset" / f"{name}.parquet"
        if not inside.is_there(folder, path):
            continue
        relative = path.relative_to(folder).as_posix()
        consequence = "run the plan again on this folder: it is written again from the journal"
        try:
            with inside.opened(folder, path) as file:
                written = read_parquet(file)
        except (OSError, pa.ArrowInvalid) as error:
            found.append(Damage(relative, "damaged", f"it can't be read ({error})", consequence))
            continue
        held = dataset.decode_rows(records.encoded_rows(journal, repeats_only=repeats_only))
        if written.num_rows != held.num_rows:
            detail = f"{written.num_rows} rows, the journal has {held.num_rows}"
            found.append(Damage(relative, "stale", detail, consequence))
        elif not _same_rows(written, held):
            found.append(Damage(relative, "damaged", "differs from the journal", consequence))
    return found


def _same_rows(written: pa.Table, held: pa.Table) -> bool:
    """The same values. Either may lack columns of which the other holds nothing.

    So it is with a file of an earlier version, and with the metric of a plugin that came or went.
    """
    names = [name for name in held.column_names if name in written.column_names]
    return all(
        table[name].null_count == table.num_rows
        for table in (held, written)
        for name in table.column_names
        if name not in names
    ) and bool(written.select(names).equals(held.select(names)))


def _strays(folder: Path, listed: set[str]) -> list[Damage]:
    found: list[Damage] = []
    for path in files_of_attempts(folder):
        name = path.relative_to(folder).as_posix()
        if name not in listed:
            half = path.name.endswith(TEMPORARY)
            detail = "half-written" if half else "not in the journal"
            found.append(Damage(name, "unknown", detail, "no result depends on it"))
    return found


def _manifest(folder: Path) -> tuple[dict[str, Any], list[Damage]]:
    path = folder / MANIFEST_NAME
    consequence = "the journal's own hashes are used; the next run writes it again"
    if not inside.is_there(folder, path):
        return {}, [Damage(MANIFEST_NAME, "stale", "not written yet", consequence)]
    try:
        files: dict[str, Any] = json.loads(inside.read_bytes(folder, path))["files"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        return {}, [Damage(MANIFEST_NAME, "damaged", f"it can't be read ({error})", consequence)]
    return files, []
