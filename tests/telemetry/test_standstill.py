"""Frozen or steady: the rule against a real trace, against made-up cards, and its false alarms."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.telemetry.standstill import StandstillWatch

TRACE = Path(__file__).parents[1] / "reference" / "heat_cool_trace.csv"


def alarms(
    seconds: float, script: dict[str, Callable[[float], float | None]], sensors: dict[str, str] | None = None
) -> list[tuple[float, str]]:
    """(time, quantity) of each first alarm when the script is read at 10 Hz and looked at once a second."""
    watch = StandstillWatch(sensors or dict.fromkeys(script, "card"))
    held: dict[str, float | None] = {}
    moved: dict[str, float] = {}
    found: list[tuple[float, str]] = []
    for step in range(int(seconds * 10)):
        t_s = step / 10
        now = {quantity: read(t_s) for quantity, read in script.items()}
        for quantity, value in now.items():
            if value is not None and value != held.get(quantity):
                held[quantity], moved[quantity] = value, t_s
        if step % 10 == 0:
            frozen = {quantity for _, quantity in found}
            seen = watch.look(
                t_s,
                lambda q, now=now, frozen=frozen: None if q in frozen else now.get(q),
                lambda q: moved.get(q, -math.inf),
            )
            found += [(t_s, quantity) for quantity in seen]
    return found


def trace() -> dict[str, Callable[[float], float | None]]:
    """The measured curve (idle, load, cooling) as a script, in the tables' quantities."""
    table = pd.read_csv(TRACE, comment="#")
    t_s = table["t_s"].to_numpy()

    def of(column: str) -> Callable[[float], float | None]:
        values = table[column].to_numpy()
        return lambda at_s: float(values[min(int(np.searchsorted(t_s, at_s)), len(values) - 1)])

    return {q: of(q) for q in ("power_w", "core_temp_c", "gpu_load_pct")}


def length_s() -> float:
    return float(pd.read_csv(TRACE, comment="#")["t_s"].iloc[-1])


def test_a_real_card_that_heats_and_cools_is_never_called_frozen():
    assert alarms(length_s(), trace()) == []


def test_the_same_card_with_a_frozen_sensor_is_told_at_the_next_step_of_its_power():
    quantity = "core_temp_c"
    script = trace()
    value = script[quantity](5.0)
    found = alarms(length_s(), {**script, quantity: lambda t_s: value})
    assert [name for _, name in found] == [quantity]
    power = [script["power_w"](t) or 0.0 for t in np.arange(0, length_s(), 0.5)]
    step_s = 0.5 * int(np.argmax(np.abs(np.diff(power)) > 100))
    assert step_s < found[0][0] <= step_s + 20


@pytest.mark.parametrize(
    ("name", "power_w"),
    [
        ("steady", lambda t: 200.0),
        ("noise", lambda t: 200.0 + 40 * math.sin(9 * t)),
        ("idle, a short burst", lambda t: 130.0 if 100 < t < 106 else 30.0),
        ("held at its limit: power is given back slowly", lambda t: 300.0 - 0.3 * min(t, 300)),
        ("small steps", lambda t: 200.0 + 20 * (int(t) // 60 % 2)),
    ],
)
def test_a_whole_degree_sensor_that_stands_still_rightly_is_not_called_frozen(
    name: str, power_w: Callable[[float], float]
):
    script = {"power_w": power_w, "power_limit_w": lambda t: 320.0, "core_temp_c": lambda t: 83.0}
    assert alarms(600, script) == []


def test_an_energy_counter_that_stands_still_tells_that_its_whole_sensor_repeats_itself():
    def until(t_s: float, read: Callable[[float], float]) -> float:
        return read(min(t_s, 100.0))

    script = {
        "energy_j": lambda t: until(t, lambda s: 50.0 * math.floor(2 * s) / 2),
        "power_w": lambda t: until(t, lambda s: 50.0 + math.sin(s)),
        "core_temp_c": lambda t: 40.0,
        "cpu_load_pct": lambda t: 5 + math.sin(t),
    }
    sensors = {"energy_j": "card", "power_w": "card", "core_temp_c": "card", "cpu_load_pct": "host"}
    found = alarms(200, script, sensors)
    assert {quantity for _, quantity in found} == {"energy_j", "power_w", "core_temp_c"}
    assert 110 <= found[0][0] <= 113


def test_a_counter_that_stops_alone_is_told_alone():
    script = {
        "energy_j": lambda t: 50.0 * min(t, 100.0),
        "power_w": lambda t: 50.0 + math.sin(t),
        "core_temp_c": lambda t: 40.0 + t // 30,
    }
    assert {quantity for _, quantity in alarms(200, script)} == {"energy_j"}


def test_power_that_does_not_answer_to_the_cards_load_is_told():
    script = {"power_w": lambda t: 31.5, "gpu_load_pct": lambda t: 99.0 if t > 60 else 2.0}
    found = alarms(120, script)
    assert [name for _, name in found] == ["power_w"]
    assert 70 <= found[0][0] <= 80
