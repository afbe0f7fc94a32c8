"""Frame-log reader ``columns``: any CSV, Parquet or JSON-lines log, by the plan's own column mapping."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import ValidationError

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.hookspecs import Kind, hookimpl
from harness.rig import FrameLog, FrameLogSource


@hookimpl
def kinds() -> Sequence[Kind]:
    return [
        Kind(
            role="reader",
            name="columns",
            summary="frame logs in CSV, Parquet or JSON lines, read by a column mapping",
            options=ColumnMapping,
        )
    ]


@hookimpl
def read_frame_log(source: FrameLogSource) -> FrameLog | None:
    if source.spec.reader != "columns":
        return None
    from harness.frames.reader import read_log

    try:
        mapping = ColumnMapping.model_validate(source.spec.options)
    except ValidationError as error:
        wrong = "; ".join(
            f"{'.'.join(map(str, e['loc'])) or 'frame_log'}: {e['msg']}"
            for e in error.errors(include_url=False)
        )
        raise FrameLogError(
            f"{source.path}: the mapping in frame_log is wrong: {wrong}; fix the plan"
        ) from error
    return read_log(source.path, mapping)
