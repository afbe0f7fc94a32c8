"""Reads a frame log by its mapping: whole (:func:`read_log`) or in batches (:func:`stream_log`)."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness import tables
from harness.errors import FrameLogError
from harness.frames.bounds import Budget, as_frame_log_error, require_regular_file
from harness.frames.cleaning import LARGEST, CleanBatch, Cleaner
from harness.frames.columnlog import jsonl_rows, parquet_rows
from harness.frames.files import sniff_format
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import RawRows, join_rows, pick_rows
from harness.frames.textlog import open_layout, parse_block, text_blocks
from harness.rig import FrameLog

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def raw_rows(path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    """The log's rows in file order, not cleaned. Raises FrameLogError."""
    require_regular_file(path)
    kind = sniff_format(path) if mapping.format == "auto" else mapping.format
    if kind == "parquet":
        yield from parquet_rows(path, mapping)
    elif kind == "jsonl":
        yield from jsonl_rows(path, mapping)
    else:
        layout = open_layout(path, mapping)
        yield from in_order(partial(parse_block, layout=layout), text_blocks(path, mapping))


def stream_log(path: Path, mapping: ColumnMapping, cleaner: Cleaner | None = None) -> Iterator[CleanBatch]:
    """The log's frames in batches, in bounded memory; the cleaner's account is complete at the end.

    Sorting and choosing a run need the whole log and hold it.

    Raises:
        FrameLogError: With file, row, column and what to do.
    """
    with as_frame_log_error(path):
        yield from _stream(path, mapping, cleaner or Cleaner(path, mapping))


def _stream(path: Path, mapping: ColumnMapping, cleaner: Cleaner) -> Iterator[CleanBatch]:
    if mapping.when_time_goes_back == "stop" or mapping.time_column is None:
        for rows in raw_rows(path, mapping):
            yield cleaner.clean(rows)
    else:
        rows, left = one_run(join_rows(raw_rows(path, mapping), mapping, Budget(path)), mapping)
        if left:
            cleaner.set_aside("another run in the same log", left)
        yield cleaner.clean(rows)
    cleaner.finish()


def read_log(path: Path, mapping: ColumnMapping) -> FrameLog:
    """The whole log as a table, with its account.

    Args:
        path: The file.
        mapping: What its columns hold.
    Returns:
        Frames with ``t_s`` in log time and the kept columns after the two of the contract.
    Raises:
        FrameLogError: With file, row, column and what to do.
    """
    with as_frame_log_error(path):
        return _read_log(path, mapping)


def _read_log(path: Path, mapping: ColumnMapping) -> FrameLog:
    cleaner = Cleaner(path, mapping)
    budget, batches = Budget(path), []
    for batch in stream_log(path, mapping, cleaner):
        kept_bytes = sum(column.nbytes for column in batch.kept.values())
        budget.take(batch.t_s.nbytes + batch.frametime_ms.nbytes + kept_bytes)
        batches.append(batch)
    if not cleaner.frames:
        raise FrameLogError(
            f"{path}: {cleaner.rows_read} rows and no usable frame"
            + "".join(f"; {reason}: {count}" for reason, count in (cleaner.faults + cleaner.left_out).items())
            + "; check the mapping and whether the title ran"
        )
    t_s = np.concatenate([batch.t_s for batch in batches])
    frametime_ms = np.concatenate([batch.frametime_ms for batch in batches])
    frames = pa.Table.from_arrays([pa.array(t_s), pa.array(frametime_ms)], schema=tables.FRAMES)
    for reference in mapping.keep_columns:
        frames = frames.append_column(reference, _kept_column([batch.kept[reference] for batch in batches]))
    return FrameLog(
        frames=frames,
        rows_read=cleaner.rows_read,
        dropped=dict(+cleaner.faults),
        left_out=dict(+cleaner.left_out),
        clock=mapping.clock,
        notes=(*cleaner.notes(), *_coarse_clock_note(frametime_ms)),
    )


def _coarse_clock_note(frametime_ms: NDArray[np.float64]) -> list[str]:
    """A note when the frame times come in steps over 1 % of their median."""
    values = np.unique(np.round(frametime_ms[:100_000], 6))
    if len(values) < 2:
        return []
    step_ms, median_ms = float(np.diff(values).min()), float(np.median(frametime_ms))
    if step_ms <= 0.01 * median_ms:
        return []
    return [
        f"frame times come in steps of {step_ms:.6g} ms, {100 * step_ms / median_ms:.0f} % of their median; "
        "percentiles and lows are no finer than that"
    ]


def _kept_column(chunks: list[pa.Array]) -> pa.ChunkedArray:
    """Numbers where every value is one, else as in the file."""
    if len({chunk.type for chunk in chunks}) > 1:  # a quantity with whole and broken numbers
        chunks = [chunk.cast(pa.float64(), safe=False) for chunk in chunks]
    whole = pa.chunked_array(chunks)
    if not pa.types.is_string(whole.type):
        return whole
    try:
        return whole.cast(pa.float64())
    except pa.ArrowInvalid:
        return whole


def one_run(rows: RawRows, mapping: ColumnMapping) -> tuple[RawRows, int]:
    """Sort the rows by time, or keep one run; also how many rows that leaves out."""
    assert mapping.time_column is not None
    time = rows.columns[mapping.time_column].to_numpy(zero_copy_only=False)
    usable = (time >= -LARGEST) & (time <= LARGEST)
    if rows.faults is not None:
        usable &= rows.faults == 0
    places = np.flatnonzero(usable)
    if mapping.when_time_goes_back == "sort":
        order = np.arange(rows.count)
        order[places] = places[np.argsort(time[places], kind="stable")]
        return pick_rows(rows, order), 0
    jumps = places[1:][time[places][1:] < time[places][:-1]]
    if not len(jumps):
        return rows, 0
    first, last = (
        (0, int(jumps[0])) if mapping.when_time_goes_back == "first-run" else (int(jumps[-1]), rows.count)
    )
    return pick_rows(rows, np.arange(first, last)), rows.count - (last - first)


def in_order(work: Callable[[_Job], _Done], jobs: Iterator[_Job]) -> Iterator[_Done]:
    """Do the jobs on a few threads, a few ahead, and yield the results in order."""
    workers = max(1, min(8, os.cpu_count() or 1))
    with ThreadPoolExecutor(workers, thread_name_prefix="levelrig-frames") as pool:
        running: deque[Future[_Done]] = deque()
        try:
            for job in jobs:
                running.append(pool.submit(work, job))
                if len(running) > workers + 1:
                    yield running.popleft().result()
            while running:
                yield running.popleft().result()
        finally:
            for future in running:
                future.cancel()
