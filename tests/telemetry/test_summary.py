"""What a window's telemetry says, against values worked out outside of this program."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from harness import tables
from harness.telemetry import reason_words, summarise_window

TELEMETRY_KEYS = [
    c.name
    for c in tables.ATTEMPT_COLUMNS
    if c.name.startswith("mean_") or c.name.startswith("energy_") or c.name.endswith("core_temp_c")
] + ["fps_per_w", "core_above_ambient_k", "limit_reasons", "telemetry_samples", "telemetry_gap_s"]


def table_of(t_s: Any, gap: Any = None, **columns: Any) -> pa.Table:
    count = len(t_s)
    data: dict[str, Any] = {name: [None] * count for name in tables.TELEMETRY.names}
    data |= {"t_s": [float(t) for t in t_s], "gap": list(gap) if gap is not None else [False] * count}
    for name, values in columns.items():
        data[name] = [None if v is None or (isinstance(v, float) and math.isnan(v)) else v for v in values]
    return pa.table(data, schema=tables.TELEMETRY)


def test_mean_power_over_uneven_steps_is_energy_over_time_not_the_mean_of_samples():
    # Arithmetic, no source needed: the trapezoid rule is exact for the line 100 + 20 t W;
    # 0 s to 7 s gives 1190 J and 170 W, while the plain mean of the five samples is 158 W.
    t_s = np.array([0, 1, 2.5, 4, 7])
    found = summarise_window(table_of(t_s, power_w=100 + 20 * t_s), 0, 7, frame_count=None)
    assert found["energy_integral_j"] == pytest.approx(1190, abs=1e-9)
    assert found["mean_power_w"] == pytest.approx(170, abs=1e-9)
    assert found["energy_source"] == "integral of power"


def test_the_energy_mean_of_60_and_70_db_is_67_4_not_65():
    # Energy mean of ISO 1996-1: 10 lg((10^6 + 10^7) / 2) = 67.4036 dB.
    t_s = np.arange(0, 20.001, 0.01)
    level = np.where(t_s < 10, 60.0, 70.0)
    found = summarise_window(table_of(t_s, sound_level_dba=level), 0, 20, frame_count=None)
    assert found["mean_sound_level_dba"] == pytest.approx(67.4036, abs=0.003)


def test_energy_comes_from_the_counter_where_there_is_one_and_both_are_given():
    t_s = np.arange(-5, 66, 0.1)
    found = summarise_window(
        table_of(t_s, power_w=np.full(t_s.size, 300.0), energy_j=5e6 + 303.0 * t_s), 0, 60, frame_count=7200
    )
    assert found["energy_source"] == "counter"
    assert found["energy_j"] == found["energy_counter_j"] == pytest.approx(303 * 60)
    assert found["energy_integral_j"] == pytest.approx(300 * 60)
    assert found["mean_power_w"] == pytest.approx(303)
    assert found.marks == ()


def test_fps_per_watt_is_the_published_average_fps_by_the_published_power_where_frames_miss_the_edges():
    t_s = np.arange(0, 61, 0.5)
    found = summarise_window(table_of(t_s, energy_j=250.0 * t_s), 0, 60, frame_count=5700, average_fps=100.0)
    assert found["fps_per_w"] == 100.0 / found["mean_power_w"]


def test_frames_per_joule_is_fps_per_watt_and_energy_per_frame_its_inverse():
    # Identity: with frames and energy over the same interval, frames / J = (frames / s) / (J / s).
    t_s = np.arange(0, 61, 0.5)
    found = summarise_window(table_of(t_s, energy_j=250.0 * t_s), 0, 60, frame_count=6000, average_fps=100.0)
    assert found["fps_per_w"] == pytest.approx((6000 / 60) / 250)
    assert found["energy_per_frame_j"] == pytest.approx(1 / found["fps_per_w"])
    without = summarise_window(table_of(t_s, energy_j=250.0 * t_s), 0, 60, frame_count=None)
    assert without["fps_per_w"] is without["energy_per_frame_j"] is None


@pytest.mark.parametrize(
    ("factor", "disputed"), [(1.009, False), (1.011, True), (0.989, True), (0.991, False)]
)
def test_two_sources_that_differ_by_over_one_percent_are_disputed(factor, disputed):
    t_s = np.arange(0, 60.01, 0.1)
    table = table_of(t_s, power_w=np.full(t_s.size, 200.0), energy_j=200.0 * factor * t_s)
    found = summarise_window(table, 0, 60, frame_count=None)
    assert bool(found.dispute) is disputed
    if disputed:
        assert f"{(1 / factor - 1) * 100:+.1f} %".replace("-", "−") in found.dispute
        # a rectangular distribution with the other source as its limit (GUM 4.3.7), and the window's edges
        assert found["power_u_w"] == pytest.approx(200 * abs(factor - 1) / math.sqrt(3), rel=0.01)
    assert found["power_rhythm_u_w"] is None
    assert found["power_by_counter_w"] == pytest.approx(200 * factor)
    assert found["power_by_reading_w"] == pytest.approx(200)
    assert found["power_by_average_w"] is None


def test_a_counter_that_moves_in_steps_is_not_biased_at_the_windows_edges():
    t_s = np.arange(0, 12, 0.05)
    exact_j = 400.0 * (np.floor(t_s / 0.5) * 0.5)  # polled ten times as often as it moves
    found = summarise_window(table_of(t_s, energy_j=exact_j), 1.2, 11.2, frame_count=None)
    assert found["mean_power_w"] == pytest.approx(400, rel=1e-9)


def test_a_large_counter_loses_no_precision_in_a_short_window():
    t_s = np.arange(0, 10.01, 0.1)
    found = summarise_window(table_of(t_s, energy_j=1e12 + 123.456 * t_s), 0, 10, frame_count=None)
    assert found["energy_counter_j"] == pytest.approx(1234.56, rel=1e-6)


def test_a_counter_that_was_reset_in_the_window_gives_way_to_the_integral():
    t_s = np.arange(0, 60.01, 0.1)
    counter = np.where(t_s < 30, 9000 + 100 * t_s, 100 * (t_s - 30))
    table = table_of(t_s, energy_j=counter, power_w=np.full(t_s.size, 100.0))
    found = summarise_window(table, 0, 60, frame_count=None)
    assert found["energy_counter_j"] is None
    assert found["energy_source"] == "integral of power"
    assert found["energy_j"] == pytest.approx(6000)
    assert "driver was reset" in found.marks[0]
    assert summarise_window(table, 31, 60, frame_count=None).marks == ()
    assert summarise_window(table, 31, 60, frame_count=None)["energy_counter_j"] == pytest.approx(2900)


def test_averaged_power_stands_in_where_the_driver_gives_no_instant_power():
    t_s = np.arange(0, 10.01, 0.1)
    found = summarise_window(table_of(t_s, power_average_w=np.full(t_s.size, 80.0)), 0, 10, frame_count=None)
    assert found["energy_integral_j"] == pytest.approx(800)


def test_what_the_rig_lacks_is_none_and_never_zero():
    found = summarise_window(table_of([0.0, 1.0, 2.0]), 0, 2, frame_count=100)
    absent = {
        key: value
        for key, value in found.items()
        if key not in ("telemetry_samples", "telemetry_gap_s", "marks")
    }
    assert set(absent.values()) == {None}
    assert set(TELEMETRY_KEYS) <= found.keys()
    assert set(found) <= {c.name for c in tables.ATTEMPT_COLUMNS}
    assert found["telemetry_samples"] == 3
    assert found["telemetry_gap_s"] == 0


def test_a_table_without_rows_gives_no_gap_because_the_rig_has_no_sensors():
    assert summarise_window(table_of([]), 0, 60, frame_count=1)["telemetry_gap_s"] is None


def test_temperatures_of_the_window_are_mean_highest_and_of_the_last_quarter():
    t_s = np.arange(-10, 70.01, 0.1)
    found = summarise_window(
        table_of(t_s, core_temp_c=40 + t_s / 2, ambient_temp_c=np.full(t_s.size, 22.0)),
        0,
        60,
        frame_count=None,
    )
    assert found["mean_core_temp_c"] == pytest.approx(55)
    assert found["max_core_temp_c"] == pytest.approx(70)
    assert found["end_core_temp_c"] == pytest.approx(40 + 52.5 / 2)
    assert found["core_above_ambient_k"] == pytest.approx(40 + 52.5 / 2 - 22)


def test_readings_that_span_less_than_half_of_the_window_give_no_mean():
    t_s = np.arange(0, 60.01, 1.0)
    temp = [50.0 if t < 20 else None for t in t_s]
    assert (
        summarise_window(table_of(t_s, core_temp_c=temp), 0, 60, frame_count=None)["mean_core_temp_c"] is None
    )


def test_a_slow_quantity_with_nulls_between_its_readings_still_has_its_mean():
    t_s = np.arange(0, 60.01, 0.1)
    temp = [30.0 + t if i % 50 == 0 else None for i, t in enumerate(t_s)]
    found = summarise_window(table_of(t_s, ambient_temp_c=temp), 7, 53, frame_count=None)
    assert found["mean_ambient_temp_c"] == pytest.approx(60)


def test_every_limit_reason_of_the_window_is_named_and_none_from_outside():
    t_s = [-1.0, 1, 2, 3, 11]
    table = table_of(t_s, limit_reasons=[0x40, 0x4 | 0x1, 0, 0x4 | 0x1000, 0x8])
    found = summarise_window(table, 0, 10, frame_count=None)
    assert found["limit_reasons"] == ["power limit (software)", "bit_12"]
    assert (
        summarise_window(table_of(t_s, limit_reasons=[0] * 5), 0, 10, frame_count=None)["limit_reasons"] == []
    )


def test_an_unknown_reason_bit_survives_decoding():
    assert reason_words(0) == []
    assert reason_words(1 << 40) == ["bit_40"]
    assert reason_words(0x60) == ["temperature limit (software)", "temperature limit (hardware)"]


def test_marked_gaps_and_silent_edges_add_up_to_the_time_without_telemetry():
    t_s = [0.0, 1, 2, 3, 9, 10, 11]
    gap = [False, False, False, False, True, False, False]
    assert summarise_window(table_of(t_s, gap), 0, 11, frame_count=None)["telemetry_gap_s"] == pytest.approx(
        6
    )
    assert summarise_window(table_of(t_s, gap), 5, 11, frame_count=None)["telemetry_gap_s"] == pytest.approx(
        4
    )
    assert summarise_window(table_of(t_s, gap), 1, 7, frame_count=None)["telemetry_gap_s"] == pytest.approx(4)
    assert summarise_window(table_of(t_s, gap), 0, 20, frame_count=None)["telemetry_gap_s"] == pytest.approx(
        15
    )
    assert summarise_window(table_of(t_s, gap), -4, 3, frame_count=None)["telemetry_gap_s"] == pytest.approx(
        4
    )
    assert summarise_window(table_of(t_s, gap), 30, 40, frame_count=None)["telemetry_gap_s"] == pytest.approx(
        10
    )


def test_a_window_without_length_is_refused():
    with pytest.raises(ValueError, match="length"):
        summarise_window(table_of([0.0]), 5, 5, frame_count=None)


def test_a_broken_sensor_beside_one_that_is_read_once_a_second_leaves_no_time_without_telemetry():
    # The sampler marks every row while any sensor is broken; what else is read then is read as often as ever.
    t_s = np.arange(-5, 15, 0.1)
    fast = np.where(t_s < 3, 21.5, np.nan)
    slow = [50.0 if n % 10 == 0 else math.nan for n in range(t_s.size)]
    table = table_of(t_s, gap=t_s >= 3, ambient_temp_c=fast, cpu_load_pct=slow)
    assert summarise_window(table, 0, 10, frame_count=None)["telemetry_gap_s"] == 0
    lost = [value if not 4 < t < 9 else math.nan for t, value in zip(t_s, slow, strict=True)]
    table = table_of(t_s, gap=t_s >= 3, ambient_temp_c=fast, cpu_load_pct=lost)
    found = summarise_window(table, 0, 10, frame_count=None)["telemetry_gap_s"]
    assert found == pytest.approx(5, abs=1.0)
