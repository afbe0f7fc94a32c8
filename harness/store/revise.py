"""Figures of an ended attempt worked out again from its kept files. What stood there before is kept.

Two things may ask for it: a plan that defines a metric otherwise, and a frame log that is read otherwise. The
verdict of a person's eyes needs both the new figures and the old, so the old ones go into an event and a
replaced table stays beside the new one.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness import inside
from harness.errors import StoreError
from harness.numerals import counted
from harness.store import dataset
from harness.store.artifacts import ROW_NAME, Artifact, describe, sha256_of, write_row, write_table
from harness.store.files import SafeFiles
from harness.store.journal import Journal, add_event
from harness.store.records import insert_artifacts
from harness.store.soundness import ROWS_KEPT

if TYPE_CHECKING:
    import pyarrow as pa

#: Columns that say what was measured, when and where: no reading of kept files can change them.
FIXED: Final = frozenset(
    {
        "campaign_id", "rig_id", "cell_id", "title", "setting", "profile", "repeat_index", "attempt_index",
        "block", "position", "sentinel", "second_look", "started_utc", "start_s", "boot_id",
    }
)  # fmt: skip


def revise(
    journal: Journal,
    attempt_folder: Path,
    attempt_id: str,
    changes: Mapping[str, Any],
    tables: Mapping[str, pa.Table],
    why: str,
    now_utc: datetime,
) -> None:
    """Put new figures, and new tables, in the place of an attempt's old ones. See ``CampaignStore``.

    A crash between the file and the journal leaves the journal's old figures; doing it again fixes both.
    """
    if fixed := sorted(FIXED & set(changes)):
        raise ValueError(f"{', '.join(fixed)}: what was measured is not revised")
    rows = journal.query(
        "SELECT fields FROM attempts WHERE attempt_id = ? AND verdict IS NOT NULL", (attempt_id,)
    )
    if not rows:
        raise StoreError(f"{attempt_id}: no ended attempt of that name; only ended ones are revised")
    held: dict[str, Any] = json.loads(rows[0]["fields"])
    row = {**held, "started_utc": datetime.fromisoformat(held["started_utc"]), **changes}
    encoded = dataset.encode_row(row, held=held)
    written = json.loads(encoded)
    before = {name: held.get(name) for name in changes if held.get(name) != written.get(name)}
    replaced = [
        _replace(journal, attempt_folder / f"{name}.parquet", table) for name, table in tables.items()
    ]
    row_file = write_row(journal.files, attempt_folder, encoded)
    data = {
        "attempt_id": attempt_id,
        "why": why,
        "before": before,
        "after": {name: written.get(name) for name in before},
        "kept": [aside.path for aside, _ in replaced if aside is not None],
    }
    with journal.transaction("revise_attempt") as connection:
        connection.execute(
            "UPDATE attempts SET fields = ?, verdict = ?, reason_code = ?, definition_hash = ?"
            " WHERE attempt_id = ?",
            (encoded, row["verdict"], row.get("reason_code"), row["definition_hash"], attempt_id),
        )
        found = [a for pair in replaced for a in pair if a is not None]
        insert_artifacts(connection, attempt_id, [row_file, *found])
        add_event(connection, now_utc, "revised", f"{attempt_id}: {why}", data)


def rewrite_lost_rows(journal: Journal, attempts_folder: Path, now_utc: datetime) -> list[str]:
    """Write the rows beside attempts' files again that are gone, from the journal, and say so there.

    Where an attempt's whole folder is gone, and in folders from before rows were kept, nothing is written.

    Returns:
        Ids of the attempts.
    """
    if journal.meta(ROWS_KEPT) is None:
        return []
    files, found = journal.files, []
    listed = {row[0] for row in journal.query("SELECT path FROM artifacts")}
    ended = journal.query("SELECT attempt_id, verdict, fields FROM attempts WHERE verdict IS NOT NULL")
    for row in ended:
        folder = attempts_folder / row["attempt_id"]
        path = folder / ROW_NAME
        had_one = row["verdict"] != "interrupted" or path.relative_to(files.folder).as_posix() in listed
        if had_one and folder.is_dir() and not os.path.lexists(path):
            found.append((row["attempt_id"], write_row(files, folder, row["fields"])))
    if found:
        with journal.transaction("rewrite_rows") as connection:
            for attempt_id, artifact in found:
                insert_artifacts(connection, attempt_id, [artifact])
            names = [attempt_id for attempt_id, _ in found]
            told = f"{ROW_NAME} of {counted(len(found), 'attempt')} was gone; written again from the journal"
            add_event(connection, now_utc, "row-rewritten", told, {"attempts": names})
    return [attempt_id for attempt_id, _ in found]


def _replace(journal: Journal, path: Path, table: pa.Table) -> tuple[Artifact | None, Artifact]:
    """Keep the old table beside the new one; (the old one as kept, the new one)."""
    files = journal.files
    name = path.relative_to(files.folder).as_posix()
    kept = name.removesuffix(".parquet") + ".before-"
    rows = journal.query("SELECT * FROM artifacts WHERE path = ?", (name,))
    earlier = journal.query("SELECT count(*) FROM artifacts WHERE substr(path, 1, ?) = ?", (len(kept), kept))[
        0
    ][0]
    aside = files.folder / f"{kept}{earlier + 1}.parquet"
    if rows and inside.is_file(files.folder, path) and sha256_of(path, files.folder) == rows[0]["sha256"]:
        _copy(files, path, aside)
    kept_aside = bool(rows) and inside.is_file(files.folder, aside)
    old = describe(files.folder, aside, row_count=rows[0]["row_count"]) if kept_aside else None
    return old, write_table(files, path, table)


def _copy(files: SafeFiles, source: Path, target: Path) -> None:
    with inside.opened(files.folder, source) as original:
        files.write_through(
            target, lambda file: [file.write(piece) for piece in iter(lambda: original.read(1 << 20), b"")]
        )
