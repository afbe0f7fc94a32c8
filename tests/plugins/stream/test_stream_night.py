"""Whole nights with a real program as the sensor that the plan's limit is watched by."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from harness.cli import main
from harness.telemetry import ceilings

METER = """
import sys, time
begin, n = time.monotonic(), 0
while True:
    n += 1
    temp = 45 + n % 3
    if time.monotonic() - begin > 5:
        if sys.argv[1] == "hangs":
            time.sleep(9999)
        if sys.argv[1] == "dies":
            raise SystemExit(3)
        if sys.argv[1] == "floods":
            print("x" * 100000)
            continue
        temp = 65535
    print(f"T={temp}", flush=True)
    time.sleep(0.1)
"""

PLAN = """
[plan]
question  = "Does the night end in order?"
repeats   = 1
reference = "one"
[conditions]
cooldown = {{ seconds = 0.5 }}
warm_up  = {{ seconds = 0.5 }}
[limits]
core_temp_c = 90
wait_for_readings_s = 1
[sampling]
sensors = ["stream"]
[[sensors]]
kind = "stream"
command = {command}
period_s = 0.2
quantities = {{ core_temp_c = {{ name = "T" }} }}
[[profiles]]
name = "one"
[[titles]]
name = "tarn-ridge"
workload = "scene"
scene = "tarn-ridge"
measure_s = 120
"""


@pytest.mark.parametrize("what", ["hangs", "dies", "floods", "absurd"])
def test_a_program_that_fails_under_a_limit_ends_the_title_and_then_the_night_resumable(
    tmp_path: Path, capsys: Any, monkeypatch: Any, what: str
) -> None:
    monkeypatch.setattr(ceilings, "LOST_AFTER_S", 3.0)
    meter = tmp_path / "meter.py"
    meter.write_text(METER, encoding="utf-8")
    plan = tmp_path / "plan.toml"
    command = json.dumps([sys.executable, "-u", str(meter), what])
    plan.write_text(PLAN.format(command=command), encoding="utf-8")
    assert main(["run", str(plan), "--into", str(tmp_path / "c"), "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert told["accepted"] == 0
    assert "readings: limits.core_temp_c: core_temp_c was last read" in told["reason"]


def test_a_limit_that_no_sensor_watches_refuses_the_night_and_starts_no_title(
    tmp_path: Path, capsys: Any
) -> None:
    plan = tmp_path / "plan.toml"
    command = json.dumps([sys.executable, "-c", "print('no meter on this port')"])
    text = PLAN.format(command=command).replace("core_temp_c = 90", "memory_temp_c = 90")
    plan.write_text(text, encoding="utf-8")
    assert main(["run", str(plan), "--into", str(tmp_path / "c")]) == 2
    said = capsys.readouterr().err
    assert "limits.memory_temp_c" in said
    assert 'unwatched = "accept"' in said
    assert not list((tmp_path / "c" / "attempts").glob("*/*"))
