from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pydantic import ValidationError

from harness.clock import SystemClock
from harness.errors import SensorUnavailable
from harness.plan.schema import SensorSpec
from harness.telemetry import Sampler
from harness.testing import FakeClock
from harness_plugins.imported import ImportOptions, open_import
from harness_plugins.stream import open_sensors, sources
from harness_plugins.stream.mapping import (
    CsvReader,
    Readings,
    pattern_reader,
    read_json,
    read_pairs,
    time_of,
    values_of,
)
from harness_plugins.stream.options import StreamOptions, open_stream
from harness_plugins.stream.sensor import LineSensor
from harness_plugins.stream.sources import Line
from harness_plugins.stream.units import to_table_unit


class Script:
    """A source whose lines arrive when a test says so."""

    def __init__(self) -> None:
        self.lines: list[Line] = []

    def take(self) -> list[Line]:
        taken, self.lines = self.lines, []
        return taken

    def close(self) -> None:
        return


def readings(**quantities: Any) -> dict[str, Any]:
    return {"quantities": quantities}


@pytest.mark.parametrize(
    ("quantity", "number", "unit", "expected"),
    [
        ("wall_power_w", 0.35, "kW", 350.0),
        ("wall_energy_j", 1.5, "Wh", 5400.0),  # SI brochure: 1 Wh = 3600 J
        ("wall_energy_j", 0.002, "kWh", 7200.0),
        ("ambient_temp_c", 212.0, "degF", 100.0),  # water boils, by the scale's old definition
        ("ambient_temp_c", 273.15, "K", 0.0),  # SI brochure
        ("core_clock_mhz", 1.9, "GHz", 1900.0),
        ("core_voltage_mv", 0.975, "V", 975.0),
        ("fan_pct", 0.4, "share", 40.0),
        ("fan_rpm", 25.0, "1/s", 1500.0),
        ("gpu_memory_used_mib", 2**30, "B", 1024.0),
        ("sound_level_dba", 31.5, "dBA", 31.5),
        ("ambient_temp_c", 21.5, "°C", 21.5),
    ],
)
def test_units_are_brought_to_those_of_the_telemetry_table(
    quantity: str, number: float, unit: str, expected: float
) -> None:
    factor, addend = to_table_unit(quantity, unit)
    assert number * factor + addend == pytest.approx(expected)


def test_a_unit_of_another_kind_is_refused_with_those_that_fit() -> None:
    with pytest.raises(
        ValidationError, match="wall_power_w can't be told in 'V'; units that fit: W, mW, uW, kW"
    ):
        Readings(**readings(wall_power_w={"name": "P", "unit": "V"}))
    with pytest.raises(ValidationError, match="no quantity 'wall_power'"):
        Readings(**readings(wall_power={"name": "P", "unit": "W"}))


def test_pairs_are_found_whatever_stands_between_them() -> None:
    fields = read_pairs("U=230.1 V; P: 312.5 W, T=-3.5e0")
    assert fields == {"U": "230.1", "P": "312.5", "T": "-3.5e0"}
    assert read_pairs("warming up") is None


def test_json_lines_may_be_nested_and_other_lines_are_passed_over() -> None:
    assert read_json('{"card": {"power": 210, "on": true}, "t": 3}') == {"card.power": "210", "t": "3"}
    assert read_json("not json") is None
    assert read_json("[1, 2]") is None


def test_a_pattern_names_its_groups() -> None:
    assert pattern_reader(r"(?P<P>[\d.]+) W")("meter: 99.5 W") == {"P": "99.5"}


def test_csv_columns_go_by_heading_or_by_number() -> None:
    read = CsvReader(";")
    assert read("time;Power [W]", True) is None
    assert read("1;250,5") == {"#1": "1", "#2": "250,5", "time": "1", "Power [W]": "250,5"}
    assert CsvReader(",", ["a", "b"])("1,2", True) == {"#1": "1", "#2": "2", "a": "1", "b": "2"}


