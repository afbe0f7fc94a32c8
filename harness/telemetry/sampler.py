"""Samples every sensor on one drift-free schedule into bounded columnar buffers.

The sampler never assumes a thread of its own: a real clock calls it from one, a virtual clock calls it
inline. Sensors are read aside (:class:`harness.clock.Aside`), all of them for one hand-over, so one whose
read never returns is left behind and delays no row but the first. What is held is bounded: the last
:data:`HISTORY_S` seconds, whatever the night's length; what must last is flushed to the writer by row groups
every few seconds.

A reading has an age. What is older than a few of its periods, what stands still although it can't, and what
no such quantity can be (:mod:`harness.telemetry.plausible`) is no reading: :meth:`Sampler.latest` does not
give it, the rows hold a null, and :meth:`Sampler.why_unread` says why.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from harness import tables
from harness.clock import Clock, StillRunning, Ticker
from harness.errors import SensorUnavailable
from harness.rig import Channel, Reading, SeesPrograms, Sensor
from harness.telemetry.crew import Outcome, read_in_order
from harness.telemetry.foreign import Programs, merged
from harness.telemetry.plausible import fresh_for_s
from harness.telemetry.rows import NAN, RowBuffers, Sample, TelemetryWriter
from harness.telemetry.source import PATIENCE_S, READ_LIMIT_S, Ask, Source
from harness.telemetry.standstill import LOOK_EVERY_S, StandstillWatch
from harness.telemetry.troubles import Troubles

HISTORY_S = 3600.0
MOST_ROWS = 72_000
#: A sensor is given this long to say what it offers, and to close.
ANSWER_S = 10.0
CLOSE_S = 3.0
#: A sensor may take this long longer than usual for its first reading.
FIRST_READING_S = 10.0

OnEvent = Callable[[str, str], None]


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
            Codes: ``sensor-passed-over`` (another one delivers what it offers), ``sensor-lost``,
            ``sensor-back``, ``sensor-broken`` (it offered nothing or broke its contract), ``sensor-hanging``
            (a read does not return), ``reading-lost`` (a quantity is not read any more, or never was),
            ``reading-frozen``, ``reading-absurd``, ``sampling-gap`` (over a second without a row),
            ``recording-failed``.
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
        self._sensors = tuple(sensors)
        self._aside = clock.aside("levelrig-sensors")
        self._sources = self._assign(sensors)
        self._columns = {q: column for s in self._sources for q, column in s.columns.items()}
        self._quantities = frozenset(self._columns)
        self._delays_s = {
            s.columns[c.quantity]: c.delay_s for s in self._sources for c in s.channels if c.delay_s > 0
        }
        self._longest_delay_s = max(self._delays_s.values(), default=0.0)
        capacity = max(64, min(MOST_ROWS, math.ceil(HISTORY_S / period_s) + 1))
        self._rows = RowBuffers(self._columns, self._delays_s, capacity, self._slack_s)
        count = len(self._columns)
        self._names = [c.quantity for s in self._sources for c in s.channels]
        self._owner = [s for s in self._sources for _ in s.channels]
        self._fresh_s = [
            fresh_for_s(max(c.period_s, period_s)) + c.delay_s for s in self._sources for c in s.channels
        ]
        channels = [c for s in self._sources for c in s.channels]
        self._may_be_empty = {column for column, c in enumerate(channels) if c.may_be_empty}
        self._held, self._moved_s = [NAN] * count, [-math.inf] * count
        self._frozen: dict[int, str] = {}
        self._absurd: dict[int, float] = {}
        self._unread: set[int] = set()
        self._troubles = Troubles(on_event)
        self._standstill = StandstillWatch({c.quantity: s.name for s in self._sources for c in s.channels})
        self._look_due_s = -math.inf
        self._started_s = clock.now_s()
        self._last_tick_s: float | None = None
        self._was_broken = False
        self._ticker: Ticker | None = None
        self._lock = threading.RLock()
        self._record_lock = threading.RLock()
        self._writer: TelemetryWriter | None = None
        self._recorded = 0
        self._flush_due_s = math.inf
        self._record_failure: Exception | None = None

    def _assign(self, sensors: Sequence[Sensor]) -> list[Source]:
        taken: set[str] = set()
        sources: list[Source] = []
        for sensor in sensors:
            aside = self._clock.aside(f"levelrig-{sensor.name}")
            try:
                every = aside.ask(sensor.channels, ANSWER_S)
            except StillRunning:
                sentence = f"{sensor.name} does not say what it offers within {ANSWER_S:.0f} s; left out"
                self._on_event("sensor-broken", sentence)
                continue
            except Exception as error:
                self._on_event("sensor-broken", f"{sensor.name} does not say what it offers: {error}")
                continue
            offered = [c for c in every if c.quantity not in taken]
            self._tell_doubles(sensor.name, [c.quantity for c in every], sources)
            unknown = [c.quantity for c in offered if c.quantity not in tables.QUANTITIES]
            if unknown:
                self._on_event(
                    "sensor-broken",
                    f"{sensor.name} offers unknown quantities: {', '.join(unknown)}; left out",
                )
            unique = {c.quantity: c for c in reversed(offered) if c.quantity not in unknown}
            if unique:
                channels = list(reversed(unique.values()))
                sources.append(Source(sensor, channels, len(taken), self._period_s, aside))
                taken.update(unique)
        return sources

    def _tell_doubles(self, name: str, offered: Sequence[str], earlier: Sequence[Source]) -> None:
        """Say which of a sensor's quantities are not taken from it, and from which one they are."""
        for source in earlier:
            doubles = [quantity for quantity in offered if quantity in source.columns]
            if doubles:
                self._on_event(
                    "sensor-passed-over",
                    f"{', '.join(doubles)}: {source.name} and {name} both read this, {source.name} is used; "
                    "the first in the plan's sampling.sensors is preferred",
                )

    @property
    def quantities(self) -> frozenset[str]:
        """Every quantity that some sensor offers."""
        return self._quantities

    @property
    def channels(self) -> Mapping[str, tuple[str, Channel]]:
        """Quantity -> (sensor's name, channel that delivers it)."""
        return MappingProxyType({c.quantity: (s.name, c) for s in self._sources for c in s.channels})

    def start(self) -> None:
        """Begin to sample. Safe to call when already started."""
        if self._ticker is None:
            for source in self._sources:
                source.make_all_due()
            self._started_s = self._clock.now_s()
            self._ticker = self._clock.every(self._period_s, self.tick)

    def stop(self) -> None:
        """End sampling; when this returns, no read is running. Recording goes on after a new start."""
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None

    def close(self) -> None:
        """End sampling and close the sensors; one that does not let itself be closed in time is left."""
        self.stop()
        for aside in (self._aside, *(source.aside for source in self._sources)):
            aside.close()
        for sensor in self._sensors:
            aside = self._clock.aside(f"levelrig-close-{sensor.name}")
            try:
                aside.ask(sensor.close, CLOSE_S)
            except StillRunning:
                self._on_event("sensor-hanging", f"{sensor.name} could not be closed; it is left as it is")
            except Exception as error:
                self._on_event("sensor-broken", f"{sensor.name} could not be closed: {error}")
            aside.close()

    def set_phase(self, name: str) -> None:
        """Name the phase of the attempt that the following rows belong to."""
        with self._lock:
            self._rows.set_phase(name)

    def latest(self, quantity: str) -> Sample | None:
        """The reading of a quantity now; None where there is none that counts: :meth:`why_unread`."""
        column = self._columns.get(quantity)
        if column is None or column in self._frozen:
            return None
        with self._lock:
            sample = self._rows.last(column)
        if sample is None or self._clock.now_s() - sample.t_s > self._fresh_s[column]:
            return None
        return sample

    def why_unread(self, quantity: str) -> str | None:
        """Why there is no reading of a quantity now, in words; None where there is one."""
        column = self._columns.get(quantity)
        if column is None:
            return f"no sensor of this rig reads {quantity}"
        if (frozen := self._frozen.get(column)) is not None:
            return frozen
        if self.latest(quantity) is not None:
            return None
        source = self._owner[column]
        sample = self._last(column)
        since = (
            f"{quantity} was not read yet"
            if sample is None
            else f"{quantity} was last read {self._clock.now_s() - sample.t_s:.0f} s ago"
        )
        if source.hanging:
            return f"{since} ({source.name}: a read does not return)"
        if column in self._absurd:
            return f"{since} ({source.name} gives {self._absurd[column]:g}, which it can't be)"
        return f"{since} ({source.name} is lost)" if source.lost else since

    def programs(self) -> Programs | None:
        """Programs outside the test on the card since the last call; None where no sensor tells them."""
        aside = self._clock.aside("levelrig-programs")
        try:
            return aside.ask(self._take_programs, READ_LIMIT_S)
        except StillRunning:
            return None
        finally:
            aside.close()

    def _take_programs(self) -> Programs | None:
        looks = [
            source.sensor.programs() for source in self._sources if isinstance(source.sensor, SeesPrograms)
        ]
        told = [look for look in looks if look is not None]
        return merged(told) if told else None

    def is_lost(self, quantity: str) -> bool:
        """Whether the sensor that delivers it has failed so often that it counts as lost."""
        column = self._columns.get(quantity)
        return column is not None and self._owner[column].lost

    def unread_s(self, quantity: str) -> float:
        """How long a quantity has not been read, s; 0 where its reading is fresh, inf where it never was.

        A frozen one counts from when its value last changed.
        """
        column = self._columns.get(quantity)
        if column is None:
            return math.inf
        if column in self._frozen:
            return self._clock.now_s() - self._moved_s[column]
        sample = self._last(column)
        if sample is None:
            return math.inf
        age_s = self._clock.now_s() - sample.t_s
        return age_s if age_s > self._fresh_s[column] else 0.0

    def expected(self) -> dict[str, float]:
        """What was ever read -> how long a reading of it stays fresh, s."""
        return {
            name: self._fresh_s[column]
            for column, name in enumerate(self._names)
            if self._rows.taken_s(column) is not None and column not in self._may_be_empty
        }

    def troubles(self, since_s: float) -> list[str]:
        """What was wrong with sensors and readings since that clock time: ``code: sentence``, once each."""
        return self._troubles.since(since_s)

    def _last(self, column: int) -> Sample | None:
        with self._lock:
            return self._rows.last(column)

    def history(self, quantity: str, since_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times, s, and values of a quantity from ``since_s`` on, oldest first; at most the last hour.

        Rows without a reading are left out. Both arrays are copies of equal length, maybe empty.
        """
        column = self._columns.get(quantity)
        if column is None:
            return np.empty(0), np.empty(0)
        with self._lock:
            return self._rows.history(column, since_s)

    def record_to(self, writer: TelemetryWriter) -> None:
        """Hand every row from now on to ``writer``, in order, at the latest after ``flush_s`` seconds.

        ``t_s`` in these rows is the clock's own; the caller shifts it to the window's start. A recording
        that runs already is ended first.
        """
        self.stop_recording()
        with self._record_lock, self._lock:
            self._writer = writer
            self._recorded = self._rows.count
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
        late: list[tuple[int, float, float]] = []
        together: list[tuple[Source, Ask]] = []
        broken = tried = False
        for source in self._sources:
            if source.asked is not None:
                broken = self._look_after(source, start_s, late) or broken
                continue
            if source.failures and start_s < source.again_s:
                broken = True
                continue
            ask = source.due(start_s, self._slack_s)
            if ask is None:
                continue
            tried = True
            if source.prompt:
                together.append((source, ask))
            else:
                outcomes, stays = read_in_order(source.aside, [ask.call], source.patience_s)
                broken = self._take_outcomes([(source, ask)], outcomes, start_s, row) or broken
                if stays:
                    broken = True
                    source.goes_on(ask, start_s, source.aside)
        while together:
            outcomes, stays = read_in_order(self._aside, [ask.call for _, ask in together], PATIENCE_S)
            broken = self._take_outcomes(together, outcomes, start_s, row) or broken
            del together[: len(outcomes)]
            if stays:
                broken = True
                source, ask = together.pop(0)
                source.goes_on(ask, start_s, self._aside)
                self._aside = self._clock.aside("levelrig-sensors")
        end_s = self._clock.now_s()
        if tried or broken or missed or late:
            gap = missed or broken or self._was_broken
            self._was_broken = broken
            with self._lock:
                self._rows.append(row, late, start_s, end_s, gap)
        if start_s >= self._look_due_s:
            self._look_due_s = start_s + LOOK_EVERY_S - self._slack_s
            self._look(end_s)
        if end_s >= self._flush_due_s:
            self._flush()

    def _take_outcomes(
        self,
        asked: Sequence[tuple[Source, Ask]],
        outcomes: Sequence[Outcome],
        read_s: float,
        row: list[tuple[int, float]],
    ) -> bool:
        """Add what reads came to to the row; true where one failed."""
        broken = False
        for (source, ask), (values, error) in zip(asked, outcomes, strict=False):
            try:
                if error is not None:
                    raise error
                self._take(ask, values, read_s, row)
            except Exception as failure:
                broken = True
                self._failed(source, failure, read_s)
            else:
                if source.failures or source.hanging:
                    self._recovered(source)
        return broken

    def _take(
        self, ask: Ask, values: Mapping[str, Reading], read_s: float, row: list[tuple[int, float]]
    ) -> None:
        """Add (column, reading) of an answer to the row; what is no reading is left out."""
        get, held, frozen, append = values.get, self._held, self._frozen, row.append
        for quantity, column, low, high in ask.wanted:
            value = get(quantity)
            if value is None:
                continue
            if low <= value <= high:
                if value != held[column]:
                    held[column], self._moved_s[column] = value, read_s
                    if frozen:
                        frozen.pop(column, None)
                elif frozen and column in frozen:
                    continue
                append((column, value))
            else:
                self._absurd[column] = value
                sentence = (
                    f"{self._owner[column].name} gives {value:g} for {quantity}, which it can't be; "
                    "that counts as not read"
                )
                self._troubles.note(f"absurd {quantity}", "reading-absurd", sentence, read_s)

    def _look_after(self, source: Source, now_s: float, late: list[tuple[int, float, float]]) -> bool:
        """A read is still under way: file what it came to, or tell that it hangs. True while it lasts."""
        ask = source.asked
        assert ask is not None
        try:
            result = source.aside.late()
            if result is not None:
                source.answered(result.ended_s)
                row: list[tuple[int, float]] = []
                read_s = (source.asked_s + result.ended_s) / 2
                values, error = result.value.outcomes[-1]
                if error is not None:
                    raise error
                self._take(ask, values, read_s, row)
                late += [(column, value, read_s) for column, value in row]
                self._recovered(source)
                return False
        except Exception as error:
            source.answered(now_s)
            self._failed(source, error, now_s)
            return True
        if now_s - source.asked_s >= READ_LIMIT_S and not source.hanging:
            source.hanging = True
            sentence = (
                f"{source.name}: a read has not returned for {now_s - source.asked_s:.0f} s; it is left "
                "behind, and its readings are missing until it comes back"
            )
            self._troubles.note(f"sensor {source.name}", "sensor-hanging", sentence, now_s)
        if source.hanging:
            source.renew(now_s)
        return True

    def _look(self, now_s: float) -> None:
        """Once a second: which quantities are not read any more, and which stand still though they can't."""
        for column, fresh_s in enumerate(self._fresh_s):
            taken_s = self._rows.taken_s(column)
            expected_s = self._started_s + FIRST_READING_S if taken_s is None else taken_s
            fresh = now_s - expected_s <= fresh_s or column in self._may_be_empty
            if fresh and not (self._frozen or self._unread or self._absurd):
                continue
            name, source = self._names[column], self._owner[column]
            if column in self._frozen:
                self._troubles.goes_on(f"frozen {name}", now_s)
                continue
            if fresh:
                self._absurd.pop(column, None)
                if column in self._unread:
                    self._unread.discard(column)
                    self._on_event("reading-back", f"{name} is read again")
                continue
            self._held[column] = NAN  # a value that comes back starts again
            if source.hanging or source.lost:
                self._troubles.goes_on(f"sensor {source.name}", now_s)
            elif column not in self._absurd:
                self._unread.add(column)
                what = "has not been read yet" if taken_s is None else "is not read any more"
                self._troubles.note(f"unread {name}", "reading-lost", f"{name} {what} ({source.name})", now_s)
        for name, why in self._standstill.look(now_s, self._value, self._last_move_s).items():
            self._frozen[self._columns[name]] = why
            self._troubles.note(f"frozen {name}", "reading-frozen", f"{why}; that counts as not read", now_s)

    def _value(self, quantity: str) -> float | None:
        sample = self.latest(quantity)
        return None if sample is None else sample.value

    def _last_move_s(self, quantity: str) -> float:
        return self._moved_s[self._columns[quantity]]

    def _note_schedule(self, now_s: float) -> bool:
        """Whether at least one scheduled row is missing before this one."""
        last_s, self._last_tick_s = self._last_tick_s, now_s
        if last_s is None or now_s - last_s <= self._period_s * 1.75:
            return False
        if now_s - last_s > max(1.0, 3 * self._period_s):
            self._on_event("sampling-gap", f"no telemetry for {now_s - last_s:.1f} s; the gap is marked")
            self._held = [NAN] * len(self._held)  # what stood still meanwhile is not known
        return True

    def _failed(self, source: Source, error: Exception, now_s: float) -> None:
        if source.failed(now_s, self._sensor_tries, self._period_s):
            code = "sensor-lost" if isinstance(error, SensorUnavailable) else "sensor-broken"
            sentence = f"{source.name}: {error}; its readings are missing until it comes back"
            self._troubles.note(f"sensor {source.name}", code, sentence, now_s)

    def _recovered(self, source: Source) -> None:
        if source.lost or source.hanging:
            self._on_event("sensor-back", f"{source.name} answers again; the gap is marked")
        source.failures, source.lost, source.hanging = 0, False, False

    def _flush(self, *, whole: bool = False) -> None:
        """Hand the rows since the last flush to the writer; those that delayed readings still lack wait."""
        with self._record_lock:
            if self._writer is None:
                return
            with self._lock:
                until = self._rows.count
                if self._longest_delay_s and not whole:
                    settled_s = self._clock.now_s() - self._longest_delay_s - self._period_s
                    until = max(self._recorded, self._rows.row_before(settled_s, until - 1) + 1)
                pieces = self._rows.tables(self._recorded, until)
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
