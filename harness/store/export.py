"""What a journal gives out: the dataset, and the manifest that answers for every file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from harness.store import dataset, records
from harness.store.artifacts import write_table
from harness.store.files import pyarrow_sink
from harness.store.journal import JOURNAL_NAME, Journal
from harness.store.manifest import write_manifest
from harness.store.records import RIG_NAME
from harness.store.soundness import seal

DATASET_FOLDER: Final = "dataset"
DATASET_NAMES: Final = ("attempts.parquet", "attempts.csv", "repeats.parquet", "repeats.csv")
PLAN_NAME: Final = "plan.toml"


def export_dataset(journal: Journal) -> list[Path]:
    """Write ``dataset/``: attempts and repeats as Parquet and CSV. Returns the files."""
    files = journal.files
    folder = files.folder / DATASET_FOLDER
    files.make_folders(folder)
    for name, repeats_only in (("attempts", False), ("repeats", True)):
        table = dataset.decode_rows(records.encoded_rows(journal, repeats_only=repeats_only))
        write_table(files, folder / f"{name}.parquet", table)

        def fill(file: Any, table: Any = table) -> None:
            with pyarrow_sink(file) as sink:
                dataset.write_csv(table, sink)

        files.write_through(folder / f"{name}.csv", fill)
    return [folder / name for name in DATASET_NAMES]


def write_closing_manifest(journal: Journal, now_utc: datetime) -> None:
    """The manifest of a journal that is still open: for one that was just built."""
    known = known_files(journal)
    campaign_id, sealed = str(journal.meta("campaign_id")), seal(journal)
    journal.close()
    write_whole_manifest(journal, campaign_id, now_utc, known, sealed)


def known_files(journal: Journal) -> dict[str, tuple[str, int]]:
    """Path -> (SHA-256, bytes) of every artifact."""
    return {a.path: (a.sha256, a.size_bytes) for _, a in records.artifacts(journal)}


def write_whole_manifest(
    journal: Journal,
    campaign_id: str,
    now_utc: datetime,
    known: Mapping[str, tuple[str, int]],
    sealed: Mapping[str, Any],
) -> None:
    """The manifest of a closed journal and all that belongs to it."""
    folder = journal.files.folder
    further = [
        *(folder / name for name in (JOURNAL_NAME, PLAN_NAME, RIG_NAME)),
        *(folder / DATASET_FOLDER / name for name in DATASET_NAMES),
    ]
    write_manifest(journal.files, campaign_id, now_utc, known, further, sealed)
