"""What the data package, the crate and the citation say of the files, against the files."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pandas as pd
import pytest

from tests.audit.conftest import MakeNight
from tests.audit.nights import KINDS, levelrig

#: Files and hashes are the same code for every kind: two of them each time, all by hand.
EACH = [
    kind if kind in ("complete", "crashing") else pytest.param(kind, marks=pytest.mark.endurance)
    for kind in KINDS
]


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("kind", EACH)
def test_the_data_package_states_each_files_size_hash_and_columns(night: MakeNight, kind: str):
    dataset = night(kind).folder / "dataset"
    package = json.loads((dataset / "datapackage.json").read_text(encoding="utf-8"))
    listed = {resource["path"]: resource for resource in package["resources"]}
    assert set(listed) == {p.name for p in dataset.iterdir() if p.name != "datapackage.json"}
    for name, resource in listed.items():
        path = dataset / name
        assert resource["bytes"] == path.stat().st_size
        assert resource["hash"] == f"sha256:{sha256(path)}"
        fields = [field["name"] for field in resource["schema"]["fields"]]
        table = pd.read_parquet(path) if name.endswith(".parquet") else pd.read_csv(path)
        assert fields == list(table.columns), name


@pytest.mark.parametrize("kind", EACH)
def test_the_crate_states_each_files_size_and_hash_and_when_it_was(night: MakeNight, kind: str):
    folder = night(kind).folder
    graph = json.loads((folder / "ro-crate-metadata.json").read_text(encoding="utf-8"))["@graph"]
    files = {entry["@id"]: entry for entry in graph if entry.get("@type") == "File"}
    assert len(files) > 20
    for name, entry in files.items():
        assert int(entry["contentSize"]) == (folder / name).stat().st_size
        assert entry["sha256"] == sha256(folder / name)
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    ends = attempts["started_utc"] + pd.to_timedelta(attempts["duration_s"].fillna(0.0), unit="s")
    (measuring,) = (entry for entry in graph if entry["@id"] == "#measuring")
    assert pd.Timestamp(measuring["startTime"]) == attempts["started_utc"].min().floor("s")
    assert pd.Timestamp(measuring["endTime"]) == ends.max().floor("s")
    citation = (folder / "CITATION.cff").read_text(encoding="utf-8")
    assert f"date-released: {ends.max():%Y-%m-%d}" in citation


@pytest.mark.parametrize("kind", EACH)
def test_the_manifest_knows_each_artifact_as_it_is(night: MakeNight, kind: str):
    folder = night(kind).folder
    files = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["files"]
    artifacts = [p for p in (folder / "attempts").rglob("*") if p.is_file() and p.name != "attempt.json"]
    assert {p.relative_to(folder).as_posix() for p in artifacts} <= set(files)
    for name, entry in files.items():
        assert (entry if isinstance(entry, str) else entry["sha256"]) == sha256(folder / name)


def test_a_rehearsal_says_in_its_citation_and_package_that_nothing_was_measured(night: MakeNight):
    folder = night("complete").folder
    citation = (folder / "CITATION.cff").read_text(encoding="utf-8")
    assert "Measured with" not in citation
    assert "these measurements" not in citation
    assert citation.count("Simulated") >= 2
    package = json.loads((folder / "dataset" / "datapackage.json").read_text(encoding="utf-8"))
    assert package["simulated"] is True
    assert "nothing was measured" in package["description"]
    crate = (folder / "ro-crate-metadata.json").read_text(encoding="utf-8")
    assert "Measuring campaign" not in crate
    assert "nothing was measured" in crate


@pytest.mark.parametrize("kind", EACH)
def test_the_chain_behind_each_number_ends_at_files_as_they_are(night: MakeNight, kind: str):
    folder = night(kind).folder
    known = json.loads((folder / "report" / "numbers.json").read_text(encoding="utf-8"))
    attempts = pd.read_parquet(folder / "dataset" / "attempts.parquet")
    planned = attempts[(attempts["verdict"] == "accepted") & ~attempts["sentinel"]]
    planned = planned[~planned["second_look"].fillna(False).astype(bool)]
    blocks = {
        (r["cell_id"], f"{r['repeat_index']}.{r['attempt_index']}"): r["block"]
        for r in planned.to_dict("records")
    }
    paired = pd.read_parquet(folder / "dataset" / "comparisons.parquet")
    pairs = {
        f"change/{r['title']}.{r['setting']}.{r['profile']}/{r['metric']}": r["n_pairs"]
        for r in paired.to_dict("records")
        if r["paired"]
    }
    for name, entry in known["numbers"].items():
        assert "{" not in entry["what"]
        for cell, repeats in entry["repeats"].items():
            listed = {repeat["repeat"]: repeat["artifacts"] for repeat in known["cells"][cell]}
            for repeat in repeats:
                assert (cell, repeat) in blocks, name
                assert any("/telemetry.parquet" in path for path in listed[repeat])
        if name in pairs:
            ours, theirs = (
                {blocks[cell, repeat] for repeat in repeats} for cell, repeats in entry["repeats"].items()
            )
            assert ours == theirs
            assert len(ours) == pairs[name]


@pytest.mark.parametrize("kind", ["complete", "scores", "crashing"])
def test_explain_tells_the_headline_down_to_raw_logs_and_hashes(night: MakeNight, kind: str):
    folder = night(kind).folder
    known = json.loads((folder / "report" / "numbers.json").read_text(encoding="utf-8"))["numbers"]
    metric = "speed" if "overall/quiet/speed" in known else "average_fps"
    told = levelrig("explain", folder, f"overall/quiet/{metric}")
    assert "not measured" not in told
    assert "frame-log." in told
    assert "as it is now" in told
    assert "CHANGED" not in told
    assert "MISSING" not in told
    raw = next(folder.glob("attempts/harbour.default.quiet/*/frame-log*"))
    assert sha256(raw) in told
