"""Where each column of a telemetry table comes from, kept in the table itself."""

from __future__ import annotations

from collections.abc import Mapping

import pyarrow as pa

from harness.rig import Channel


def with_sources(table: pa.Table, channels: Mapping[str, tuple[str, Channel]]) -> pa.Table:
    """The table, each quantity's field with what delivered it.

    Args:
        table: Columns of :data:`harness.tables.TELEMETRY`.
        channels: Quantity -> (sensor's name, channel), as :attr:`harness.telemetry.sampler.Sampler.channels`.
    Returns:
        The same rows; fields carry ``sensor``, ``source``, and where there is one ``device`` (which card the
        reading is of) and ``note`` beside their unit and meaning.
    """
    fields = []
    for field in table.schema:
        sensor, channel = channels.get(field.name, ("", None))
        if channel is not None:
            told = {"sensor": sensor, "source": channel.source}
            told |= {"device": channel.device, "note": channel.note}
            field = field.with_metadata({**(field.metadata or {}), **{k: v for k, v in told.items() if v}})
        fields.append(field)
    return table.cast(pa.schema(fields, metadata=table.schema.metadata))
