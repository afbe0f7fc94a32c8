"""The data package, read back by the libraries of its standards."""

import json
import re
from pathlib import Path

import pytest

from harness.report.package.metadata import table_schema, tables
from harness.tables import ATTEMPT_COLUMNS


def test_the_data_package_is_valid_and_every_table_fits_its_schema(small_report: Path) -> None:
    """Source: Frictionless Data Package 1, checked by the frictionless library."""
    frictionless = pytest.importorskip("frictionless")
    package = frictionless.Package(str(small_report / "dataset" / "datapackage.json"))
    for resource in list(package.resources):
        if resource.format != "csv":
            package.remove_resource(resource.name)
    assert {r.name for r in package.resources} == set(tables())
    report = package.validate()
    assert report.valid, report.flatten(["rowNumber", "fieldNumber", "type", "message"])[:5]


def test_every_quantity_of_the_schemas_carries_its_unit() -> None:
    fields = {f["name"]: f for f in table_schema(ATTEMPT_COLUMNS)["fields"]}
    assert fields["mean_power_w"]["unit"] == "W"
    assert fields["started_utc"]["type"] == "datetime"
    suffixes = re.compile(r"_(w|j|s|c|k|mhz|pct|ms|rpm|dba|mv|fps)$")
    assert [name for name, f in fields.items() if suffixes.search(name) and "unit" not in f] == []


def test_the_crate_can_be_read_back_and_names_its_profile(small_report: Path) -> None:
    """Source: RO-Crate 1.1, checked by the rocrate library; Process Run Crate 0.5."""
    rocrate = pytest.importorskip("rocrate.rocrate")
    crate = rocrate.ROCrate(str(small_report))
    assert crate.root_dataset["conformsTo"].id == "https://w3id.org/ro/wfrun/process/0.5"
    action = crate.dereference("#measuring")
    assert action.type == "CreateAction"
    assert action["instrument"].id == "#levelrig"
    assert "plan.toml" in {entity.id for entity in action["object"]}
    frames = [entity for entity in action["result"] if entity.id.endswith("frames.parquet")]
    assert len(frames) == len(list(small_report.rglob("frames.parquet")))
    assert all(re.fullmatch("[0-9a-f]{64}", entity["sha256"]) for entity in frames)


def test_every_reference_in_the_crate_leads_somewhere(small_report: Path) -> None:
    graph = json.loads((small_report / "ro-crate-metadata.json").read_text(encoding="utf-8"))["@graph"]
    known = {entity["@id"] for entity in graph} | {"https://w3id.org/ro/crate/1.1"}
    assert len(known) == len(graph) + 1

    def references(value: object) -> list[str]:
        if isinstance(value, dict):
            return (
                [value["@id"]]
                if set(value) == {"@id"}
                else [r for v in value.values() for r in references(v)]
            )
        return [r for v in value for r in references(v)] if isinstance(value, list) else []

    assert {r for entity in graph for r in references(entity)} - known == set()


def test_the_citation_file_has_what_its_format_asks_for(small_report: Path) -> None:
    """Source: Citation File Format 1.2.0, required keys (from memory)."""
    yaml = pytest.importorskip("yaml")
    citation = yaml.safe_load((small_report / "CITATION.cff").read_text(encoding="utf-8"))
    assert citation["cff-version"] == "1.2.0"
    assert citation["type"] == "dataset"
    assert {"message", "title", "authors"} <= set(citation)
    assert citation["authors"] == [{"name": f"The operator of rig {rig_id(small_report)}"}]


def rig_id(folder: Path) -> str:
    return str(json.loads((folder / "rig.json").read_text(encoding="utf-8"))["rig_id"])
