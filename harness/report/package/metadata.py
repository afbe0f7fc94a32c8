"""The data package: Frictionless ``datapackage.json``, RO-Crate metadata and ``CITATION.cff``. Pure.

Sources: Frictionless Data Package 1 and Table Schema 1 (specs.frictionlessdata.io); RO-Crate 1.1 and the
Process Run Crate profile 0.5 (w3id.org/ro/wfrun/process/0.5); Citation File Format 1.2.0.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.analysis.efficiency import EFFICIENCY_COLUMNS
from harness.analysis.tables import (
    CELL_COLUMNS,
    COMPARISON_COLUMNS,
    OVERALL_COLUMNS,
    SENSITIVITY_COLUMNS,
)
from harness.analysis.uncertainty import UNCERTAINTY_COLUMNS
from harness.analysis.variance import VARIANCE_COLUMNS
from harness.columns import Column
from harness.csvtext import RULE
from harness.report.folder import Campaign
from harness.tables import attempt_columns

_ANALYSED: Mapping[str, tuple[str, Sequence[Column]]] = {
    "cells": ("Mean of each cell and metric", CELL_COLUMNS),
    "comparisons": ("Each profile against the reference, by title", COMPARISON_COLUMNS),
    "overall": ("Each profile against the reference, over all titles", OVERALL_COLUMNS),
    "sensitivity": ("The same with one title left out", SENSITIVITY_COLUMNS),
    "efficiency": ("Speed, power, temperature, noise and cost of each profile", EFFICIENCY_COLUMNS),
    "variance": ("Where the scatter comes from", VARIANCE_COLUMNS),
    "instruments": ("Uncertainty of the instruments, apart from the scatter", UNCERTAINTY_COLUMNS),
}


def tables() -> Mapping[str, tuple[str, Sequence[Column]]]:
    """Name of each table of the dataset -> what it is, and its columns."""
    return {
        "attempts": ("Every attempt, whatever became of it", attempt_columns()),
        "repeats": ("The accepted repeats", attempt_columns()),
        **_ANALYSED,
    }


_MEDIA = {
    ".csv": "text/csv",
    ".parquet": "application/vnd.apache.parquet",
    ".json": "application/json",
    ".jsonl": "application/jsonl",
    ".toml": "application/toml",
    ".html": "text/html",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".log": "text/plain",
    ".cff": "text/yaml",
    ".sqlite": "application/vnd.sqlite3",
    ".gz": "application/gzip",
}


@dataclass(frozen=True)
class PackagedFile:
    """A file of the campaign: path relative to its folder (or to ``dataset/``), size, SHA-256."""

    path: str
    size_bytes: int
    sha256: str

    @property
    def media_type(self) -> str:
        suffix = self.path[self.path.rfind(".") :] if "." in self.path else ""
        return _MEDIA.get(suffix, "application/octet-stream")


#: A column's kind -> type of a Table Schema; the rest is text.
#: What every description of a rehearsal begins or ends with.
SIMULATED = "Simulated by a rehearsal: nothing was measured."
_FIELD_TYPES = {"float": "number", "integer": "integer", "truth": "boolean", "instant": "datetime"}


def table_schema(columns: Sequence[Column]) -> dict[str, Any]:
    """Frictionless Table Schema of a contract table; the unit is a property of its own, ``unit``."""
    fields = []
    for column in columns:
        entry: dict[str, Any] = {"name": column.name, "type": _FIELD_TYPES.get(column.type, "string")}
        if entry["type"] == "datetime":
            entry["format"] = "any"
        entry["description"] = column.meaning + (
            " (list, parts joined by ;)" if column.type == "words" else ""
        )
        if column.unit:
            entry["unit"] = column.unit
        if not column.nullable and entry["type"] != "string":  # an empty text and a missing one look alike
            entry["constraints"] = {"required": True}
        fields.append(entry)
    return {"fields": fields, "missingValues": [""]}


def data_package(campaign: Campaign, files: Sequence[PackagedFile], version: str) -> dict[str, Any]:
    """``dataset/datapackage.json``.

    Args:
        files: Files of ``dataset/``, paths relative to it; those of no contract table are left out.
    """
    resources, known = [], tables()
    for file in files:
        stem, _, suffix = file.path.rpartition(".")
        if stem not in known or suffix not in ("csv", "parquet"):
            continue
        what, columns = known[stem]
        resource: dict[str, Any] = {
            "name": stem if suffix == "csv" else f"{stem}-{suffix}",
            "path": file.path,
            "title": what,
            "format": suffix,
            "mediatype": file.media_type,
            "bytes": file.size_bytes,
            "hash": f"sha256:{file.sha256}",
            "schema": table_schema(columns),
        }
        if suffix == "csv":
            resource |= {"profile": "tabular-data-resource", "encoding": "utf-8", "description": RULE}
        resources.append(resource)
    package: dict[str, Any] = {
        "profile": "data-package",
        "name": _slug(campaign.campaign_id),
        "id": campaign.campaign_id,
        "title": campaign.name,
        "description": campaign.plan.plan.question + (f" {SIMULATED}" if campaign.simulated else ""),
        "simulated": campaign.simulated,
        "created": _times(campaign)[1],
        "contributors": [{"title": a.name, "role": "author"} for a in campaign.plan.report.authors],
        "resources": resources,
    }
    if campaign.plan.report.data_licence:
        package["licenses"] = [{"name": campaign.plan.report.data_licence}]
    return {key: value for key, value in package.items() if value not in ([], None)}


def _slug(text: str) -> str:
    kept = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in text.lower())
    return kept.strip("-") or "campaign"


def _times(campaign: Campaign) -> tuple[str | None, str | None]:
    """Start of the first attempt and end of the last, ISO 8601; None where there is no attempt."""
    if campaign.attempts.empty:
        return None, None
    first, last = campaign.span_utc
    return first.isoformat(timespec="seconds"), last.isoformat(timespec="seconds")


def ro_crate(campaign: Campaign, files: Sequence[PackagedFile], version: str) -> dict[str, Any]:
    """``ro-crate-metadata.json`` of the campaign folder: what was run with what, on which files.

    Args:
        files: All files of the campaign, paths relative to its folder.
    """
    started, ended = _times(campaign)
    authors = [
        {
            "@id": f"https://orcid.org/{a.orcid}" if a.orcid else f"#author-{i}",
            "@type": "Person",
            "name": a.name,
            **({"affiliation": a.affiliation} if a.affiliation else {}),
        }
        for i, a in enumerate(campaign.plan.report.authors, 1)
    ]
    profile = {"@id": "https://w3id.org/ro/wfrun/process/0.5"}
    inputs = {"plan.toml", "rig.json"}
    measured = [f for f in files if f.path.startswith("attempts/")]
    derived = [f for f in files if f.path.startswith(("dataset/", "report/"))]
    agent = {"agent": _refs(a["@id"] for a in authors)} if authors else {}
    tool = {"@id": "#levelrig"}
    licence = campaign.plan.report.data_licence
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "conformsTo": profile,
        "name": campaign.name,
        "description": campaign.plan.plan.question + (f" {SIMULATED}" if campaign.simulated else ""),
        "datePublished": ended or "1970-01-01",
        "license": f"https://spdx.org/licenses/{licence}"
        if licence
        else "No licence was stated in the plan.",
        "hasPart": _refs(f.path for f in files),
        "mentions": _refs(["#measuring", "#analysing"]),
        **({"author": _refs(a["@id"] for a in authors)} if authors else {}),
    }
    graph: list[dict[str, Any]] = [
        {
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "about": {"@id": "./"},
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        },
        root,
        {**profile, "@type": "CreativeWork", "name": "Process Run Crate", "version": "0.5"},
        {
            **tool,
            "@type": "SoftwareApplication",
            "name": "levelrig",
            "softwareVersion": version,
            "version": version,
        },
        {
            "@id": "#measuring",
            "@type": "CreateAction",
            "name": f"{'Simulating' if campaign.simulated else 'Measuring'} campaign {campaign.campaign_id}",
            "instrument": tool,
            "object": _refs(f.path for f in files if f.path in inputs),
            "result": _refs(f.path for f in measured),
            **({"startTime": started, "endTime": ended} if started else {}),
            **agent,
        },
        {
            "@id": "#analysing",
            "@type": "CreateAction",
            "name": "Analysing and reporting",
            "instrument": tool,
            "object": _refs(f.path for f in measured),
            "result": _refs(f.path for f in derived),
            **agent,
        },
        *authors,
        *(
            {
                "@id": f.path,
                "@type": "File",
                "name": f.path,
                "encodingFormat": f.media_type,
                "contentSize": str(f.size_bytes),
                "sha256": f.sha256,
            }
            for f in files
        ),
    ]
    return {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph}


def _refs(ids: Any) -> list[dict[str, str]]:
    return [{"@id": str(i)} for i in ids]


def citation(campaign: Campaign, version: str) -> str:
    """``CITATION.cff`` of the dataset. Every text is quoted as JSON, which YAML reads the same."""
    simulated = f"{SIMULATED} " if campaign.simulated else ""
    figures, made = ("simulated figures", "Simulated") if campaign.simulated else ("measurements", "Measured")
    lines = [
        "cff-version: 1.2.0",
        "type: dataset",
        f"title: {_quoted(f'{simulated}{campaign.name}: {campaign.plan.plan.question}')}",
        f"message: {_quoted(f'If you use these {figures}, please cite them as below.')}",
        "authors:",
    ]
    for author in campaign.plan.report.authors:
        lines.append(f"  - name: {_quoted(author.name)}")
        if author.affiliation:
            lines.append(f"    address: {_quoted(author.affiliation)}")
        if author.orcid:
            lines.append(f"    orcid: {_quoted('https://orcid.org/' + author.orcid)}")
    if not campaign.plan.report.authors:
        rig = campaign.rig.get("rig_id", "unknown")
        lines.append(f"  - name: {_quoted(f'The operator of rig {rig}')}")
    ended = _times(campaign)[1]
    if ended:
        lines.append(f"date-released: {ended[:10]}")
    if campaign.plan.report.data_licence:
        lines.append(f"license: {_quoted(campaign.plan.report.data_licence)}")
    lines.append(
        f"abstract: {_quoted(f'{simulated}{made} with levelrig {version}; campaign {campaign.campaign_id}.')}"
    )
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
