"""Reads a frame log by its mapping: whole (:func:`read_log`) or in batches (:func:`stream_log`)."""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from harness import tables
from harness.errors import FrameLogError
from harness.frames.batch import CleanBatch
from harness.frames.blocks import text_blocks
from harness.frames.bounds import Budget, as_frame_log_error, require_regular_file
from harness.frames.cleaning import Cleaner
from harness.frames.columnlog import jsonl_rows, parquet_rows
from harness.frames.counters import Unwrapper
from harness.frames.files import sniff_format
from harness.frames.mapping import ColumnMapping
from harness.frames.perhaps_rates import rate_doubt
from harness.frames.quantities import LARGEST
from harness.frames.rows import RawRows, join_rows, pick_rows
from harness.frames.stamps import with_stamps
from harness.frames.summary_rows import with_summary_rows
from harness.frames.textlog import open_layout, parse_block
from harness.numerals import counted, times
from harness.rig import FrameLog

#: Rows in order of time that make a run; fewer are rows out of order.
_RUN_ROWS = 50
#: Frames that tell the step of a clock.
_LOOK_FRAMES = 2_000
RowSource = Callable[[Path, ColumnMapping], Iterator[RawRows]]
_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def raw_rows(path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    """The log's rows in file order, not cleaned. Raises FrameLogError."""
    return with_stamps(_parsed(path, mapping), path, mapping)


def _parsed(path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    require_regular_file(path)
    kind = sniff_format(path) if mapping.format == "auto" else mapping.format
    if kind == "parquet":
        yield from parquet_rows(path, mapping)
    elif kind == "jsonl":
        yield from jsonl_rows(path, mapping)
    else:
        layout = open_layout(path, mapping)
        blocks = in_order(partial(parse_block, layout=layout), text_blocks(path, mapping))
        yield from with_summary_rows(blocks, path, mapping, layout.shape)


def stream_log(
    path: Path, mapping: ColumnMapping, cleaner: Cleaner | None = None, rows: RowSource = raw_rows
) -> Iterator[CleanBatch]:
    """The log's frames in batches, in bounded memory; the cleaner's account is complete at the end.

    Sorting and choosing a run need the whole log and hold it.

    Args:
        path: The file.
        mapping: What its columns hold.
        cleaner: Makes frames of the rows; None: a new one.
        rows: Gives the rows of the file.
    Raises:
        FrameLogError: With file, row, column and what to do.
    """
    with as_frame_log_error(path):
        yield from _stream(path, mapping, cleaner or Cleaner(path, mapping), rows)


def _stream(path: Path, mapping: ColumnMapping, cleaner: Cleaner, rows: RowSource) -> Iterator[CleanBatch]:
    found = rows(path, mapping)
    if mapping.time_column is not None and not mapping.stamped:
        unwrapper = Unwrapper(mapping.time_column)
        found = unwrapper.batches(found)
        cleaner.add_notes(unwrapper.notes)
    if mapping.when_time_goes_back == "stop" or mapping.time_column is None:
        for part in found:
            yield cleaner.clean(part)
    else:
        whole = join_rows(found, mapping, Budget(path))
        if mapping.when_time_goes_back == "sort":
            refuse_several_runs(path, whole, mapping)
            cleaner.add_notes(lambda: _sorted_note(whole, mapping))
        chosen, left = one_run(whole, mapping)
        if left:
            cleaner.set_aside("another run in the same log", left)
            cleaner.add_notes(lambda: [_other_run_note(left, whole.count, mapping)])
        yield cleaner.clean(chosen)
    cleaner.finish()


def _other_run_note(left: int, rows: int, mapping: ColumnMapping) -> str:
    return (
        f"time goes back: {left} of {rows} rows are taken for another run and left out, as "
        f"when_time_goes_back = {mapping.when_time_goes_back!r} asks; if that was a clock set back or rows "
        "out of order, they belong to the run: split the log, or set 'sort' for rows out of order"
    )


def _sorted_note(rows: RawRows, mapping: ColumnMapping) -> list[str]:
    assert mapping.time_column is not None
    time = rows.columns[mapping.time_column].to_numpy(zero_copy_only=False)
    usable = np.isfinite(time) & (True if rows.faults is None else rows.faults == 0)
    steps = np.diff(time[usable].astype(np.float64))
    back = int(np.count_nonzero(steps < 0))
    if not back:
        return []
    largest_s = -float(steps.min()) / mapping.time_scale.units_per_s
    return [f"time goes back {times(back)}, by up to {largest_s:.4g} s; the rows were sorted by time"]


def read_log(path: Path, mapping: ColumnMapping, rows: RowSource = raw_rows) -> FrameLog:
    """The whole log as a table, with its account.

    Args:
        path: The file.
        mapping: What its columns hold.
        rows: Gives the rows of the file; asked twice where it has rows that can't be used.
    Returns:
        Frames with ``t_s`` in log time and the kept columns after the two of the contract.
    Raises:
        FrameLogError: With file, row, column and what to do.
    """
    with as_frame_log_error(path):
        return _read_log(path, mapping, rows)


def _read_log(path: Path, mapping: ColumnMapping, rows: RowSource) -> FrameLog:
    cleaner = Cleaner(path, mapping)
    batches = _held(path, mapping, cleaner, rows)
    account = cleaner.account
    if not account.frames:
        raise FrameLogError(
            f"{path}: {counted(account.rows_read, 'row')} and no usable frame"
            + "".join(f"; {reason}: {count}" for reason, count in (account.faults + account.left_out).items())
            + "; check the mapping and whether the title ran"
        )
    frametime_ms = np.concatenate([batch.frametime_ms for batch in batches])
    frames = _frames_of(batches)
    for reference in mapping.keep_columns:
        frames = frames.append_column(reference, _kept_column([batch.kept[reference] for batch in batches]))
    return FrameLog(
        frames=frames,
        rows_read=account.rows_read,
        dropped=dict(+account.faults),
        left_out=dict(+account.left_out),
        clock=mapping.clock,
        notes=(
            *cleaner.notes(),
            *_coarse_clock_note(frametime_ms, frames["t_s"].to_numpy()),
            *rate_doubt(mapping, frametime_ms, only_downwards=True),
        ),
        worst=_frames_of(_held(path, mapping, Cleaner(path, mapping, worst=cleaner), rows))
        if cleaner.doubtful
        else None,
    )


def _held(path: Path, mapping: ColumnMapping, cleaner: Cleaner, rows: RowSource) -> list[CleanBatch]:
    """All batches, within the memory budget."""
    budget, batches = Budget(path), []
    for batch in stream_log(path, mapping, cleaner, rows):
        kept_bytes = sum(column.nbytes for column in batch.kept.values())
        budget.take(batch.t_s.nbytes + batch.frametime_ms.nbytes + kept_bytes)
        batches.append(batch)
    return batches


def _frames_of(batches: list[CleanBatch]) -> pa.Table:
    t_s = np.concatenate([batch.t_s for batch in batches])
    frametime_ms = np.concatenate([batch.frametime_ms for batch in batches])
    return pa.Table.from_arrays([pa.array(t_s), pa.array(frametime_ms)], schema=tables.FRAMES)


def _coarse_clock_note(frametime_ms: NDArray[np.float64], t_s: NDArray[np.float64]) -> list[str]:
    """A note when the frame times come in steps over 1 % of their median, from the start or later on."""
    median_ms = float(np.median(frametime_ms))
    noise_ms = 4e3 * math.ulp(float(np.abs(t_s[[0, -1]]).max()))
    at_first_ms = _step_ms(frametime_ms[:_LOOK_FRAMES], noise_ms)
    if at_first_ms > 0.01 * median_ms:
        return [
            f"frame times come in steps of {at_first_ms:.4g} ms, {100 * at_first_ms / median_ms:.0f} % of "
            "their median; percentiles and lows are no finer than that"
        ]
    at_last_ms = _step_ms(frametime_ms[-_LOOK_FRAMES:], noise_ms)
    if at_last_ms <= 0.01 * median_ms or len(frametime_ms) < 100:
        return []
    return [
        f"the clock loses resolution: at the end frame times come in steps of {at_last_ms:.4g} ms, "
        f"{100 * at_last_ms / median_ms:.0f} % of their median (times kept as single-precision numbers?); "
        "percentiles and lows are no finer than that"
    ]


def _step_ms(frametime_ms: NDArray[np.float64], noise_ms: float) -> float:
    """The least difference of frame times that differ by more than binary noise; 0 for one value."""
    steps = np.diff(np.unique(np.round(frametime_ms, 6)))
    steps = steps[steps > noise_ms]
    return float(steps.min()) if len(steps) else 0.0


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


def refuse_several_runs(path: Path, rows: RawRows, mapping: ColumnMapping) -> None:
    """Raises FrameLogError where rows to sort are two runs of the same time: sorting would interleave them.

    Rows out of order, and whole stretches out of order, do not overlap: in order of time a stretch is
    followed by another. Two runs take turns, row by row.
    """
    assert mapping.time_column is not None
    time = rows.columns[mapping.time_column].to_numpy(zero_copy_only=False)
    usable = np.isfinite(time) & (np.ones(rows.count, bool) if rows.faults is None else rows.faults == 0)
    places = np.flatnonzero(usable)
    if mapping.filter_column is not None:
        words = pc.utf8_trim_whitespace(rows.columns[mapping.filter_column].cast(pa.string()))
        wanted = pc.is_in(words, value_set=pa.array(list(mapping.filter_values), pa.string()))
        places = places[wanted.fill_null(False).to_numpy(zero_copy_only=False)[places]]
    time = time[places]
    run = np.concatenate(([0], np.cumsum(np.diff(time) < 0)))
    long = np.bincount(run)[run] >= _RUN_ROWS  # rows of stretches long enough to be a run
    if not long.any() or run[-1] == 0:
        return
    in_order = run[long][np.argsort(time[long], kind="stable")]
    turns = int(np.count_nonzero(np.diff(in_order)))
    if turns > _RUN_ROWS and turns > 4 * len(np.unique(in_order)):
        row = int(places[int(np.argmax(np.diff(time) < 0)) + 1]) + 1
        raise FrameLogError(
            f"{path}: data row {row}: a second run begins here whose times overlap the first one's; sorting "
            "would mix them: set when_time_goes_back = 'first-run' or 'last-run', or filter_column for "
            "several processes"
        )


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
