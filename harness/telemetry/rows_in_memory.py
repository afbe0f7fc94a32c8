"""A telemetry writer that keeps the rows in memory, for recordings of minutes."""

from __future__ import annotations

import pyarrow as pa


class KeptRows:
    """See :class:`harness.telemetry.sampler.TelemetryWriter`."""

    def __init__(self) -> None:
        self.tables: list[pa.Table] = []

    def write(self, table: pa.Table) -> None:
        self.tables.append(table)

    def whole(self) -> pa.Table:
        """All rows so far. Raises pyarrow.ArrowInvalid where there are none."""
        return pa.concat_tables(self.tables).unify_dictionaries()
