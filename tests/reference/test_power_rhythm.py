"""A sensor's model against readings that it was not made from.

The model (``power_sensor_model.json``) is what ``levelrig doctor --power`` found with a load of its own, of
133 to 400 W (its second run on 2026-11-28, fitted anew from what was read then). The readings
(``power_under_pulsed_loads.csv``) are of another time and another load, matrix products of up to 890 W, on a
card of the same kind. The published finding that such cards see a part of the time only: Yang, Adamek,
Armour, "Part-time Power Measurements", arXiv 2312.02741, and SC24.

The energy counter is left out: there it lost up to 5 % in some runs at rates that meet no rhythm, always to
one side, which no model of looks explains; that is what the test of agreement between sources is for.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import pytest

from harness.power_sensor.model import PowerSensorModel, read_sensor_model
from harness.power_sensor.rhythm import rhythm_error, swing_share

HERE = Path(__file__).parent
COLUMNS = {
    "average_field_w": "averaged reading",
    "instant_field_w": "instant reading",
    "samples_w": "sample buffer",
}
#: Beyond this a reading counts as off, as a share of the power.
OFF = 0.02


@dataclass(frozen=True)
class Reading:
    """One reading of the file: how far it is off, and how far the model lets it be; shares of the power."""

    run: str
    rate_hz: float
    duty: float
    source: str
    error: float
    bound: float


@pytest.fixture(scope="module")
def model() -> PowerSensorModel:
    return read_sensor_model((HERE / "power_sensor_model.json").read_text("utf-8"), "model")


@pytest.fixture(scope="module")
def readings(model: PowerSensorModel) -> list[Reading]:
    text = (HERE / "power_under_pulsed_loads.csv").read_text("utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    bounds = [
        rhythm_error(
            model,
            rate_hz=float(row["loads_per_s"]),
            duty=float(row["duty"]),
            jitter=float(row["jitter"]) / 3**0.5,  # an even spread of plus and minus so much
            window_s=min(20.0, float(row["seconds"])),
        )
        for row in rows
    ]
    found = []
    for row, bound in zip(rows, bounds, strict=True):
        duty = float(row["duty"])
        # The true power of this run and duty: what readings that meet no rhythm agree on.
        free = [
            float(other[column])
            for other, its in zip(rows, bounds, strict=True)
            for column, name in COLUMNS.items()
            if other["run"] == row["run"] and abs(float(other["duty"]) - duty) < 0.03
            if other[column] and its[name].swing_bound < 0.005
        ]
        if not free:
            continue
        true_w = median(free)
        for column, name in COLUMNS.items():
            if row[column]:
                share = swing_share(model, duty, true_w)
                found.append(
                    Reading(
                        row["run"],
                        float(row["loads_per_s"]),
                        duty,
                        name,
                        float(row[column]) / true_w - 1,
                        bound[name].swing_bound * share,
                    )
                )
    return found


def test_the_file_is_there_whole(readings: list[Reading]):
    assert len(readings) > 60
    assert sum(abs(one.error) > OFF for one in readings) > 20


def test_readings_that_are_off_are_predicted_to_be(readings: list[Reading]):
    """All but two of over twenty: one by 2.7 %, one by 3.4 %."""
    missed = [one for one in readings if abs(one.error) > OFF and one.bound <= OFF]
    assert [(one.run, one.rate_hz, one.source) for one in missed] == [
        ("2", 240.0, "instant reading"),
        ("3", 30.0, "sample buffer"),
    ]
    assert all(abs(one.error) < 0.035 for one in missed)


def test_no_reading_is_off_by_much_more_than_the_model_lets_it_be(readings: list[Reading]):
    """One of over sixty is, by 1.2 % of the power."""
    beyond = [one for one in readings if abs(one.error) > 1.2 * one.bound + OFF]
    assert [(one.run, one.rate_hz, one.source) for one in beyond] == [("2", 200.0, "instant reading")]
    assert all(abs(one.error) < 1.2 * one.bound + OFF + 0.013 for one in beyond)


def test_readings_that_meet_no_rhythm_are_not_off(readings: list[Reading]):
    free = [one for one in readings if one.bound < 0.005]
    assert len(free) > 20
    assert all(abs(one.error) < OFF for one in free)
