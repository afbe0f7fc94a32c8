"""Date-times and clock times of a log as whole nanoseconds, so that no resolution is lost.

A date-time without a zone is taken as it stands; with one it is put into UTC. A clock time that falls back by
half a day or more has passed midnight.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.rows import EMPTY, NOT_A_NUMBER, RawRows

Nanoseconds = NDArray[np.int64]

_S = 1_000_000_000
_DAY = 86_400 * _S
_CLOCK = r"(?P<h>[0-9]{1,2}):(?P<m>[0-5][0-9]):(?P<s>[0-5][0-9]|60)(?:[.,](?P<f>[0-9]{1,9})[0-9]*)?"
_CLOCK_TIME = rf"^\s*{_CLOCK}(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?\s*$"
_DATE_TIME = (
    rf"^\s*(?P<date>[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}})[Tt ]\s*{_CLOCK}"
    r"\s*(?P<zone>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?\s*$"
)


def with_stamps(parts: Iterable[RawRows], path: Path, mapping: ColumnMapping) -> Iterator[RawRows]:
    """The same rows, the time column as int64 nanoseconds where the mapping says it holds stamps.

    Raises:
        FrameLogError: The column is of a type that holds no stamps, or local time is put back in the log.
    """
    reference = mapping.time_column
    if reference is None or not mapping.stamped:
        yield from parts
        return
    days, last = 0, None
    for rows in parts:
        values, readable, zoned = _nanoseconds(path, reference, rows.columns[reference], mapping)
        empty = _is_empty(rows.columns[reference])
        places = np.flatnonzero(readable)
        times = values[places]
        if len(times):
            steps = np.diff(times, prepend=times[0] if last is None else last)
            last = int(times[-1])
            if mapping.time_unit == "clock":
                turned = np.cumsum(np.where(steps < -_DAY // 2, 1, 0)) + days
                values[places] = times + turned * _DAY
                days = int(turned[-1])
            elif mapping.when_time_goes_back == "stop" and not zoned:
                _refuse_a_clock_put_back(path, reference, steps)
        yield _rows(rows, reference, values, readable, empty)


def stamp_words(words: Iterable[str]) -> tuple[str, Nanoseconds, NDArray[np.bool_]] | None:
    """What kind of stamps texts are, their nanoseconds and which are; None where over a tenth are none."""
    column = pa.array(list(words), pa.string())
    for kind, found in (("date-time", _date_times(column)[:2]), ("clock", _clock_times(column))):
        if len(column) and float(np.mean(found[1])) >= 0.9:
            return kind, *found
    return None


def _rows(
    rows: RawRows,
    reference: str,
    values: Nanoseconds,
    readable: NDArray[np.bool_],
    empty: NDArray[np.bool_],
) -> RawRows:
    columns = {**rows.columns, reference: pa.array(values)}
    if readable.all():
        return replace(rows, columns=columns)
    faults = np.zeros(rows.count, np.uint8) if rows.faults is None else rows.faults.copy()
    new = ~readable & (faults == 0)
    faults[new] = np.where(empty[new], EMPTY, NOT_A_NUMBER)
    words = rows.columns[reference][int(np.argmax(~readable))].as_py()
    unread = {**rows.unread, reference: np.where(readable, np.nan, np.inf)}
    return replace(
        rows, columns=columns, faults=faults, unread=unread, sample=rows.sample or f"no date or time: {words}"
    )


def _is_empty(column: pa.Array) -> NDArray[np.bool_]:
    null: NDArray[np.bool_] = column.is_null().to_numpy(zero_copy_only=False)
    if pa.types.is_string(column.type):
        null = null | pc.equal(pc.utf8_trim_whitespace(column), "").fill_null(True).to_numpy(
            zero_copy_only=False
        )
    return null


def _nanoseconds(
    path: Path, reference: str, column: pa.Array, mapping: ColumnMapping
) -> tuple[Nanoseconds, NDArray[np.bool_], bool]:
    kind = column.type
    if pa.types.is_dictionary(kind) or pa.types.is_large_string(kind):
        column, kind = column.cast(pa.string()), pa.string()
    if pa.types.is_string(kind):
        if mapping.time_unit == "clock":
            return *_clock_times(column), False
        return _date_times(column)
    wanted = pa.timestamp("ns") if mapping.time_unit == "date-time" else pa.time64("ns")
    fits = pa.types.is_timestamp(kind) if mapping.time_unit == "date-time" else pa.types.is_time(kind)
    if not fits:
        raise FrameLogError(
            f"{path}: column {reference!r} holds {kind}, no {mapping.time_unit}; set time_unit to the unit "
            "of its numbers",
            permanent=True,
        )
    plain = column.cast(pa.timestamp(kind.unit)) if pa.types.is_timestamp(kind) else column
    whole = plain.cast(wanted).cast(pa.int64())
    readable = whole.is_valid().to_numpy(zero_copy_only=False)
    return whole.fill_null(0).to_numpy().copy(), readable, pa.types.is_timestamp(kind) and bool(kind.tz)


def _clock_times(column: pa.Array) -> tuple[Nanoseconds, NDArray[np.bool_]]:
    found = pc.extract_regex(column, _CLOCK_TIME)
    half = np.char.lower(_texts(found, "half"))
    hours = _whole(found, "h")
    readable = found.is_valid().to_numpy(zero_copy_only=False) & (hours < np.where(half == "", 25, 13))
    hours = np.where(half == "", hours, hours % 12 + np.where(half == "p", 12, 0))
    return _of_day(hours, found), readable


def _date_times(column: pa.Array) -> tuple[Nanoseconds, NDArray[np.bool_], bool]:
    found = pc.extract_regex(column, _DATE_TIME)
    readable = found.is_valid().to_numpy(zero_copy_only=False) & (_whole(found, "h") < 25)
    dates, places = np.unique(_texts(found, "date"), return_inverse=True)
    days = np.array([_day(date) for date in dates], np.int64)[places]
    readable &= days > _NO_DAY
    zones, places = np.unique(_texts(found, "zone"), return_inverse=True)
    ahead = np.array([_ahead(zone) for zone in zones], np.int64)[places]
    values = np.where(readable, days, 0) * _DAY + _of_day(_whole(found, "h"), found) - ahead
    return values, readable, bool(np.any(zones[places][readable] != ""))


_NO_DAY = -(1 << 40)


def _day(date: str) -> int:
    """Days since 1970-01-01; far below for what is no day."""
    try:
        return int(np.datetime64(date, "D").astype(np.int64)) if date else _NO_DAY
    except ValueError:
        return _NO_DAY


def _ahead(zone: str) -> int:
    """How far local time is ahead of UTC, ns."""
    if zone in ("", "Z", "z"):
        return 0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (int(digits[:2]) * 60 + int(digits[2:])) * 60 * _S * (-1 if zone[0] == "-" else 1)


def _of_day(hours: NDArray[np.int64], found: pa.StructArray) -> Nanoseconds:
    fraction = np.array([int(text.ljust(9, "0")) if text else 0 for text in _texts(found, "f")], np.int64)
    return ((hours * 60 + _whole(found, "m")) * 60 + _whole(found, "s")) * _S + fraction


def _texts(found: pa.StructArray, name: str) -> NDArray[np.str_]:
    return np.asarray(pc.fill_null(pc.struct_field(found, name), "").to_pylist(), dtype=np.str_)


def _whole(found: pa.StructArray, name: str) -> NDArray[np.int64]:
    texts = pc.fill_null(pc.struct_field(found, name), "")
    texts = pc.if_else(pc.equal(texts, ""), "0", texts)
    whole: NDArray[np.int64] = texts.cast(pa.int64()).to_numpy(zero_copy_only=False)
    return whole


def _refuse_a_clock_put_back(path: Path, reference: str, steps: Nanoseconds) -> None:
    back = (steps <= -3540 * _S) & (steps >= -3600 * _S)
    if back.any():
        raise FrameLogError(
            f"{path}: column {reference!r} goes back by an hour: local time was put back from summer time "
            "during the log; write the log in UTC or with its zone (+02:00), or measure again"
        )
