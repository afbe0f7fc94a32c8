"""Reading a campaign folder: the only module of the report that opens a campaign's files."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import ValidationError

from harness import inside
from harness.errors import StoreError
from harness.plan.schema import Plan
from harness.store.artifacts import sha256_of
from harness.store.campaign import CampaignStore
from harness.store.records import folder_of
from harness.store.soundness import require_campaign
from harness.tables import ATTEMPTS, REPEATS, TELEMETRY


@dataclass(frozen=True)
class Campaign:
    """A campaign as found on disk.

    Attributes:
        folder: The campaign folder.
        plan: The plan that it ran.
        plan_text: The plan file's text.
        rig: Content of ``rig.json``; empty where it is missing.
        attempts: Every attempt, columns of ``harness.tables.ATTEMPTS``.
        repeats: The accepted repeats, same columns, reference repeats that only watch drift included.
        second_looks: Accepted second measurements of far repeats, same columns; no result rests on them.
        unrestored: Why the card was not back when the last run ended; empty if it was.
        hashes: SHA-256 of artifacts by path relative to the folder, as the manifest has them.
    """

    folder: Path
    plan: Plan
    plan_text: str
    rig: Mapping[str, Any]
    attempts: pd.DataFrame
    repeats: pd.DataFrame
    hashes: Mapping[str, str] = field(default_factory=dict)
    unrestored: str = ""
    second_looks: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=REPEATS.names))

    @cached_property
    def campaign_id(self) -> str:
        ids = self.attempts["campaign_id"].unique()
        return str(ids[0]) if len(ids) else self.folder.name

    @cached_property
    def name(self) -> str:
        """What a reader calls it: the plan's name, else the folder's."""
        return self.plan.plan.name or self.folder.name

    @property
    def plan_sha256(self) -> str:
        return hashlib.sha256(self.plan_text.encode()).hexdigest()

    @property
    def simulated(self) -> bool:
        return bool(self.rig.get("simulated", False))

    def fact(self, section: str, name: str) -> str | None:
        """One fact of the rig as text; None where it is not known."""
        value = self.rig.get("facts", {}).get(section, {}).get(name)
        return None if value is None else str(value)

    def artifact(self, attempt: Mapping[str, Any], name: str) -> Path:
        """Path of one artifact of an attempt (a row of ``attempts``)."""
        return self.folder / "attempts" / str(attempt["cell_id"]) / folder_of(attempt) / name

    def frames(self, attempt: Mapping[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """End times in s and frame times in ms, each shape (n,); None where the attempt has no frames."""
        path = self.artifact(attempt, "frames.parquet")
        if not path.is_file():
            return None
        table = _read_parquet(self.folder, path, ["t_s", "frametime_ms"])
        return table["t_s"].to_numpy(), table["frametime_ms"].to_numpy()

    def telemetry(self, attempt: Mapping[str, Any]) -> pd.DataFrame | None:
        """Samples of one attempt, columns of ``harness.tables.TELEMETRY``; None where it has none."""
        path = self.artifact(attempt, "telemetry.parquet")
        if not path.is_file():
            return None
        frame = _to_pandas(_read_parquet(self.folder, path))
        return frame.reindex(columns=TELEMETRY.names)

    def sha256_of(self, path: Path) -> tuple[str, bool]:
        """SHA-256 of an artifact as it is now, and whether the manifest says the same.

        An artifact that the manifest does not list counts as not confirmed.
        """
        found = sha256_of(path, self.folder)
        return found, self.hashes.get(path.relative_to(self.folder).as_posix()) == found


def read_campaign(folder: Path) -> Campaign:
    """Read a campaign folder.

    Raises:
        NotACampaign: Not a campaign folder.
        StoreError: A file of it can't be read.
    """
    plan_path = folder / "plan.toml"
    attempts_path = folder / "dataset" / "attempts.parquet"
    if not plan_path.is_file():
        require_campaign(folder)
        raise StoreError(f"{plan_path}: missing; put back the plan file that the campaign was run with")
    if not attempts_path.is_file():
        require_campaign(folder)
        raise StoreError(
            f"{attempts_path}: not there; run the campaign's plan on this folder again: a run writes it at "
            "its end"
        )
    plan_text = inside.read_text(folder, plan_path)
    try:
        plan = Plan.model_validate(tomllib.loads(plan_text))
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise StoreError(
            f"{plan_path}: the campaign's own copy of the plan can't be read ({error}); "
            "put back the plan file that the campaign was run with"
        ) from error
    attempts = _to_pandas(_read_parquet(folder, attempts_path)).reindex(columns=ATTEMPTS.names)
    repeats_path = folder / "dataset" / "repeats.parquet"
    repeats = (
        _to_pandas(_read_parquet(folder, repeats_path)).reindex(columns=REPEATS.names)
        if repeats_path.is_file()
        else attempts[attempts["verdict"] == "accepted"].reset_index(drop=True)
    )
    second = repeats["second_look"].fillna(False).astype(bool)
    return Campaign(
        folder=folder,
        plan=plan,
        plan_text=plan_text,
        rig=_read_json(folder, folder / "rig.json"),
        attempts=attempts,
        repeats=repeats[~second].reset_index(drop=True),
        second_looks=repeats[second].reset_index(drop=True),
        unrestored=_unrestored(folder),
        hashes=_manifest_hashes(_read_json(folder, folder / "manifest.json")),
    )


def _unrestored(folder: Path) -> str:
    """From the journal; a folder that came without one tells nothing of it."""
    try:
        with closing(CampaignStore.read(folder)) as store:
            return store.unrestored()
    except StoreError:
        return ""


def _read_parquet(folder: Path, path: Path, columns: list[str] | None = None) -> pa.Table:
    try:
        with inside.opened(folder, path) as file:
            return pq.read_table(file, columns=columns)
    except (OSError, pa.ArrowException, KeyError) as error:
        raise StoreError(
            f"{path}: can't be read ({error}); `levelrig verify` on the campaign folder tells what is damaged"
        ) from error


def _to_pandas(table: pa.Table) -> pd.DataFrame:
    return cast(pd.DataFrame, table.to_pandas())


def _read_json(folder: Path, path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        loaded = json.loads(inside.read_bytes(folder, path))
    except (OSError, ValueError) as error:
        raise StoreError(f"{path}: can't be read ({error}); `levelrig verify` tells what to trust") from error
    return loaded if isinstance(loaded, dict) else {}


def _manifest_hashes(manifest: Mapping[str, Any]) -> dict[str, str]:
    """Path -> SHA-256, from a manifest that lists either plain hashes or records with a ``sha256``."""
    files = manifest.get("files", {})
    hashes = {}
    for path, entry in files.items() if isinstance(files, dict) else ():
        digest = entry.get("sha256") if isinstance(entry, dict) else entry
        if isinstance(digest, str):
            hashes[str(path)] = digest
    return hashes
