"""What a foreign value must be: each function gives it in its contract's form, or raises Unfit."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from types import NoneType
from typing import TYPE_CHECKING, Any, Final, TypeGuard

from harness.boundary.crossing import Unfit, printable
from harness.errors import Problem
from harness.plan.schema import FrameLogSpec
from harness.rig import (
    Channel,
    ClockMarker,
    FrameLog,
    FrameLogSource,
    Launch,
    Reading,
    RigFacts,
    WorkloadState,
)

if TYPE_CHECKING:
    import pyarrow as pa

#: Largest whole number that the tables hold.
_LARGEST: Final = 2**62
#: Passes, lines, problems and the like: more than this is no count of anything that a title or card does.
_MOST: Final = 100_000
#: Largest state of a control, or facts of a rig, as JSON text, bytes.
_MOST_JSON_BYTES: Final = 1 << 20


def anything(value: object) -> None:
    """For calls that give nothing."""


def same(kind: type, value: object) -> None:
    """Raises Unfit where the value is of another kind."""
    if not isinstance(value, kind):
        raise Unfit(f"gave {_shown(value)} where {kind.__name__} belongs")


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except Exception:
        text = "…"
    return f"{type(value).__name__} {printable(text, 80)}"


def _is_whole(value: object) -> TypeGuard[int]:
    """Whether it is a whole number: Python's, or NumPy's where that is loaded."""
    numpy = sys.modules.get("numpy")
    return isinstance(value, int) or (numpy is not None and isinstance(value, numpy.integer))


def _is_number(value: object) -> TypeGuard[float]:
    numpy = sys.modules.get("numpy")
    return isinstance(value, float) or _is_whole(value) or isinstance(value, numpy.floating if numpy else ())


def _number(value: object, what: str) -> float:
    if isinstance(value, bool) or not _is_number(value):
        raise Unfit(f"{what} is {_shown(value)}, not a number")
    try:
        number = float(value)
    except OverflowError:
        raise Unfit(f"{what} is {_shown(value)}, larger than any number of a table") from None
    if not math.isfinite(number):
        raise Unfit(f"{what} is {number}, not a finite number")
    return number


def _maybe_number(value: object, what: str) -> float | None:
    return None if value is None else _number(value, what)


def _whole(value: object, what: str, least: int, most: int) -> int:
    if isinstance(value, bool) or not _is_whole(value):
        raise Unfit(f"{what} is {_shown(value)}, not a whole number")
    if not least <= value <= most:
        raise Unfit(f"{what} is {printable(value, 40)}, outside {least} to {most}")
    return int(value)


def _listed(value: object, what: str) -> list[Any]:
    if isinstance(value, str | bytes | Mapping) or not isinstance(value, Collection):
        raise Unfit(f"{what} is {_shown(value)}, not a list")
    if len(value) > _MOST:
        raise Unfit(f"{what} has {len(value)} entries")
    return list(value)


def sentences(value: object) -> list[str]:
    """A list of texts."""
    found = _listed(value, "the list of sentences")
    for text in found:
        same(str, text)
    return [printable(text) for text in found]


def plain_state(value: object) -> dict[str, Any]:
    """A mapping of JSON values, as JSON gives it back."""
    same(Mapping, value)
    try:
        text = json.dumps(dict(value), allow_nan=False)  # type: ignore[call-overload]
    except (TypeError, ValueError, RecursionError) as error:
        raise Unfit(f"gave values that JSON can't hold ({printable(error, 200)})") from error
    if len(text) > _MOST_JSON_BYTES:
        raise Unfit(f"gave {len(text)} bytes of state")
    found: dict[str, Any] = json.loads(text)
    return found


def problems(value: object) -> list[Problem]:
    """A list of problems."""
    found = _listed(value, "the list of problems")
    for problem in found:
        same(Problem, problem)
    return found


def longest_call_s(control: object) -> float | None:
    """How long a call of the control may take by its own statement, s; None where it states nothing."""
    stated = _maybe_number(getattr(control, "longest_call_s", None), "longest_call_s")
    if stated is not None and stated <= 0:
        raise Unfit(f"longest_call_s is {stated}, not a time")
    return stated


def launch(value: object) -> Launch:
    """A launch."""
    same(Launch, value)
    assert isinstance(value, Launch)
    return value


def process_id(value: object) -> int | None:
    """A process id or None."""
    return None if value is None else _whole(value, "the process id", 1, _LARGEST)


def score(value: object) -> float | None:
    """A finite number or None."""
    return _maybe_number(value, "the score")


def workload_state(value: object) -> WorkloadState:
    """A state whose parts have their types."""
    same(WorkloadState, value)
    assert isinstance(value, WorkloadState)
    for part in (value.running, value.ready, value.finished):
        same(bool, part)
    if value.exit_code is not None:
        _whole(value.exit_code, "the exit code", -_LARGEST, _LARGEST)
    if value.passes is not None:
        _whole(value.passes, "the count of passes", 0, _MOST)
    _maybe_number(value.last_sign_s, "the time of the last sign of life")
    if value.failure is not None:
        same(str, value.failure)
    same(str, value.ready_by)
    same(str, value.finished_by)
    same(str, value.doing)
    same(str, value.said)
    same(bool, value.steps)
    _maybe_number(value.begin_s, "the time of the window's begin")
    _maybe_number(value.end_s, "the time of the window's end")
    if value.remarks != ():
        sentences(value.remarks)
    return value


def log_source(value: object) -> FrameLogSource | None:
    """A frame log on disk, or None."""
    if value is None:
        return None
    same(FrameLogSource, value)
    assert isinstance(value, FrameLogSource)
    same(Path, value.path)
    same(FrameLogSpec, value.spec)
    _maybe_number(value.clock_offset_s, "the clock's offset")
    for marker in _listed(value.clock_markers, "the list of clock markers"):
        same(ClockMarker, marker)
        for number in marker:
            _number(number, "a clock marker's time")
    return value


def frame_log(value: object) -> FrameLog:
    """Frames with a full account: the columns of the contract, numbers in every row, none negative."""
    same(FrameLog, value)
    assert isinstance(value, FrameLog)
    frames = _frames(value.frames)
    worst = None if value.worst is None else _frames(value.worst)
    rows_read = _whole(value.rows_read, "rows_read", 0, _LARGEST)
    counts = []
    for account in (value.dropped, value.left_out):
        same(Mapping, account)
        counts.append(sum(_whole(n, "a count of rows", 0, _LARGEST) for n in account.values()))
    if rows_read != frames.num_rows + sum(counts):
        raise Unfit(
            f"{rows_read} rows were read, but {frames.num_rows} kept, {counts[0]} dropped and "
            f"{counts[1]} left out"
        )
    if value.clock not in ("rig", "log"):
        raise Unfit(f"the clock is {_shown(value.clock)}, not 'rig' or 'log'")
    sentences(value.notes)
    if frames is value.frames and worst is value.worst:
        return value
    return dataclasses.replace(value, frames=frames, worst=worst)


def _frames(frames: Any) -> pa.Table:
    """A table of frames with the types of the contract."""
    import numpy as np
    import pyarrow as pa

    from harness.tables import FRAMES

    same(pa.Table, frames)
    columns = []
    for name in ("t_s", "frametime_ms"):
        if frames.column_names.count(name) != 1:
            raise Unfit(f"the frames have no column {name} (there: {', '.join(frames.column_names)})")
        try:
            columns.append(frames[name].cast(pa.float64()).to_numpy())
        except (pa.ArrowException, ValueError, TypeError) as error:
            raise Unfit(f"column {name} of the frames holds no numbers ({printable(error, 200)})") from error
    t_s, frametime_ms = columns
    if not (np.isfinite(t_s).all() and np.isfinite(frametime_ms).all()):
        raise Unfit("the frames hold values that are missing or not finite")
    if not (frametime_ms >= 0).all():
        raise Unfit("the frames hold negative frame times")
    if frames.column_names[:2] != ["t_s", "frametime_ms"]:
        raise Unfit("the first columns of the frames are not t_s and frametime_ms")
    if frames.schema.types[:2] == FRAMES.types[:2]:
        return frames
    for place, column in enumerate((t_s, frametime_ms)):
        frames = frames.set_column(place, FRAMES.field(place), pa.array(column, pa.float64()))
    return frames


def channels(value: object) -> Sequence[Channel]:
    """A list of channels whose parts have their types."""
    found = _listed(value, "the list of channels")
    for channel in found:
        same(Channel, channel)
        same(str, channel.quantity)
        same(str, channel.source)
        same(str, channel.device)
        same(str, channel.note)
        if min(_number(channel.period_s, "period_s"), _number(channel.delay_s, "delay_s")) < 0:
            raise Unfit(f"{channel.quantity}: period_s and delay_s can't be negative")
        _maybe_number(channel.window_s, "window_s")
        _maybe_number(channel.resolution, "resolution")
    return found


def reading(value: object) -> Reading:
    """A number or None; not finite ones come out as None. Raises Unfit for what is no number at all."""
    if value is None or type(value) is float or type(value) is int:
        if type(value) is int:
            return value if abs(value) <= _LARGEST else None
        return value
    if _is_number(value):
        return float(value)
    raise Unfit(f"gave {_shown(value)}, not a number")


_PLAIN_READINGS: Final = frozenset({float, NoneType})


def are_plain_readings(values: dict[str, object]) -> TypeGuard[dict[str, Reading]]:
    """Whether each value is a reading as it stands: what :func:`reading` gives back unchanged. Quick."""
    for value in values.values():
        kind = type(value)
        if kind not in _PLAIN_READINGS and not (kind is int and -_LARGEST <= value <= _LARGEST):  # type: ignore[operator]
            return False
    return True


def rig_facts(value: object) -> RigFacts:
    """Facts with an identity."""
    same(RigFacts, value)
    assert isinstance(value, RigFacts)
    for text in (value.rig_id, value.boot_id):
        same(str, text)
    same(Mapping, value.facts)
    return value