def test_what_is_no_number_is_no_reading_and_a_decimal_comma_is_read() -> None:
    options = Readings(
        **readings(wall_power_w={"name": "P", "unit": "W"}, ambient_temp_c={"name": "T"}), decimal=","
    )
    assert values_of({"P": "250,5", "T": "n/a"}, options) == {"wall_power_w": 250.5}
    assert values_of({"P": "nan"}, options) == {}


def test_a_calibration_corrects_scale_and_zero() -> None:
    options = Readings(**readings(wall_power_w={"name": "P", "unit": "kW", "scale": 1.02, "add": -1.5}))
    assert values_of({"P": "0.1"}, options)["wall_power_w"] == pytest.approx(100.5)


def test_a_lines_own_time_is_brought_to_the_rigs_clock() -> None:
    base = readings(wall_power_w={"name": "P"})
    iso = Readings(**base, time={"name": "t", "unit": "iso"})
    # 2030-01-01T20:00:10Z when the rig's clock reads 10 s at 20:00:10 UTC, 1893528010 s since 1970.
    assert time_of({"t": "2030-01-01T21:00:10+01:00"}, iso, 1893528000.0) == pytest.approx(10.0)
    assert time_of({"t": "yesterday"}, iso, 0.0) is None
    milliseconds = Readings(**base, time={"name": "t", "unit": "ms"})
    assert time_of({"t": "1893528010500"}, milliseconds, 1893528000.0) == pytest.approx(10.5)
    rig = Readings(**base, time={"name": "t", "unit": "ns", "clock": "rig"})
    assert time_of({"t": "2500000000"}, rig, 1893528000.0) == pytest.approx(2.5)
    with pytest.raises(ValidationError, match="set clock = 'utc'"):
        Readings(**base, time={"name": "t", "unit": "iso", "clock": "rig"})


def sensor_of(source: Script, clock: FakeClock, **options: Any) -> LineSensor:
    return LineSensor("stream:1", source, read_pairs, Readings(**options), clock)


def test_a_reading_holds_until_it_is_stale_and_then_is_none_not_the_last_value() -> None:
    clock, source = FakeClock(), Script()
    sensor = sensor_of(source, clock, **readings(wall_power_w={"name": "P", "unit": "W"}), period_s=1)
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": None}
    source.lines = [Line(0.0, "P=300", True)]
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": 300.0}
    clock.sleep_s(3)
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": 300.0}
    clock.sleep_s(0.1)
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": None}


class Kept:
    def __init__(self) -> None:
        self.tables: list[pa.Table] = []

    def write(self, table: pa.Table) -> None:
        self.tables.append(table)


@pytest.mark.parametrize("own_time", [False, True], ids=["late-by-a-fixed-time", "in-bursts-with-own-times"])
def test_late_readings_are_filed_at_the_time_of_which_they_tell(own_time: bool) -> None:
    """A step of the load at 30 s; the meter's lines arrive 4 s late, or in bursts with times of their own."""
    clock, source = FakeClock(start_s=0.0), Script()
    options: dict[str, Any] = readings(wall_power_w={"name": "P", "unit": "W"})
    if own_time:
        options["time"] = {"name": "t", "unit": "s", "clock": "rig"}
    sensor = sensor_of(source, clock, **options, period_s=0.5, delay_s=4.0)

    def level_w(t_s: float) -> float:
        return 100.0 if t_s < 30 else 300.0

    waiting: list[float] = []

    def meter() -> None:
        now_s = clock.now_s()
        if own_time:
            waiting.append(now_s)
            if len(waiting) == 6:  # three seconds of lines at once
                source.lines += [Line(now_s, f"P={level_w(t)} t={t}", False) for t in waiting]
                waiting.clear()
        else:
            source.lines.append(Line(now_s, f"P={level_w(now_s - 4.0)}", False))

    clock.every(0.5, meter)
    sampler = Sampler([sensor], clock, 0.5, sensor_tries=3, on_event=lambda code, text: None)
    kept = Kept()
    sampler.start()
    clock.sleep_s(0.1)
    sampler.record_to(kept)
    clock.sleep_s(60)
    sampler.stop()
    sampler.stop_recording()
    table = pa.concat_tables(kept.tables)
    t_s = table["t_s"].to_numpy()
    power_w = table["wall_power_w"].to_numpy(zero_copy_only=False)
    present = np.isfinite(power_w)
    assert present[(t_s > 5) & (t_s < 55)].mean() > 0.9
    first_high_s = t_s[present & (power_w > 200)][0]
    assert 29.4 <= first_high_s <= 30.6
    assert not present[t_s > 57].any()  # of the last four seconds nothing is known yet
    assert np.all(np.diff(t_s) > 0)


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock()


