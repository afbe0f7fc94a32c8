"""What levelrig's telemetry is worth, and what it costs, on a real NVIDIA card. Reads only.

    pytest tests/bench/bench_card.py -m bench -s -p no:cacheprovider             all of it, about 15 minutes
    pytest tests/bench/bench_card.py -m bench -s -p no:cacheprovider -k campaign one part

Needs an NVIDIA card with its driver, and the extra ``gpu`` for the scenes. Nothing on the card is changed.
Each part prints its figures. Where a scene should be heavier or lighter for your card, set LEVELRIG_LOAD to a
multiple of the load that stands here.
"""

from __future__ import annotations

import itertools
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from harness.clock import SystemClock
from harness.doctor import examine
from harness.plugins import PluginHost
from harness.telemetry import KeptRows, Sampler, summarise_window
from harness_plugins.nvml.card import Card, installed_card
from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK
from harness_plugins.nvml.sensor import NvmlSensor

pytestmark = [pytest.mark.bench, pytest.mark.card]

BACKEND = "gpu"
LOAD = float(os.environ.get("LEVELRIG_LOAD", "1"))
#: Length of a window of the observer effect.
WINDOW_S = 7.0
#: Scene -> resolution and load, for 120 to 200 frames a second on a data-centre card.
SCENES = {
    "tarn-ridge": ("2560x1440", 6.0),
    "ember-swarm": ("2560x1440", 5.0),
    "slow-tide": ("2560x1440", 8.0),
}
CAMPAIGN_SCENES = ("tarn-ridge", "ember-swarm")
PERIOD_S = 0.1

PLAN = """\
[plan]
name      = "two settings on one card"
question  = "What do the scenes give at two settings in the factory state, and how steady is it?"
repeats   = 3
order     = "balanced"
reference = "factory"

[conditions]
cooldown = {{ seconds = 3 }}
warm_up  = {{ seconds = 4 }}

[checks]
mark_only = ["foreign-cpu-load", "start-temperature", "ambient-temperature"]

[[profiles]]
name    = "factory"
control = "factory"
{titles}"""
TITLE = """
[[titles]]
name      = "{scene}"
workload  = "scene"
scene     = "{scene}"
backend   = "{backend}"
load      = {load}
measure_s = 12
settings  = [{{ name = "1440p", resolution = "2560x1440" }}, {{ name = "1080p", resolution = "1920x1080" }}]
"""


@pytest.fixture(scope="module")
def card() -> Card:
    try:
        return installed_card()
    except CallFailed as error:
        pytest.skip(str(error))


