"""Samples every sensor on one drift-free schedule into bounded columnar buffers.

The sampler never assumes a thread of its own: a real clock calls it from one, a virtual clock calls it
inline. What it holds is bounded: the last :data:`HISTORY_S` seconds, whatever the night's length; what must
last is flushed to the writer by row groups every few seconds.
"""

from __future__ import annotations

import math
import threading
from array import array
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness import tables
from harness.clock import Clock, Ticker
from harness.errors import SensorUnavailable
from harness.rig import Channel, Sensor

HISTORY_S = 3600.0
MOST_ROWS = 72_000
LONGEST_PAUSE_S = 30.0
NAN = math.nan

OnEvent = Callable[[str, str], None]


class Sample(NamedTuple):
    """One reading and the clock time at which it was taken, s."""

    value: float
    t_s: float


class TelemetryWriter(Protocol):
    """Anything that takes tables of the layout :data:`harness.tables.TELEMETRY`."""

    def write(self, table: pa.Table) -> object:
        """Keep these rows."""


class _Source:
    """One sensor, the quantities that are taken from it, and its state."""

    def __init__(
        self, sensor: Sensor, channels: Sequence[Channel], first_column: int, period_s: float
    ) -> None:
        self.sensor = sensor
        self.name = sensor.name
        self.channels = tuple(channels)
        self.columns = {c.quantity: first_column + i for i, c in enumerate(channels)}
        periods: dict[float, list[str]] = {}
        for channel in channels:
            limit_s = channel.period_s if channel.period_s > period_s * 1.1 else 0.0
            periods.setdefault(limit_s, []).append(channel.quantity)
        self.groups = tuple(sorted(periods.items()))
        self.due_s = [-math.inf] * len(self.groups)
        self.wanted: dict[int, tuple[str, ...]] = {}
        self.failures = 0
        self.lost = False
        self.again_s = -math.inf

    def due(self, now_s: float, slack_s: float) -> tuple[str, ...]:
        """Quantities whose value can have changed since they were last read."""
        mask = 0
        due_s = self.due_s
        for index, (period_s, _) in enumerate(self.groups):
            if now_s >= due_s[index] - slack_s:
                due_s[index] += period_s
                if due_s[index] <= now_s:
                    due_s[index] = now_s + period_s
                mask |= 1 << index
        wanted = self.wanted.get(mask)
        if wanted is None:
            wanted = tuple(q for i, (_, group) in enumerate(self.groups) if mask >> i & 1 for q in group)
            self.wanted[mask] = wanted
        return wanted

    def make_all_due(self) -> None:
        self.due_s = [-math.inf] * len(self.groups)


