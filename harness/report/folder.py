"""Reading a campaign folder: the only module of the report that opens a campaign's files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from harness.analysis.resolution import seen_step
from harness.analysis.settings import AnalysisSettings
from harness.analysis.within_run import course
from harness.errors import StoreError
from harness.metrics import METRICS
from harness.plan.schema import Plan
from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.of_window import model_in
from harness.report.reading import Reader
from harness.report.thumbnail import MOST_PICTURE_BYTES, thumbnail
from harness.store.artifacts import sha256_of
from harness.store.campaign import CampaignStore
from harness.store.records import folder_of
from harness.store.soundness import require_campaign
from harness.tables import TELEMETRY, attempts_schema

#: Repeats whose telemetry is looked at for the steps of its readings.
_LOOKED_AT_FOR_STEPS = 3


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
        remeasurements: Accepted second measurements of far repeats, same columns; no result rests on them.
        unrestored: Why the card was not back when the last run ended; empty if it was.
        hashes: SHA-256 of artifacts by path relative to the folder, as the manifest has them.
        reader: Reads artifacts when they are asked for.
    """

    folder: Path
    plan: Plan
    plan_text: str
    rig: Mapping[str, Any]
    attempts: pd.DataFrame
    repeats: pd.DataFrame
    hashes: Mapping[str, str] = field(default_factory=dict)
    unrestored: str = ""
    remeasurements: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=attempts_schema().names)
    )
    reader: Reader = field(default_factory=lambda: Reader(Path()), repr=False, compare=False)

    @property
    def damage(self) -> tuple[str, ...]:
        """What could not be read so far and what that costs, a sentence each."""
        return tuple(self.reader.damage.values())

    @cached_property
    def counted(self) -> pd.DataFrame:
        """The repeats that results rest on: accepted, and neither sentinels nor measured once more."""
        return self.repeats[~self._is_sentinel].reset_index(drop=True)

    @cached_property
    def sentinels(self) -> pd.DataFrame:
        """The accepted sentinels."""
        return self.repeats[self._is_sentinel].reset_index(drop=True)

    @property
    def _is_sentinel(self) -> pd.Series[bool]:
        return self.repeats["sentinel"].fillna(False).astype(bool)

    @cached_property
    def span_utc(self) -> tuple[pd.Timestamp, pd.Timestamp]:
        """Start of the first attempt and end of the last; there is at least one."""
        attempts = self.attempts
        ends = attempts["started_utc"] + pd.to_timedelta(attempts["duration_s"].fillna(0.0), unit="s")
        return pd.Timestamp(attempts["started_utc"].min()), pd.Timestamp(ends.max())

    @cached_property
    def settings(self) -> AnalysisSettings:
        """How its plan wants it analysed, and what of that was chosen when results could be known."""
        late = self.reader.chosen_afterwards(self.plan) if self.folder.is_dir() else ()
        return replace(AnalysisSettings.from_plan(self.plan), chosen_afterwards=late, steps=self.steps)

    @cached_property
    def steps(self) -> Mapping[str, float]:
        """Steps of the readings that metrics are made of, seen in the telemetry of a few repeats."""
        seen: dict[str, list[NDArray[np.float64]]] = {}
        wanted = sorted({quantity for metric in METRICS.compared() for quantity in metric.instruments})
        for row in self.repeats.tail(_LOOKED_AT_FOR_STEPS).to_dict("records"):
            table = self.telemetry(cast(Mapping[str, Any], row))
            if table is None:
                continue
            for name in wanted:
                values = table[name].dropna().to_numpy(np.float64) if name in table.columns else np.empty(0)
                if values.size:
                    seen.setdefault(name, []).append(values)
        return {name: step for name, found in seen.items() if (step := seen_step(np.concatenate(found)))}

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

    @cached_property
    def power_sensor(self) -> PowerSensorModel | None:
        """The model of the card's power sensors that the night went by; None where none was known."""
        facts = self.rig.get("facts", {})
        return model_in(facts) if isinstance(facts, Mapping) else None

    def artifact(self, attempt: Mapping[str, Any], name: str) -> Path:
        """Path of one artifact of an attempt (a row of ``attempts``)."""
        return self.folder / "attempts" / str(attempt["cell_id"]) / folder_of(attempt) / name

    def frames(self, attempt: Mapping[str, Any]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """End times in s and frame times in ms, each shape (n,); None where the attempt has none,
        or where its file is damaged (see :attr:`damage`)."""
        table = self.reader.artifact(self.artifact(attempt, "frames.parquet"), ["t_s", "frametime_ms"])
        return None if table is None else (table["t_s"].to_numpy(), table["frametime_ms"].to_numpy())

    @cached_property
    def courses(self) -> Mapping[str, NDArray[np.float64]]:
        """Cell -> courses of its repeats' frames, shape (repeats, bins); sentinels are left out."""
        planned = self.repeats[~self.repeats["sentinel"].fillna(False).astype(bool)]
        found: dict[str, list[NDArray[np.float64]]] = {}
        for row in planned.to_dict("records"):
            frames = self.frames(cast(Mapping[str, Any], row))
            if frames is not None and (one := course(*frames)).size:
                found.setdefault(str(row["cell_id"]), []).append(one)
        cut = {cell: min(one.size for one in ones) for cell, ones in found.items()}
        return {c: np.array([one for one in ones if one.size == cut[c]]) for c, ones in found.items()}

    def telemetry(self, attempt: Mapping[str, Any]) -> pd.DataFrame | None:
        """Samples of one attempt, columns of ``harness.tables.TELEMETRY``; None as for
        :meth:`frames`."""
        table = self.reader.artifact(self.artifact(attempt, "telemetry.parquet"))
        return None if table is None else _to_pandas(table).reindex(columns=TELEMETRY.names)

    def picture(self, attempt: Mapping[str, Any], name: str) -> tuple[str, int, int] | None:
        """A picture of the screen that an attempt kept, scaled down: ``data:`` address, width and height, px;
        None where it kept none or its file is damaged."""
        content = self.reader.compressed(self.artifact(attempt, f"screen.{name}.png.gz"), MOST_PICTURE_BYTES)
        return None if content is None else thumbnail(content)

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
        StoreError: What everything rests on is lost: the plan, or the attempts, and the journal too.
    """
    reader = Reader(folder)
    manifest = reader.json("manifest.json", "no file of this report is confirmed by a hash")
    reader.hashes = _manifest_hashes(manifest)
    plan, plan_text = reader.plan()
    attempts_table = reader.dataset("attempts", lambda store: store.attempts_table())
    if attempts_table is None:
        require_campaign(folder)
        raise StoreError(
            f"{folder / 'dataset' / 'attempts.parquet'}: missing or damaged, and the journal can't stand in; "
            f"run the campaign's plan on this folder again, or see `levelrig verify {folder}`"
        )
    attempts = _to_pandas(attempts_table).reindex(columns=attempts_schema().names)
    repeats_table = reader.dataset("repeats", lambda store: store.repeats_table())
    repeats = (
        attempts[attempts["verdict"] == "accepted"].reset_index(drop=True)
        if repeats_table is None
        else _to_pandas(repeats_table).reindex(columns=attempts_schema().names)
    )
    second = repeats["second_look"].fillna(False).astype(bool)
    return Campaign(
        folder=folder,
        plan=plan,
        plan_text=plan_text,
        rig=reader.json("rig.json", "the report says nothing of the rig"),
        attempts=attempts,
        repeats=repeats[~second].reset_index(drop=True),
        remeasurements=repeats[second].reset_index(drop=True),
        unrestored=_unrestored(folder),
        hashes=reader.hashes,
        reader=reader,
    )


def _unrestored(folder: Path) -> str:
    """From the journal; a folder that came without one tells nothing of it."""
    try:
        with closing(CampaignStore.read(folder)) as store:
            return store.unrestored()
    except StoreError:
        return ""


def _to_pandas(table: pa.Table) -> pd.DataFrame:
    return cast(pd.DataFrame, table.to_pandas())


def _manifest_hashes(manifest: Mapping[str, Any]) -> dict[str, str]:
    """Path -> SHA-256, from a manifest that lists either plain hashes or records with a ``sha256``."""
    files = manifest.get("files", {})
    hashes = {}
    for path, entry in files.items() if isinstance(files, dict) else ():
        digest = entry.get("sha256") if isinstance(entry, dict) else entry
        if isinstance(digest, str):
            hashes[str(path)] = digest
    return hashes
