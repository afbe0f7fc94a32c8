"""Parquet columns inside others, by dotted path, and durations, which bring their own unit."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from harness.frames.mapping import ColumnMapping


def leaves(schema: pa.Schema) -> pa.Schema:
    """The schema with each column inside another as a column of its own, named by its dotted path."""
    if not any(pa.types.is_struct(field.type) for field in schema):
        return schema
    fields: list[pa.Field] = []
    for field in schema:
        fields += _inner(field) if pa.types.is_struct(field.type) else [field]
    return leaves(pa.schema(fields))


def _inner(field: pa.Field) -> list[pa.Field]:
    return [pa.field(f"{field.name}.{inner.name}", inner.type) for inner in field.type]


def picked(batch: pa.RecordBatch) -> pa.RecordBatch:
    """Rows with the columns inside others as columns of their own."""
    if not any(pa.types.is_struct(kind) for kind in batch.schema.types):
        return batch
    names: list[str] = []
    columns: list[pa.Array] = []
    for field, column in zip(batch.schema, batch.columns, strict=True):
        if pa.types.is_struct(field.type):
            names += [inner.name for inner in _inner(field)]
            columns += column.flatten()
        else:
            names.append(field.name)
            columns.append(column)
    return picked(pa.RecordBatch.from_arrays(columns, names))


def durations_as_numbers(found: dict[str, pa.Array], mapping: ColumnMapping) -> dict[str, pa.Array]:
    """Durations in the unit that the mapping states for their column, whole where that is nanoseconds."""
    scales = {mapping.time_column: mapping.time_scale, mapping.interval_column: mapping.interval_scale}
    columns = dict(found)
    for reference, column in found.items():
        if not pa.types.is_duration(column.type):
            continue
        whole = column.cast(pa.duration("ns")).cast(pa.int64())
        per_s = scales[reference].units_per_s if reference in scales else 1e9
        columns[reference] = whole if per_s == 1e9 else _divided(whole, 1e9 / per_s)
    return columns


def _divided(whole: pa.Array, by: float) -> pa.Array:
    return pc.divide(whole.cast(pa.float64(), safe=False), by)
