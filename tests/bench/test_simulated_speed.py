"""How fast a night passes on the simulated rig. By hand:

    pytest tests/bench/test_simulated_speed.py -s -p no:cacheprovider

Each figure is printed with its baseline of the same run; times are processor time of this process, because
the wall clock of a shared machine says more about its other users. Nothing here fails for being slow.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from harness.cli import main
from harness.hookspecs import RehearsalRequest
from harness.plan.cells import expand
from harness.plan.schema import Plan, PlanHead, ProfileSpec, TitleSpec
from harness.rig import Launch
from harness_plugins.simulated.rig import SimulatedRig
from harness_plugins.simulated.thermal import Network

pytestmark = pytest.mark.bench

TITLES = (
    "harbour-lights",
    "glass-canyon",
    "old-quarry",
    "night-ferry",
    "salt-flats",
    "paper-city",
    "red-orchard",
    "tin-whistle",
    "cold-meridian",
    "lantern-row",
)
PLAN = """
[plan]
question = "Does the quiet setting keep the frame rate of the factory setting?"
repeats = 3
reference = "factory"
allow_hardware_changes = true
[conditions]
cooldown = { until_at_most_c = 45, or_stopped_falling = true, timeout_s = 600 }
warm_up = { seconds = 300 }
soak = { slope_at_most_c_per_min = 1.0, window_s = 60, timeout_s = 300 }
[limits]
core_temp_c = 88
[[profiles]]
name = "factory"
[[profiles]]
name = "quiet"
control = "simulated"
core_clock_ceiling_mhz = 2595
core_clock_offset_mhz = 200
"""


def write_plan(path: Path) -> Path:
    titles = [f'[[titles]]\nname = "{name}"\nworkload = "simulated"\nmeasure_s = 150\n' for name in TITLES]
    path.write_text(PLAN + "\n".join(titles), encoding="utf-8")
    return path


def test_virtual_hours_per_second_of_a_whole_night(tmp_path, capsys):
    """Ten titles, two profiles, three repeats: engine, store, analysis and report, against the bare rig."""
    plan = write_plan(tmp_path / "ten.toml")
    cpu_s, wall_s = [], []
    for name in ("one", "two"):
        before_cpu_s, before_s = time.process_time(), time.perf_counter()
        assert main(["rehearse", str(plan), "--into", str(tmp_path / name), "--seed", "7", "--json"]) == 0
        cpu_s.append(time.process_time() - before_cpu_s)
        wall_s.append(time.perf_counter() - before_s)
    said = json.loads(capsys.readouterr().out.split("\n}\n")[0] + "\n}")
    hours = said["outlook"]["expected_s"] / 3600
    for table in ("attempts.parquet", "repeats.parquet", "attempts.csv", "repeats.csv"):
        first, second = (tmp_path / name / "dataset" / table for name in ("one", "two"))
        assert first.read_bytes() == second.read_bytes(), table
    attempts = pd.read_parquet(tmp_path / "one" / "dataset" / "attempts.parquet")
    assert (attempts.verdict == "accepted").sum() == 60

    bare_s = bare_night(hours, tmp_path)
    with capsys.disabled():
        print(
            f"\nnight of {hours:.2f} h, 60 repeats: {min(cpu_s):.1f} s processor time "
            f"({hours / min(cpu_s):.2f} virtual h/s), wall {min(wall_s):.1f} s; "
            f"bare rig read at 10 Hz: {bare_s:.1f} s; ratio {min(cpu_s) / bare_s:.2f}; tables byte-identical"
        )


def test_the_ten_titles_of_the_example_plan(tmp_path, capsys):
    """What a user types, report included, against the bare rig over the same night."""
    plan = Path(__file__).parents[2] / "plans" / "ten-titles.toml"
    before_s = time.process_time()
    main(["rehearse", str(plan), "--into", str(tmp_path / "night"), "--seed", "7", "--json"])
    cpu_s = time.process_time() - before_s
    said = json.loads(capsys.readouterr().out)
    hours = said["outlook"]["expected_s"] / 3600
    bare_s = bare_night(hours, tmp_path)
    with capsys.disabled():
        print(
            f"\nten-titles.toml, {hours:.2f} h: {cpu_s:.1f} s processor time, {cpu_s / hours:.2f} s a "
            f"virtual hour; bare rig read at 10 Hz: {bare_s:.1f} s; ratio {cpu_s / bare_s:.2f}"
        )


def bare_night(hours: float, folder: Path) -> float:
    """Processor time of the rig alone over that time: one title, all sensors read at 10 Hz, no engine."""
    plan = Plan(
        plan=PlanHead(question="How fast?", repeats=1, reference="factory"),
        profiles=[ProfileSpec(name="factory")],
        titles=[TitleSpec(name="harbour-lights", workload="simulated", measure_s=60)],
    )
    rig = SimulatedRig(RehearsalRequest(plan, 1))
    sensors = [(s, tuple(c.quantity for c in s.channels())) for s in rig.open_sensors()]

    def look() -> None:
        for sensor, quantities in sensors:
            sensor.read(quantities)

    rig.clock.every(0.1, look)
    (cell,) = expand(plan)
    rig.open_workload(cell).start(Launch(cell=cell, work_folder=folder, output_path=folder / "output.log"))
    before_s = time.process_time()
    rig.clock.sleep_s(hours * 3600)
    return time.process_time() - before_s


def test_the_closed_form_step_against_a_general_solver(capsys):
    """One hour of the thermal network in steps of 0.1 s, against scipy's solve_ivp at 1e-8."""
    network, conductance, power_w, ambient_c = Network(), 9.0, 300.0, 23.0
    steps = 36000
    before_s = time.process_time()
    step = network.step(conductance, 0.1)
    die_c = cooler_c = ambient_c
    for _ in range(steps):
        die_c, cooler_c = step.advance(die_c, cooler_c, power_w, ambient_c)
    ours_s = time.process_time() - before_s

    def slope(_: float, state: np.ndarray) -> list[float]:
        link_w = (state[0] - state[1]) / network.die_to_cooler_k_per_w
        out_w = conductance * (state[1] - ambient_c)
        return [(power_w - link_w) / network.die_j_per_k, (link_w - out_w) / network.cooler_j_per_k]

    before_s = time.process_time()
    times = np.arange(1, steps + 1) * 0.1
    solved = solve_ivp(slope, (0, 3600), [ambient_c] * 2, t_eval=times, method="LSODA", rtol=1e-8, atol=1e-8)
    solver_s = time.process_time() - before_s
    assert solved.y[:, -1] == pytest.approx([die_c, cooler_c], abs=1e-5)
    with capsys.disabled():
        print(f"\n36000 thermal steps: {ours_s * 1e3:.1f} ms; solve_ivp (LSODA) {solver_s * 1e3:.1f} ms")