@pytest.fixture
def meter(clock: SystemClock) -> Iterator[Any]:
    opened = []

    def make(program: str, **options: Any) -> LineSensor:
        words = [sys.executable, "-u", "-c", program]
        sensor = open_stream(StreamOptions(command=words, **options), 1, clock)
        opened.append(sensor)
        return sensor

    yield make
    for sensor in opened:
        sensor.close()


def test_a_program_is_read_while_it_runs_and_ended_at_the_close(meter: Any) -> None:
    program = "import time\nfor n in range(9999): print(f'P={100 + n}'); time.sleep(0.01)"
    sensor = meter(program, **readings(wall_power_w={"name": "P", "unit": "W"}))
    end_s = time.monotonic() + 10
    value = None
    while value is None and time.monotonic() < end_s:
        time.sleep(0.02)
        value = sensor.read(["wall_power_w"])["wall_power_w"]
    assert value is not None
    assert value >= 100
    sensor.close()
    with contextlib.suppress(SensorUnavailable):
        sensor.read(["wall_power_w"])  # lines that are still waiting come first
    with pytest.raises(SensorUnavailable):
        sensor.read(["wall_power_w"])
    sensor.close()


def test_a_program_that_ended_is_told_with_its_last_words(meter: Any) -> None:
    sensor = meter(
        "print('no meter on this port'); raise SystemExit(4)", **readings(wall_power_w={"name": "P"})
    )
    told: list[str] = []
    end_s = time.monotonic() + 10
    while not told and time.monotonic() < end_s:
        time.sleep(0.02)
        try:
            sensor.read(["wall_power_w"])
        except SensorUnavailable as error:
            told.append(str(error))
    assert "exit code 4: no meter on this port" in told[0]


def test_a_program_that_does_not_exist_is_told_at_the_first_read_and_ends_no_other_sensor(
    clock: SystemClock,
) -> None:
    words = [sys.executable, "-u", "-c", "import time\nwhile True: print('P=100'); time.sleep(0.05)"]
    quantities = {"wall_power_w": {"name": "P", "unit": "W"}}
    specs = [
        SensorSpec(kind="stream", options={"command": words, "quantities": quantities}),
        SensorSpec(
            kind="stream",
            options={"command": ["no-such-meter"], "quantities": {"ambient_temp_c": {"name": "T"}}},
        ),
    ]
    first, second = open_sensors(clock=clock, specs=specs)
    try:
        with pytest.raises(SensorUnavailable, match="no-such-meter can't be started"):
            second.read(["ambient_temp_c"])
        assert value_within_s(first, "wall_power_w", 20) == 100
    finally:
        first.close()
        second.close()


