"""Examines a card's power readings: loads of known rhythm on one side, every source of power on the other.

Nothing is changed on the card. The load runs in a process of its own; each source is asked by a ticker of its
own, as often as it is worth, and every new value is kept with the time in which it appeared.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.card import GraphicsCard
from harness.clock import Clock, Ticker
from harness.errors import ConditionsNotMet, HarnessError, SafetyStop, SensorUnavailable, WorkloadFailed
from harness.plugins import PluginHost
from harness.power_sensor.course import Course
from harness.power_sensor.fit import fit_source
from harness.power_sensor.from_ladder import with_rhythms
from harness.power_sensor.model import PowerSensorModel, SourceModel
from harness.power_sensor.program import Program, ladder, recognise
from harness.power_sensor.readings import Recorded
from harness.power_sensor.rungs import measured_rungs, worst_errors
from harness.power_sensor.seam import PowerSource, PulseLoad
from harness.rig import Sensor

READY_WITHIN_S = 120.0
#: Beyond its planned length a program may take so long.
LATE_BY_S = 30.0
LIMIT_C = 90.0
_PULSE_S = 0.25
_SENSOR_PERIOD_S = 0.004
_LAST_VALUES_S = 1.5
_NAMES = {
    "energy_j": "energy counter",
    "power_average_w": "averaged reading",
    "power_w": "power reading",
}


@dataclass
class _Keeper:
    """Keeps the new values of one source."""

    source: PowerSource
    clock: Clock
    seen_s: list[float] = field(default_factory=list)
    before_s: list[float] = field(default_factory=list)
    own_s: list[float | None] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)
    trouble: str = ""
    _last: float | None = None
    _last_s: float = 0.0

    def look(self) -> None:
        """One read; whatever goes wrong is kept as a sentence."""
        begin_s = self.clock.now_s()
        if self.trouble or self._is_let_be(begin_s):
            return
        try:
            values = self.source.read()
        except SensorUnavailable as error:
            self.trouble = str(error)
            return
        except Exception as error:  # a plugin's own
            self.trouble = f"{self.source.name}: {error}"
            return
        end_s = self.clock.now_s()
        now_s = (begin_s + end_s) / 2
        self.took_s.append(end_s - begin_s)
        for own_s, value in values:
            if own_s is None and value == self._last:
                continue
            if self._last is not None or own_s is not None:
                self.seen_s.append(now_s)
                self.before_s.append(self._last_s)
                self.own_s.append(own_s)
                self.value.append(value)
            self._last = value
        self._last_s = now_s

    def _is_let_be(self, now_s: float) -> bool:
        """Whether it is between two bursts; the first read of a burst tells of no time of appearance."""
        if self.source.burst_s is None:
            return False
        every_s, for_s = self.source.burst_s
        let_be = now_s % every_s >= for_s
        if let_be:
            self._last = None
        return let_be

    def recorded(self) -> Recorded:
        """What was kept; a source's own times are brought onto the rig's clock by the least delay."""
        seen_s, before_s = np.asarray(self.seen_s, float), np.asarray(self.before_s, float)
        if self.own_s and all(own is not None for own in self.own_s):
            own_s = np.asarray(self.own_s, float)
            seen_s = own_s + float(np.min(seen_s - own_s))
            before_s = seen_s
        return Recorded(
            self.source.name,
            self.source.kind,
            self.source.quantity,
            self.source.source,
            seen_s,
            before_s,
            np.asarray(self.value, float),
            statistics.median(self.took_s) if self.took_s else 0.0,
        )


class _OfSensor:
    """A quantity of an open sensor as a source of power."""

    def __init__(self, sensor: Sensor, quantity: str, source: str) -> None:
        self.name = _NAMES[quantity]
        self.kind = "counter" if quantity == "energy_j" else "reading"
        self.quantity = quantity
        self.source = source
        self.period_s = _SENSOR_PERIOD_S
        self.burst_s = None
        self._sensor = sensor

    def read(self) -> Sequence[tuple[float | None, float]]:
        value = self._sensor.read((self.quantity,)).get(self.quantity)
        return [] if value is None else [(None, float(value))]


def sources_of(
    host: PluginHost, clock: Clock, card: GraphicsCard, sensors: Sequence[Sensor]
) -> list[PowerSource]:
    """Every source of a card's power: what its plugin offers for this, else its sensors' readings."""
    own = [
        source
        for _, source in host.ask_all("power_sources", lambda s: hasattr(s, "read"), clock=clock, card=card)
    ]
    if own:
        return own
    return [
        _OfSensor(sensor, channel.quantity, channel.source)  # type: ignore[misc]
        for sensor in sensors
        for channel in sensor.channels()
        if channel.device == card.device
        and channel.quantity in _NAMES
        and not channel.source.endswith("/ time")
    ]


@dataclass(frozen=True)
class Played:
    """A program that was played, with what the sources said meanwhile."""

    program: Program
    began_s: float
    course: Course
    recorded: tuple[Recorded, ...]


def examine_power(
    host: PluginHost,
    clock: Clock,
    card: GraphicsCard,
    driver_version: str,
    *,
    scale: float = 1.0,
    on_part: Callable[[str, float], None] = lambda what, seconds: None,
    keep: Callable[[str, Played], None] = lambda name, played: None,
) -> PowerSensorModel:
    """Measure what a card's power readings are worth.

    Args:
        host: Brings sources and load.
        clock: The rig's.
        card: The card.
        driver_version: For the record.
        scale: Of the usual length, about four minutes.
        on_part: Told each part and about how long it takes.
        keep: Given all that was read, for whoever wants to look into it.

    Raises:
        ConditionsNotMet: No source of power, or none whose values follow the load.
        WorkloadFailed: The load can't be run here.
        SafetyStop: The card became too hot.
    """
    sensors = host.open_sensors(clock, [], card)
    try:
        sources = sources_of(host, clock, card, sensors)
        if not sources:
            raise ConditionsNotMet(f"{card}: no reading of power that can be examined; see `levelrig doctor`")
        load = host.open_pulse_load(clock, card)
        watch = _temperature_watch(sensors, card)
        try:
            first = _play(load, recognise(scale), sources, clock, watch, on_part, "irregular loads")
            keep("recognise", first)
            on_part("working out how each source sees the load", 30.0)
            fitted = _fitted(first)
            models = [one for one, _, _ in fitted]
            if not models:
                names = ", ".join(source.name for source in sources)
                raise ConditionsNotMet(
                    f"{card}: no source's values follow the load ({names}); end what else works on the "
                    "card and try again"
                )
            model = PowerSensorModel(
                card=card.name,
                driver_version=driver_version,
                measured_utc=clock.now_utc().isoformat(timespec="seconds"),
                off_w=max(0.0, statistics.median(off_w for _, off_w, _ in fitted)),
                on_w=statistics.median(on_w for _, _, on_w in fitted),
                load=load.what,
                sources=tuple(models),
                silent=tuple(s.name for s in sources if s.name not in {m.name for m in models}),
            )
            rhythms_s = [m.rhythm_s for m in models if m.rhythm_s is not None]
            second = _play(
                load, ladder(rhythms_s, scale), sources, clock, watch, on_part, "the ladder of rates"
            )
            keep("ladder", second)
        finally:
            load.stop()
    finally:
        for sensor in sensors:
            sensor.close()

    def climbed(model: PowerSensorModel) -> PowerSensorModel:
        rungs = measured_rungs(
            model, second.program.stretches, second.began_s, second.course, second.recorded
        )
        return model.model_copy(update={"rungs": rungs})

    model = climbed(with_rhythms(climbed(model)))
    worst = worst_errors(model.rungs)
    measured = tuple(one.model_copy(update={"worst": worst.get(one.name)}) for one in model.sources)
    return model.model_copy(update={"sources": measured})


def _fitted(played: Played) -> list[tuple[SourceModel, float, float]]:
    """Model, lower and upper level of each source whose values follow the load."""
    irregular = next(s for s in played.program.stretches if s.name == "irregular")
    from_s, until_s = played.began_s + irregular.begin_s, played.began_s + irregular.end_s
    found = []
    for recorded in played.recorded:
        fitted = fit_source(recorded.within(from_s, until_s), played.course)
        if fitted is not None:
            found.append((fitted.model, fitted.off_w, fitted.on_w))
    return found


def _play(
    load: PulseLoad,
    program: Program,
    sources: Sequence[PowerSource],
    clock: Clock,
    watch: Callable[[], None],
    on_part: Callable[[str, float], None],
    what: str,
) -> Played:
    on_part(what, program.seconds)
    load.start(program)
    ready_by_s = clock.now_s() + READY_WITHIN_S
    while (began_s := load.began_s()) is None:
        if clock.now_s() > ready_by_s:
            raise WorkloadFailed(
                f"the load was not ready within {READY_WITHIN_S:.0f} s; see `levelrig doctor`"
            )
        clock.sleep_s(_PULSE_S)
    keepers = [_Keeper(source, clock) for source in sources]
    tickers: list[Ticker] = [clock.every(k.source.period_s, k.look) for k in keepers]
    try:
        end_by_s = began_s + program.seconds + LATE_BY_S
        while not load.ended():
            watch()
            if clock.now_s() > end_by_s:
                raise WorkloadFailed("the load does not end; end what else works on the card and try again")
            clock.sleep_s(_PULSE_S)
        clock.sleep_s(_LAST_VALUES_S)
    except BaseException:
        load.stop()
        raise
    finally:
        for ticker in tickers:
            ticker.stop()
    return Played(program, began_s, load.course(), tuple(keeper.recorded() for keeper in keepers))


def _temperature_watch(sensors: Sequence[Sensor], card: GraphicsCard) -> Callable[[], None]:
    """A look that raises SafetyStop where the card is too hot; nothing where that can't be read."""
    for sensor in sensors:
        if any(c.quantity == "core_temp_c" and c.device == card.device for c in sensor.channels()):

            def look(sensor: Sensor = sensor) -> None:
                try:
                    core_c = sensor.read(("core_temp_c",)).get("core_temp_c")
                except HarnessError:
                    return
                if core_c is not None and core_c >= LIMIT_C:
                    raise SafetyStop(
                        f"{card}: {core_c:.0f} °C, over {LIMIT_C:.0f} °C; the load was ended: improve the "
                        "cooling first"
                    )

            return look
    return lambda: None