class Sampler:
    """Reads sensors periodically; answers what is now, what was lately, and records what must last.

    Args:
        sensors: In order of preference: the first that offers a quantity delivers it.
        clock: The rig's clock.
        period_s: Time between two rows. A quantity is read less often where its channel says that it
            can't have changed; it is null in the rows between.
        sensor_tries: Consecutive failed reads after which a sensor is reported as lost. It is then still
            tried, with pauses that double up to 30 s.
        on_event: Called as ``on_event(code, sentence)``, from the sampling thread where there is one.
            Codes: ``sensor-lost``, ``sensor-back``, ``sensor-broken`` (it offered nothing or broke its
            contract), ``sampling-gap`` (over a second without a row), ``recording-failed``.
        flush_s: Longest time for which a recorded row is held back from the writer.
    """

    def __init__(
        self,
        sensors: Sequence[Sensor],
        clock: Clock,
        period_s: float,
        *,
        sensor_tries: int,
        on_event: OnEvent,
        flush_s: float = 5.0,
    ) -> None:
        if period_s <= 0:
            raise ValueError(f"period_s must be positive, got {period_s}")
        self._clock = clock
        self._period_s = period_s
        self._slack_s = period_s * 0.1
        self._sensor_tries = sensor_tries
        self._on_event = on_event
        self._flush_s = flush_s
        self._sources = self._assign(sensors)
        self._columns = {q: column for s in self._sources for q, column in s.columns.items()}
        self._delays_s = {
            s.columns[c.quantity]: c.delay_s for s in self._sources for c in s.channels if c.delay_s > 0
        }
        self._longest_delay_s = max(self._delays_s.values(), default=0.0)
        self._capacity = max(64, min(MOST_ROWS, math.ceil(HISTORY_S / period_s) + 1))
        self._buffers = [_buffer(self._capacity) for _ in self._columns]
        self._values = [np.frombuffer(b, dtype=np.float64) for b in self._buffers]
        self._t_s, self._read_ms = _buffer(self._capacity), _buffer(self._capacity)
        self._phase_code, self._gap = array("b", bytes(self._capacity)), bytearray(self._capacity)
        self._last_row = [-1] * len(self._columns)
        self._rows = 0
        self._phases: list[str] = []
        self._phase = -1
        self._last_tick_s: float | None = None
        self._was_broken = False
        self._ticker: Ticker | None = None
        self._lock = threading.RLock()
        self._record_lock = threading.RLock()
        self._writer: TelemetryWriter | None = None
        self._recorded = 0
        self._flush_due_s = math.inf
        self._record_failure: Exception | None = None

    def _assign(self, sensors: Sequence[Sensor]) -> list[_Source]:
        taken: set[str] = set()
        sources = []
        for sensor in sensors:
            try:
                offered = [c for c in sensor.channels() if c.quantity not in taken]
            except Exception as error:
                self._on_event("sensor-broken", f"{sensor.name} does not say what it offers: {error}")
                continue
            unknown = [c.quantity for c in offered if c.quantity not in tables.QUANTITIES]
            if unknown:
                self._on_event(
                    "sensor-broken",
                    f"{sensor.name} offers unknown quantities: {', '.join(unknown)}; left out",
                )
            unique = {c.quantity: c for c in reversed(offered) if c.quantity not in unknown}
            if unique:
                sources.append(_Source(sensor, list(reversed(unique.values())), len(taken), self._period_s))
                taken.update(unique)
        return sources

    @property
    def quantities(self) -> frozenset[str]:
        """Every quantity that some sensor offers."""
        return frozenset(self._columns)

    @property
    def channels(self) -> Mapping[str, tuple[str, Channel]]:
        """Quantity -> (sensor's name, channel that delivers it)."""
        return MappingProxyType({c.quantity: (s.name, c) for s in self._sources for c in s.channels})

    def start(self) -> None:
        """Begin to sample. Safe to call when already started."""
        if self._ticker is None:
            for source in self._sources:
                source.make_all_due()
            self._ticker = self._clock.every(self._period_s, self.tick)

    def stop(self) -> None:
        """End sampling; when this returns, no read is running. Recording goes on after a new start."""
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None

    def set_phase(self, name: str) -> None:
        """Name the phase of the attempt that the following rows belong to."""
        with self._lock:
            if name not in self._phases:
                self._phases.append(name)
            self._phase = self._phases.index(name)

    def latest(self, quantity: str) -> Sample | None:
        """The last reading of a quantity; None where there is none (yet)."""
        column = self._columns.get(quantity)
        if column is None:
            return None
        with self._lock:
            row = self._last_row[column]
            if row < 0 or row < self._rows - self._capacity:
                return None
            slot = row % self._capacity
            return Sample(self._buffers[column][slot], self._t_s[slot])

    def history(self, quantity: str, since_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times, s, and values of a quantity from ``since_s`` on, oldest first; at most the last hour.

        Rows without a reading are left out. Both arrays are copies of equal length, maybe empty.
        """
        column = self._columns.get(quantity)
        if column is None:
            return np.empty(0), np.empty(0)
        with self._lock:
            spans = self._spans(max(0, self._rows - self._capacity), self._rows)
            times, values = np.frombuffer(self._t_s, dtype=np.float64), self._values[column]
            found_t, found_v = [], []
            for begin, end in spans:
                begin += int(np.searchsorted(times[begin:end], since_s))
                present = np.isfinite(values[begin:end])
                found_t.append(times[begin:end][present])
                found_v.append(values[begin:end][present])
        if not found_t:
            return np.empty(0), np.empty(0)
        return np.concatenate(found_t), np.concatenate(found_v)

    def record_to(self, writer: TelemetryWriter) -> None:
        """Hand every row from now on to ``writer``, in order, at the latest after ``flush_s`` seconds.

        ``t_s`` in these rows is the clock's own; the caller shifts it to the window's start. A recording
        that runs already is ended first.
        """
        self.stop_recording()
        with self._record_lock, self._lock:
            self._writer = writer
            self._recorded = self._rows
            self._flush_due_s = self._clock.now_s() + self._flush_s

    def stop_recording(self) -> None:
        """Flush what is left and let go of the writer.

        Raises:
            Exception: What the writer raised at any time since ``record_to``; the rows that it did not
                take are lost, and the event ``recording-failed`` was sent when it happened.
        """
        self._flush(whole=True)
        with self._record_lock:
            self._writer = None
            self._flush_due_s = math.inf
            failure, self._record_failure = self._record_failure, None
        if failure is not None:
            raise failure

    def tick(self) -> None:
        """Take one row of what is due. Called by the clock; public so that a test can call it."""
        start_s = self._clock.now_s()
        missed = self._note_schedule(start_s)
        row: list[tuple[int, float]] = []
        broken = tried = False
        for source in self._sources:
            if source.failures and start_s < source.again_s:
                broken = True
                continue
            wanted = source.due(start_s, self._slack_s)
            if not wanted:
                continue
            tried = True
            try:
                values = source.sensor.read(wanted)
                for quantity in wanted:
                    value = values.get(quantity)
                    if value is not None and value - value == 0:  # finite
                        row.append((source.columns[quantity], value))
            except Exception as error:
                broken = True
                self._failed(source, error, start_s)
            else:
                if source.failures:
                    self._recovered(source)
        end_s = self._clock.now_s()
        if tried or broken or missed:
            gap = missed or broken or self._was_broken
            self._was_broken = broken
            with self._lock:
                self._append(row, start_s, end_s, gap)
        if end_s >= self._flush_due_s:
            self._flush()

    def _note_schedule(self, now_s: float) -> bool:
        """Whether at least one scheduled row is missing before this one."""
        last_s, self._last_tick_s = self._last_tick_s, now_s
        if last_s is None or now_s - last_s <= self._period_s * 1.75:
            return False
        if now_s - last_s > max(1.0, 3 * self._period_s):
            self._on_event("sampling-gap", f"no telemetry for {now_s - last_s:.1f} s; the gap is marked")
        return True

    def _append(self, row: Sequence[tuple[int, float]], start_s: float, end_s: float, gap: bool) -> None:
        """Write one row of (column, reading). The lock is held."""
        slot = self._rows % self._capacity
        for buffer in self._buffers:
            buffer[slot] = NAN
        self._t_s[slot] = middle_s = (start_s + end_s) / 2
        for column, value in row:
            place = self._rows
            if column in self._delays_s:
                place = self._row_before(middle_s - self._delays_s[column], self._rows)
                if place < 0:
                    continue
            self._buffers[column][place % self._capacity] = value
            self._last_row[column] = place
        self._read_ms[slot] = (end_s - start_s) * 1000
        self._phase_code[slot] = self._phase
        self._gap[slot] = gap
        self._rows += 1

    def _row_before(self, t_s: float, newest: int) -> int:
        """The last row, ``newest`` at most, that was taken at or before that time; -1 for none."""
        oldest = max(0, newest + 1 - self._capacity)
        for row in range(newest, oldest - 1, -1):
            if self._t_s[row % self._capacity] <= t_s + self._slack_s:
                return row
        return -1

    def _failed(self, source: _Source, error: Exception, now_s: float) -> None:
        source.failures += 1
        beyond = source.failures - self._sensor_tries
        pause_s = 0.0 if beyond < 0 else min(LONGEST_PAUSE_S, self._period_s * 2.0 ** min(beyond + 1, 30))
        source.again_s = now_s + pause_s
        source.make_all_due()
        if beyond >= 0 and not source.lost:
            source.lost = True
            code = "sensor-lost" if isinstance(error, SensorUnavailable) else "sensor-broken"
            self._on_event(code, f"{source.name}: {error}; its readings are missing until it comes back")

    def _recovered(self, source: _Source) -> None:
        if source.lost:
            self._on_event("sensor-back", f"{source.name} answers again; the gap is marked")
        source.failures, source.lost = 0, False

    def _spans(self, first: int, last: int) -> list[tuple[int, int]]:
        """Rows ``first`` to before ``last`` as one or two ranges of buffer slots."""
        if first >= last:
            return []
        begin, length = first % self._capacity, last - first
        if begin + length <= self._capacity:
            return [(begin, begin + length)]
        return [(begin, self._capacity), (0, begin + length - self._capacity)]

    def _flush(self, *, whole: bool = False) -> None:
        """Hand the rows since the last flush to the writer; those that delayed readings still lack wait."""
        with self._record_lock:
            if self._writer is None:
                return
            with self._lock:
                until = self._rows
                if self._longest_delay_s and not whole:
                    settled_s = self._clock.now_s() - self._longest_delay_s - self._period_s
                    until = max(self._recorded, self._row_before(settled_s, self._rows - 1) + 1)
                pieces = [self._piece(begin, end) for begin, end in self._spans(self._recorded, until)]
                self._recorded = until
                self._flush_due_s = self._clock.now_s() + self._flush_s
            if not pieces:
                return
            try:
                self._writer.write(pieces[0] if len(pieces) == 1 else pa.concat_tables(pieces))
                return
            except Exception as error:
                failure = error
                first = self._record_failure is None
                self._record_failure = self._record_failure or error
        if first:
            self._on_event("recording-failed", f"telemetry could not be written: {failure}")

    def _piece(self, begin: int, end: int) -> pa.Table:
        """One stretch of the buffers, copied, in the layout of :data:`harness.tables.TELEMETRY`."""
        count = end - begin
        codes = np.frombuffer(self._phase_code, dtype=np.int8)[begin:end].copy()
        arrays: list[pa.Array] = []
        for column in tables.TELEMETRY_COLUMNS:
            if column.name == "t_s":
                arrays.append(pa.array(np.frombuffer(self._t_s, dtype=np.float64)[begin:end].copy()))
            elif column.name == "read_ms":
                arrays.append(pa.array(np.frombuffer(self._read_ms, dtype=np.float64)[begin:end].copy()))
            elif column.name == "phase":
                arrays.append(
                    pa.DictionaryArray.from_arrays(
                        pa.array(codes, mask=codes < 0), pa.array(self._phases, pa.string())
                    )
                )
            elif column.name == "gap":
                arrays.append(pa.array(np.frombuffer(self._gap, dtype=np.bool_)[begin:end].copy()))
            elif column.name not in self._columns:
                arrays.append(pa.nulls(count, column.type))
            else:
                values = self._values[self._columns[column.name]][begin:end]
                absent = np.isnan(values)
                if column.type == tables.I:
                    whole = np.where(absent, 0.0, values).astype(np.int64)
                    arrays.append(pa.array(whole, mask=absent))
                else:
                    arrays.append(pa.array(values.copy(), mask=absent))
        return pa.Table.from_arrays(arrays, schema=tables.TELEMETRY)


def _buffer(rows: int) -> array[float]:
    return array("d", bytes(8 * rows))