def value_within_s(sensor: LineSensor, quantity: str, seconds: float) -> float | None:
    """The first reading that comes; None where none does."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        with contextlib.suppress(SensorUnavailable):
            value = sensor.read([quantity])[quantity]
            if value is not None:
                return float(value)
        time.sleep(0.02)
    return None


def test_a_program_that_dies_is_started_again_after_a_pause_that_grows(monkeypatch: Any, meter: Any) -> None:
    monkeypatch.setattr(sources, "FIRST_PAUSE_S", 0.2)
    monkeypatch.setattr(sources, "LONGEST_PAUSE_S", 0.8)
    sensor = meter("print('P=100')", **readings(wall_power_w={"name": "P", "unit": "W"}), period_s=0.05)
    source = sensor._source
    starts: list[float] = []
    end_s = time.monotonic() + 30
    while len(starts) < 5 and time.monotonic() < end_s:
        with contextlib.suppress(SensorUnavailable):
            sensor.read(["wall_power_w"])
        if not starts or source._started_s != starts[-1]:
            starts.append(source._started_s)
        time.sleep(0.01)
    pauses = np.diff(starts)
    assert len(pauses) == 4
    assert (pauses >= np.array([0.2, 0.4, 0.8, 0.8]) - 0.01).all()


def test_a_program_that_floods_is_ended_and_costs_bounded_memory(meter: Any) -> None:
    program = "import sys\nwhile True: sys.stdout.write('x' * 65536)"
    sensor = meter(program, **readings(wall_power_w={"name": "P", "unit": "W"}))
    told = ""
    end_s = time.monotonic() + 30
    while not told and time.monotonic() < end_s:
        try:
            assert sensor.read(["wall_power_w"]) == {"wall_power_w": None}
        except SensorUnavailable as error:
            told = str(error)
        time.sleep(0.02)
    assert "KiB in a second and was ended" in told
    assert sensor._source._process.poll() is not None


def test_a_program_that_stops_printing_or_whose_own_clock_stands_still_gives_no_reading(meter: Any) -> None:
    silent = meter(
        "import time\nprint('P=100')\ntime.sleep(600)",
        **readings(wall_power_w={"name": "P", "unit": "W"}),
        period_s=0.1,
    )
    frozen = meter(
        "import time\nwhile True: print('P=100 t=1893456000'); time.sleep(0.05)",
        **readings(wall_power_w={"name": "P", "unit": "W"}),
        time={"name": "t"},
        period_s=0.1,
    )
    assert value_within_s(silent, "wall_power_w", 20) == 100
    time.sleep(0.5)
    assert silent.read(["wall_power_w"]) == {"wall_power_w": None}
    assert frozen.read(["wall_power_w"]) == {"wall_power_w": None}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"format": "pattern"}, "go together"),
        ({"format": "pattern", "pattern": "("}, "no regular expression"),
        ({"format": "pattern", "pattern": "(?P<Q>.*)"}, "no group named P"),
        ({"quantities": {}}, "at least 1"),
    ],
)
def test_wrong_options_are_refused_with_their_reason(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        StreamOptions(**{"command": ["meter"], **readings(wall_power_w={"name": "P"}), **options})


def test_a_growing_csv_is_followed_from_its_end_under_the_columns_of_its_first_line(tmp_path: Path) -> None:
    path, clock = tmp_path / "meter.csv", FakeClock()
    path.write_text("when,Watt\n1,999\n")
    options = ImportOptions(
        path=str(path), **readings(wall_power_w={"name": "Watt", "unit": "W"}), period_s=1
    )
    sensor = open_import(options, 1, clock)
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": None}  # what stood there before is history
    clock.sleep_s(1)
    with path.open("a") as file:
        file.write("2,312.5\n3,31")
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": 312.5}
    clock.sleep_s(1)
    with path.open("a") as file:
        file.write("3.5\n")
    assert sensor.read(["wall_power_w"]) == {"wall_power_w": 313.5}
    sensor.close()


def test_a_csv_that_appears_later_or_again_is_read_from_its_start(tmp_path: Path) -> None:
    clock = FakeClock()
    options = ImportOptions(
        path=str(tmp_path / "meter-*.csv"),
        **readings(ambient_temp_c={"name": "T", "unit": "degC"}),
        period_s=1,
    )
    sensor = open_import(options, 1, clock)
    with pytest.raises(SensorUnavailable, match="no file matches"):
        sensor.read(["ambient_temp_c"])
    clock.sleep_s(1)
    (tmp_path / "meter-1.csv").write_text("T\n20.5\n")
    assert sensor.read(["ambient_temp_c"]) == {"ambient_temp_c": 20.5}
    clock.sleep_s(1)
    second = tmp_path / "meter-2.csv"
    second.write_text("x,T\n1,21.0\n")
    later = (tmp_path / "meter-1.csv").stat().st_mtime + 5
    os.utime(second, (later, later))
    assert sensor.read(["ambient_temp_c"]) == {"ambient_temp_c": 21.0}


@pytest.mark.parametrize(
    ("options", "bad", "good"),
    [
        ({"format": "json"}, "[" * 30_000, '{"T": 45.5}'),
        ({"format": "json"}, '{"T":' * 12_000, '{"T": 45.5}'),
        ({"format": "csv", "columns": ["T"]}, "x\ry", "45.5"),
    ],
)
def test_a_line_that_no_parser_takes_costs_its_own_reading_and_no_other(
    options: dict[str, Any], bad: str, good: str, meter: Any
) -> None:
    program = f"import sys, time; sys.stdout.write({bad!r} + '\\n' + {good!r} + '\\n'); time.sleep(60)"
    sensor = meter(program, quantities={"core_temp_c": {"name": "T"}}, period_s=60, **options)
    assert value_within_s(sensor, "core_temp_c", 20) == 45.5


def test_a_python_program_that_does_not_flush_is_read_as_it_prints(clock: SystemClock) -> None:
    words = [sys.executable, "-c", "import time; print('T=45.5'); time.sleep(60)"]
    options = StreamOptions(command=words, quantities={"core_temp_c": {"name": "T"}}, period_s=60)
    with contextlib.closing(open_stream(options, 1, clock)) as sensor:
        assert value_within_s(sensor, "core_temp_c", 20) == 45.5


@pytest.mark.parametrize(
    ("line", "more", "said"),
    [
        ("Temp=45.0", {}, r"no number named 'T' \(last line 'Temp=45.0'\)"),
        ("T=nan", {}, "no number named 'T'"),
        ("hello", {}, "last line 'hello'"),
        ("T=45 t=3600", {"time": {"name": "t", "clock": "rig"}}, "3[56][0-9]{2} s ahead of"),
        ("T=45 t=-3600", {"time": {"name": "t", "clock": "rig"}}, "36[0-9]{2} s behind"),
    ],
)
def test_lines_that_give_no_reading_say_why_and_one_that_does_ends_it(
    line: str, more: dict[str, Any], said: str
) -> None:
    clock, source = FakeClock(), Script()
    sensor = sensor_of(source, clock, **readings(core_temp_c={"name": "T"}), **more)
    for _ in range(5):
        source.lines = [Line(clock.now_s(), line, False)]
        assert sensor.read(["core_temp_c"]) == {"core_temp_c": None}
        clock.sleep_s(0.5)
    clock.sleep_s(1)
    with pytest.raises(SensorUnavailable, match=said):
        sensor.read(["core_temp_c"])
    now_s = clock.now_s()
    source.lines = [Line(now_s, f"T=45 t={now_s}", False)]
    assert sensor.read(["core_temp_c"]) == {"core_temp_c": 45.0}


def test_a_fast_instrument_whose_lines_give_nothing_says_so_at_every_read_until_one_does() -> None:
    """A sampler calls a sensor lost after failures in a row; one read of nothing between hid the reason."""
    clock, source = FakeClock(), Script()
    sensor = sensor_of(source, clock, **readings(core_temp_c={"name": "T"}), period_s=0.1)
    refused = 0
    for _ in range(60):
        source.lines = [Line(clock.now_s(), "20", False)]
        clock.sleep_s(0.1)
        text = ""
        try:
            sensor.read(["core_temp_c"])
        except SensorUnavailable as error:
            text = str(error)
        assert ("no number named 'T' (last line '20')" in text) or not (text or refused)
        refused += bool(text)
    assert refused >= 25
