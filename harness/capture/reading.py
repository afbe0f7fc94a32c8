"""Reads a captured log: chooses the line of frames and hands it to the reader of all frame logs."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from harness.capture import TIMES, Way
from harness.capture.line import Line, line_of_frames
from harness.capture.recorder import COLUMNS, FIRST_LINE, LOST
from harness.capture.why_nothing import told_failure
from harness.errors import FrameLogError
from harness.frames.bounds import Budget, as_frame_log_error
from harness.frames.files import open_bytes
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log
from harness.frames.rows import RING_RAN_OVER, RawRows
from harness.numerals import agreed, counted, times
from harness.rig import FrameLog

#: How the reader of all frame logs reads the line: the time of each frame's end, by the rig's clock.
MAPPING: Final = ColumnMapping(presentation_time_column="t_ns", unit="ns", clock="rig")
#: How a log that is being written is read from its end, for a live frame rate.
LIVE_MAPPING: Final = {
    "presentation_time_column": "call_ns",
    "unit": "ns",
    "clock": "rig",
    "comment": "#",
    "filter_column": "largest",
    "filter_value": "1",
    "when_time_goes_back": "sort",
}
DISPLAYED: Final = "displayed"
OTHER_WINDOW: Final = "present of another window or swapchain"
REFUSED: Final = "present that the system refused"
ALSO_SEEN: Final = "the same update, seen by the other extension of X"
NOT_DISPLAYED: Final = "present whose display was not seen"
WORDS: Final = {
    "vulkan": "Vulkan",
    "glx": "OpenGL by GLX",
    "egl": "OpenGL by EGL",
    "complete": "Present of X",
    "damage": "Damage of X",
}
#: What is noted of frames that Damage told.
ESTIMATE: Final = (
    "an estimate, as Damage of X reports changes and not frames: a frame drawn in parts may count twice, and "
    "of frames that come faster than they are seen (above about 1,000 a second) some are missed"
)
FAILED: Final = b"# failed: "
_CHUNK: Final = 1 << 20
Ints = NDArray[np.int64]


@dataclass
class Found:
    """The line of frames of one captured log.

    Attributes:
        t_ns: Time of each frame, in order, ns; of a row that was lost the time of the one before.
        lost: Which rows stand for records that the ring lost.
        left_out: Other rows, by reason.
        notes: What a person should know.
    """

    t_ns: Ints
    lost: NDArray[np.bool_]
    left_out: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)


def read_capture(path: Path, way: Way) -> FrameLog:
    """A captured log as a frame log, its account complete.

    Args:
        path: The file, compressed or not.
        way: How it was captured.
    Raises:
        FrameLogError: It is none, holds no frame, or too much of it was lost.
    """
    with as_frame_log_error(path):
        table, failures = _table(path)
        found = choose(path, table, way)
        found.notes += [f"a process of the title could not record: {told_failure(one)}" for one in failures]

    def rows(_path: Path, _mapping: ColumnMapping) -> Iterator[RawRows]:
        faults = np.where(found.lost, RING_RAN_OVER, 0).astype(np.uint8)
        yield RawRows(
            len(found.t_ns),
            {"t_ns": pa.array(found.t_ns)},
            faults if found.lost.any() else None,
            "records that the ring lost",
        )

    log = read_log(path, MAPPING, rows)
    left_out = +found.left_out
    return dataclasses.replace(
        log,
        rows_read=log.rows_read + sum(left_out.values()),
        left_out={**log.left_out, **left_out},
        notes=(*found.notes, *log.notes),
    )


def _table(path: Path) -> tuple[pa.Table, list[str]]:
    """The rows of a captured log, and what processes could not do. Raises FrameLogError."""
    budget, parts = Budget(path), []
    with open_bytes(path) as stream:
        while part := stream.read(_CHUNK):
            budget.take(len(part))
            parts.append(part)
    data = b"".join(parts)
    if not data.startswith(FIRST_LINE.encode()):
        raise FrameLogError(
            f"{path} is no log of levelrig's capture; set reader to 'columns' for another log"
        )
    lines = data[: data.rfind(b"\n") + 1].splitlines()
    body = b"".join(line + b"\n" for line in lines if not line.startswith(b"#"))
    failures = [line[len(FAILED) :].decode("ascii", "replace") for line in lines if line.startswith(FAILED)]
    types = {name: pa.int64() for name in COLUMNS} | {"kind": pa.string()}
    table = pa_csv.read_csv(
        pa.BufferReader(body),
        convert_options=pa_csv.ConvertOptions(column_types=types, strings_can_be_null=False),
    )
    if table.column_names != list(COLUMNS) or any(table[name].null_count for name in COLUMNS):
        raise FrameLogError(f"{path}: its columns are not those of this version of levelrig's capture")
    return table, failures


def choose(path: Path, table: pa.Table, way: Way) -> Found:
    """The line of frames among all rows.

    Args:
        path: For messages.
        table: Rows as recorded, columns as :data:`harness.capture.recorder.COLUMNS`.
        way: How they were captured.
    Raises:
        FrameLogError: There is no frame at all.
    """
    lost_rows = table.filter(pc.equal(table["kind"], LOST))
    displays = table.filter(pc.equal(table["kind"], DISPLAYED))
    presents = table.filter(pc.invert(pc.is_in(table["kind"], pa.array([LOST, DISPLAYED]))))
    presents, others = _by_one_extension(presents)
    accepted = pc.greater_equal(presents["result"], 0)
    left_out = Counter({REFUSED: presents.num_rows - int(pc.sum(accepted).as_py() or 0)})
    presents = presents.filter(accepted)
    left_out[ALSO_SEEN] = others
    t_ns = _numbers(presents, "call_ns")
    if way == "capture-display":
        t_ns, seen = _display_times(presents, displays)
        left_out[NOT_DISPLAYED] = int(np.count_nonzero(~seen))
        presents, t_ns = presents.filter(pa.array(seen)), t_ns[seen]
        left_out["time of a display"] = displays.num_rows
    if not presents.num_rows:
        raise FrameLogError(
            f"{path}: {counted(table.num_rows, 'row')} and no frame"
            + "".join(f"; {reason}: {count}" for reason, count in (+left_out).items())
            + (
                "; this device tells no times of display: set frames = 'capture'"
                if left_out[NOT_DISPLAYED]
                else ""
            )
        )
    windows = np.stack([_numbers(presents, "process"), _numbers(presents, "surface")])
    _, group = np.unique(windows, axis=1, return_inverse=True)
    pixels = _numbers(presents, "width") * _numbers(presents, "height")
    line = line_of_frames(group.reshape(-1).astype(np.int64), t_ns, pixels)
    left_out[OTHER_WINDOW] = int(np.count_nonzero(~line.chosen))
    presents, t_ns = presents.filter(pa.array(line.chosen)), t_ns[line.chosen]
    if presents.num_rows == 1:
        raise FrameLogError(f"{path}: the title presented one frame, and a frame time is between two")
    notes = _notes(presents, t_ns, line, left_out, way)
    lost = int(pc.sum(lost_rows["image"]).as_py() or 0)
    if not 0 <= lost <= presents.num_rows:
        raise FrameLogError(
            f"{path}: {lost} records were lost as levelrig could not keep up, beside {presents.num_rows} "
            "that count; measure again with less else to do, or let the title draw fewer frames a second"
        )
    at_ns, count = _lost_of(lost_rows, set(presents["process"].to_pylist()))
    order = np.argsort(np.concatenate([t_ns, np.repeat(at_ns, count)]), kind="stable")
    return Found(
        np.concatenate([t_ns, np.repeat(at_ns, count)])[order],
        (np.arange(len(order)) >= len(t_ns))[order],
        left_out,
        notes,
    )


def _by_one_extension(presents: pa.Table) -> tuple[pa.Table, int]:
    """Where windows were watched: what Present told, if it told most of it, else what Damage told."""
    kinds = {kind: count for (kind,), count in _counts(presents, "kind").items()}
    complete, damage = kinds.get("complete", 0), kinds.get("damage", 0)
    if not complete or not damage:
        return presents, 0
    passed_over = "damage" if complete >= damage / 2 else "complete"
    return presents.filter(pc.not_equal(presents["kind"], passed_over)), kinds[passed_over]


def _numbers(table: pa.Table, column: str) -> Ints:
    numbers: Ints = table[column].to_numpy()
    return numbers


def _display_times(presents: pa.Table, displays: pa.Table) -> tuple[Ints, NDArray[np.bool_]]:
    """When each present was displayed, ns, and which were."""
    names = ("process", "swapchain", "present_id")
    known = {
        key[:3]: key[3]
        for key in zip(*(displays[name].to_pylist() for name in (*names, "call_ns")), strict=True)
    }
    keys = zip(*(presents[name].to_pylist() for name in names), strict=True)
    t_ns = np.array([known.get(key, -1) for key in keys], np.int64)
    return np.maximum(t_ns, 0), t_ns >= 0


def _lost_of(lost: pa.Table, processes: set[int]) -> tuple[Ints, Ints]:
    """Time and count of what the rings of these processes lost."""
    own = np.isin(_numbers(lost, "process"), list(processes))
    return _numbers(lost, "call_ns")[own], _numbers(lost, "image")[own]


def _notes(presents: pa.Table, t_ns: Ints, line: Line, left_out: Counter[str], way: Way) -> list[str]:
    """What a person should know of the line, in sentences."""
    sizes = _counts(presents, "width", "height")
    (width, height), _ = sizes.most_common(1)[0]
    by = " and ".join(WORDS.get(kind, kind) for (kind,), _ in _counts(presents, "kind").most_common())
    size = f", {width} × {height} pixels" if width else ""
    notes = [f"captured ({by}{size}), {TIMES[way]}"]
    if "damage" in presents["kind"].to_pylist():
        notes.append(ESTIMATE)
    swapchains = len(_counts(presents, "process", "surface", "swapchain"))
    if swapchains > 1 and way != "capture-window":
        windows = counted(line.windows, "window")
        notes.append(f"its frames went through {counted(swapchains, 'swapchain')} of {windows}")
    if left_out[OTHER_WINDOW]:
        others = counted(line.others, "other window") if line.others else "another window"
        notes.append(f"{others} presented {times(left_out[OTHER_WINDOW])} meanwhile, left out")
    for reason, what in ((REFUSED, "refused by the system"), (NOT_DISPLAYED, "never seen displayed")):
        if left_out[reason]:
            notes.append(f"{counted(left_out[reason], 'present')} {agreed('was', left_out[reason])} {what}")
    process = _numbers(presents, "process")
    by_process = np.argsort(process, kind="stable")  # of several, each has its own order
    same = np.diff(process[by_process]) == 0
    back = int(np.count_nonzero(same & (np.diff(t_ns[by_process]) < 0)))
    if back:
        notes.append(f"{counted(back, 'present')} arrived out of order and {agreed('was', back)} sorted")
    sources = len(_counts(presents, "process", "thread", "queue"))
    if sources > 1:
        notes.append(
            f"presents came from {sources} threads or queues; where some are generated frames, they count as "
            "frames like all others"
        )
    return notes


def _counts(table: pa.Table, *columns: str) -> Counter[tuple[Any, ...]]:
    """How many rows have each combination of values."""
    return Counter(zip(*(table[name].to_pylist() for name in columns), strict=True))