@contextmanager
def running_scene(scene: str, folder: Path, *options: str, load: float | None = None) -> Iterator[Path]:
    """Draw a scene in its own process; gives its frame log, which grows twice a second."""
    resolution, usual = SCENES[scene]
    load = usual if load is None else load
    log = folder / f"{scene}.csv"
    command = [sys.executable, "-m", "harness_plugins.scene", "--until-input-ends", "--scene", scene]
    command += ["--backend", BACKEND, "--resolution", resolution, "--load", str(load * LOAD)]
    process = subprocess.Popen(
        [*command, "--frame-log", str(log), *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        for line in process.stdout or ():
            print(f"  {scene}: {line.strip()}")
            if line.startswith("ready"):
                break
        else:
            pytest.fail("the scene did not start")
        yield log
    finally:
        process.communicate(timeout=30)


def sampled(sensor: NvmlSensor, period_s: float = PERIOD_S) -> tuple[Sampler, KeptRows]:
    kept = KeptRows()
    sampler = Sampler([sensor], SystemClock(), period_s, sensor_tries=3, on_event=print)
    sampler.record_to(kept)
    return sampler, kept


def test_doctor_names_the_card_its_quantities_and_its_ranges(card):
    with_card = [f for f in examine(PluginHost()) if f.subject.startswith(("nvml", "card", "scenes"))]
    print()
    for finding in with_card:
        measured = ", ".join(f"{name} {value:g}" for name, value in finding.measured.items())
        print(f"  {finding.subject:<32} {finding.state:<8} {finding.detail}  {measured}")
    assert {"nvml power_w", "nvml core_temp_c"} <= {f.subject for f in with_card if f.state == "ok"}


@pytest.mark.parametrize("scene", SCENES)
def test_mean_power_by_counter_and_by_integration_agree_within_1_percent_at_steady_load(
    card, tmp_path, scene
):
    sensor = NvmlSensor(card)
    with running_scene(scene, tmp_path):
        time.sleep(6)
        sampler, kept = sampled(sensor)
        sampler.start()
        time.sleep(22)
        sampler.stop()
        sampler.stop_recording()
    rows = kept.whole()
    start_s = rows["t_s"][0].as_py() + 1
    found = summarise_window(rows, start_s, start_s + 20, frame_count=None)
    counter_j, integral_j = found["energy_counter_j"], found["energy_integral_j"]
    print(
        f"\n  {scene}: {found['mean_power_w']:.1f} W by counter, {integral_j / 20:.1f} W by integration, "
        f"{(integral_j / counter_j - 1) * 100:+.3f} %; core {found['mean_core_clock_mhz']:.0f} MHz, "
        f"{found['end_core_temp_c']:.1f} °C, load {found['mean_gpu_load_pct']:.0f} %, "
        f"limits {found['limit_reasons']}, gap {found['telemetry_gap_s']} s"
    )
    assert abs(integral_j / counter_j - 1) < 0.01


def core_pct(seconds: float, work: Callable[[], None] | None) -> float:
    """Share of one core that this process uses while ``work`` is called at 10 Hz (or nothing is)."""
    clock = SystemClock()
    ticker = clock.every(PERIOD_S, work) if work else None
    begin_cpu, begin = time.process_time(), time.perf_counter()
    time.sleep(seconds)
    used = (time.process_time() - begin_cpu) / (time.perf_counter() - begin) * 100
    if ticker:
        ticker.stop()
    return used


def bare_calls(card: Card) -> Callable[[], None]:
    """The same driver calls at the same rates as the sensor's, with nothing around them."""
    library, handle = card.library, card.handle
    count = itertools.count()
    stamp = [0]

    def work() -> None:
        tick = next(count)
        fields = [185, 82] + ([83] if tick % 5 == 0 else []) + ([190] if tick % 20 == 0 else [])
        library.fields(handle, fields)
        samples = library.power_samples(handle, stamp[0])
        stamp[0] = samples[-1][0] if samples else stamp[0]
        library.core_temp_c(handle)
        library.clock_mhz(handle, GRAPHICS_CLOCK)
        library.clock_mhz(handle, MEMORY_CLOCK)
        library.limit_reasons(handle)
        library.load_pct(handle)
        if tick % 10 == 0:
            library.memory_mib(handle)
        if tick % 20 == 0:
            library.processes(handle)

    return work


def test_what_sampling_at_10_hz_costs_beside_the_bare_driver_calls(card, tmp_path):
    sensor = NvmlSensor(card)
    cost: dict[str, list[float]] = {"idle": [], "bare driver calls": [], "sampler": []}
    late_ms: list[float] = []
    read_ms: list[float] = []
    with running_scene("tarn-ridge", tmp_path):
        first, _ = sampled(sensor)  # not counted: the first rows load what the others find loaded
        first.start()
        time.sleep(6)
        first.stop()
        first.stop_recording()
        cost["idle"].append(core_pct(2, None))
        for _ in range(3):
            cost["bare driver calls"].append(core_pct(10, bare_calls(card)))
            sampler, kept = sampled(sensor)
            begin_cpu, begin = time.process_time(), time.perf_counter()
            sampler.start()
            time.sleep(10)
            cost["sampler"].append((time.process_time() - begin_cpu) / (time.perf_counter() - begin) * 100)
            sampler.stop()
            sampler.stop_recording()
            rows = kept.whole()
            row_ms = rows["read_ms"].to_numpy()
            woke_s = rows["t_s"].to_numpy() - row_ms / 2000
            offset_s = (woke_s - woke_s[0] + PERIOD_S / 2) % PERIOD_S - PERIOD_S / 2
            late_ms += list((offset_s - offset_s.min()) * 1000)
            read_ms += list(row_ms)
    print()
    for name, values in cost.items():
        print(
            f"  {name:<18} {statistics.mean(values):.3f} % of a core (of {len(values)} rounds: "
            f"{', '.join(f'{v:.3f}' for v in values)})"
        )
    ratio = statistics.mean(cost["sampler"]) / statistics.mean(cost["bare driver calls"])
    print(f"  sampler / bare calls: {ratio:.3f}")
    print("  wake-up, later than the earliest: " + percentiles(late_ms))
    print("  time that a row took:             " + percentiles(read_ms))
    assert statistics.mean(cost["sampler"]) < 5


def percentiles(values_ms: list[float]) -> str:
    p50, p99 = np.percentile(values_ms, [50, 99])
    return f"p50 {p50:.3f} ms, p99 {p99:.3f} ms, longest {max(values_ms):.3f} ms ({len(values_ms)} rows)"


@pytest.mark.parametrize(
    ("scene", "load"),
    [("tarn-ridge", 20.0), ("tarn-ridge", 6.0), ("slow-tide", 8.0)],
    ids=["60", "200", "tide"],
)
def test_frame_rates_with_and_without_sampling_are_equivalent_within_half_a_percent(
    card, tmp_path, scene, load
):
    """Ten pairs of windows of one running scene, order reversed from pair to pair; interval of log ratios."""
    sensor = NvmlSensor(card)
    windows: list[tuple[bool, float, float]] = []
    folder = Path(os.environ.get("LEVELRIG_BENCH_OUT", tmp_path))
    with running_scene(scene, folder, load=load) as log:
        time.sleep(8)
        for pair in range(10):
            for sampling in (True, False) if pair % 2 == 0 else (False, True):
                sampler, _ = sampled(sensor)
                if sampling:
                    sampler.start()
                time.sleep(0.3)
                begin_s = time.perf_counter()
                time.sleep(WINDOW_S)
                windows.append((sampling, begin_s, time.perf_counter()))
                sampler.stop()
                sampler.stop_recording()
        time.sleep(1)
    frames = pd.read_csv(log)
    print(
        f"\n  {scene}: {len(frames)} frames, card's own time {frames.gpu_ms.mean():.3f} ms of "
        f"{frames.frametime_ms.mean():.3f} ms a frame"
    )
    usual_ms = frames.frametime_ms.median()
    slow = frames[frames.frametime_ms > 1.2 * usual_ms]
    print(
        f"  frames over 1.2 times the median: {len(slow) / len(frames) * 100:.2f} %, one in "
        f"{slow.end_s.diff().median():.3f} s (median), {slow.frametime_ms.mean():.2f} ms long on average"
    )
    figures = [(sampling, *fps(frames, begin_s, end_s)) for sampling, begin_s, end_s in windows]
    for index, name in ((1, "average FPS"), (2, "1 % low")):
        with_it = np.array([f[index] for f in figures if f[0]])
        without = np.array([f[index] for f in figures if not f[0]])
        ratio, low, high = ratio_interval(with_it, without)
        spread_pct = without.std(ddof=1) / without.mean() * 100
        verdict = "equivalent" if low > 0.995 and high < 1.005 else "not shown to be equivalent"
        print(
            f"  {name:<12} with {with_it.mean():.2f}, without {without.mean():.2f}: ratio {ratio:.5f}, 90 % "
            f"interval {low:.5f} to {high:.5f} (n = {len(with_it)} pairs, spread of windows without it "
            f"{spread_pct:.2f} %): {verdict} within 0.5 %"
        )
        assert low < 1.005
        assert high > 0.995


def fps(frames: pd.DataFrame, begin_s: float, end_s: float) -> tuple[float, float]:
    """Average FPS and 1 % low (1000 / 99th percentile, type 7) of the frames that end in the window."""
    inside = frames[(frames.end_s > begin_s) & (frames.end_s <= end_s)].frametime_ms.to_numpy()
    return 1000 * inside.size / inside.sum(), 1000 / float(np.percentile(inside, 99))


def ratio_interval(a: np.ndarray, b: np.ndarray) -> tuple[float, float, float]:
    """Ratio a / b over pairs with its 90 % t-interval: inside the margin is two one-sided tests at 5 %."""
    logs = np.log(a / b)
    half = stats.t.ppf(0.95, logs.size - 1) * logs.std(ddof=1) / np.sqrt(logs.size)
    return tuple(np.exp([logs.mean(), logs.mean() - half, logs.mean() + half]).tolist())  # type: ignore[return-value]


def test_a_real_campaign_of_two_settings_runs_to_its_report(card, tmp_path):
    plan = tmp_path / "two-settings.toml"
    titles = "".join(
        TITLE.format(scene=scene, backend=BACKEND, load=SCENES[scene][1] * LOAD) for scene in CAMPAIGN_SCENES
    )
    plan.write_text(PLAN.format(titles=titles))
    folder = Path(os.environ.get("LEVELRIG_BENCH_OUT", tmp_path)) / "campaign"
    begin = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "harness.cli", "run", str(plan), "--into", str(folder)],
        text=True,
        capture_output=True,
        check=False,
    )
    print(done.stdout[-6000:], done.stderr[-2000:])
    print(f"  exit code {done.returncode} after {time.monotonic() - begin:.0f} s")
    repeats = pd.read_parquet(folder / "dataset" / "repeats.parquet")
    print(campaign_table(repeats).to_string())
    assert done.returncode == 0
    assert len(repeats) == 3 * 2 * len(CAMPAIGN_SCENES)
    differs_pct = (repeats.energy_integral_j / repeats.energy_counter_j - 1) * 100
    print(
        f"  integral against counter: mean {differs_pct.mean():+.3f} %, "
        f"widest {differs_pct.abs().max():.3f} %"
    )
    assert differs_pct.abs().max() < 2


def campaign_table(repeats: pd.DataFrame) -> pd.DataFrame:
    """Means over repeats of each cell, and the spread of the frame rate."""
    columns: dict[str, Any] = {
        "n": ("average_fps", "size"),
        "fps": ("average_fps", "mean"),
        "fps_sd_pct": ("average_fps", lambda v: v.std() / v.mean() * 100),
        "low_1pct_fps": ("one_percent_low_fps", "mean"),
        "power_w": ("mean_power_w", "mean"),
        "fps_per_w": ("fps_per_w", "mean"),
        "core_mhz": ("mean_core_clock_mhz", "mean"),
        "end_core_c": ("end_core_temp_c", "mean"),
        "memory_c": ("mean_memory_temp_c", "mean"),
        "gap_s": ("telemetry_gap_s", "max"),
    }
    return repeats.groupby(["title", "setting"]).agg(**columns).round(3)
