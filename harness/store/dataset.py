"""The journal's attempts as the tables of :mod:`harness.tables`. Pure, but for writing to an open sink."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from harness.columns import Column, Kind, schema_of
from harness.csvtext import plain_cell
from harness.tables import attempt_columns, attempts_schema

if TYPE_CHECKING:
    import pyarrow as pa


def encode_row(row: Mapping[str, Any], *, held: Collection[str] = ()) -> str:
    """A row of the table of attempts as JSON. A figure that is not finite becomes null and is marked as such.

    Args:
        row: Its columns.
        held: Columns that may stand in it though the table doesn't have them: what a plugin brought which is
            not installed now. They are kept as they are.

    Raises:
        ValueError: A column that the table doesn't have, or a value that it can't take.
    """
    import pyarrow as pa

    schema = attempts_schema()
    unknown = sorted(set(row) - set(schema.names) - set(held))
    if unknown:
        raise ValueError(f"no such column in the attempts table: {', '.join(unknown)}")
    clean = dict(row)
    for name, value in row.items():
        if isinstance(value, float) and not math.isfinite(value):
            clean[name] = None
            clean["marks"] = [*(clean.get("marks") or ()), f"not-finite:{name}"]
    for field in schema:
        value = clean.get(field.name)
        if value is None and not field.nullable:
            raise ValueError(f"column {field.name} of the attempts table must have a value")
        try:
            pa.array([value], field.type)
        except (pa.ArrowInvalid, pa.ArrowTypeError) as error:
            raise ValueError(f"column {field.name} of the attempts table: {error}") from error
    return json.dumps({k: v for k, v in clean.items() if v is not None}, default=_plain, allow_nan=False)


def foreign_figures(row: Mapping[str, Any]) -> dict[str, float | str]:
    """What of a row no column is known for: of a plugin's metric or stage, where the plugin is not here."""
    known = {column.name for column in attempt_columns()}
    return {
        name: value
        for name, value in row.items()
        if name not in known and isinstance(value, int | float | str) and not isinstance(value, bool)
    }


def decode_rows(encoded: Sequence[str]) -> pa.Table:
    """Rows from :func:`encode_row` as one table with the schema of attempts.

    What a plugin brought stays where the plugin is not installed: its columns come last, by name.
    """
    import pyarrow as pa

    rows = [json.loads(text) for text in encoded]
    kinds: dict[str, Kind] = {}
    for row in rows:
        row["started_utc"] = datetime.fromisoformat(row["started_utc"])
        for name, value in foreign_figures(row).items():
            kinds[name] = _kind_of(value, kinds.get(name))
    meaning = "brought by a plugin that is not installed"
    further = [Column(name, kind, "", meaning) for name, kind in sorted(kinds.items())]
    schema = schema_of((*attempt_columns(), *further)) if further else attempts_schema()
    return pa.Table.from_pylist(rows, schema=schema)


def _kind_of(value: float | str, before: Kind | None) -> Kind:
    """The kind that holds a value, and those before it."""
    if isinstance(value, str):
        return "text"
    return "integer" if isinstance(value, int) and before != "float" else "float"


def write_csv(table: pa.Table, sink: Any) -> None:
    """The table as CSV (RFC 4180, UTF-8, header): lists joined by ``;``, null as an empty field.

    Text is written by the rule of :mod:`harness.csvtext`.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv

    columns = []
    for name, column in zip(table.column_names, table.columns, strict=True):
        if pa.types.is_list(column.type):
            column = pc.binary_join(column, ";")
        elif pa.types.is_timestamp(column.type):
            column = pc.strftime(column, format="%Y-%m-%dT%H:%M:%SZ")
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            column = pa.chunked_array([[plain_cell(text) for text in column.to_pylist()]], type=pa.string())
        columns.append((name, column))
    pyarrow.csv.write_csv(pa.table(dict(columns)), sink)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError("a time without time zone can't be stored; pass UTC")
        return value.astimezone(UTC).isoformat()
    if hasattr(value, "item"):  # NumPy scalars
        return value.item()
    raise TypeError(f"{type(value).__name__} can't be stored in the attempts table")
