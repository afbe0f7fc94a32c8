"""The table behind a chart, as the page shows it. Pure."""

from __future__ import annotations

import pandas as pd

from harness.report.elements import Entry, Heading, Row, Table, number


def data_table(chart_id: str, heading: str, frame: pd.DataFrame) -> Table:
    """The table that a chart shows, as it stands."""
    numeric = [pd.api.types.is_float_dtype(frame[name]) for name in frame.columns]
    rows = [
        Row(
            [
                Entry(number(float(v), 3) if is_number else str(v))
                for v, is_number in zip(record, numeric, strict=True)
            ],
            title=str(getattr(record, "title", "")),
            profile=str(getattr(record, "profile", "")),
            campaign=str(getattr(record, "campaign", "")),
        )
        for record in frame.itertuples(index=False)
    ]
    columns = [
        Heading(str(n).replace("_", " "), number=f) for n, f in zip(frame.columns, numeric, strict=True)
    ]
    return Table(f"data-{chart_id}", f"Data of the chart: {heading}", columns, rows)
