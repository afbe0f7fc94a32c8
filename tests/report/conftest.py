"""A made-up campaign folder, written with the column contract of ``harness.tables``.

Titles, card and numbers are invented; the pattern in them is known, so that tests can ask for it back.
Run by hand to look at a report: ``python tests/report/conftest.py FOLDER [REPEATS]``.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.store.dataset import write_csv
from harness.tables import ATTEMPTS, FRAMES, TELEMETRY

TITLES = {
    "harbour-lights": ("Harbour Lights", 118.0, 1.0),
    "glass-canyon": ("Glass Canyon", 96.0, 1.02),
    "paper-comet": ("Paper Comet", 164.0, 0.97),
    "tidal-engine": ("Tidal Engine", 71.0, 1.03),
    "moss-and-iron": ("Moss and Iron", 88.0, 1.0),
    "ninth-lantern": ("Ninth Lantern", 132.0, 0.99),
    "salt-meridian": ("Salt Meridian", 104.0, 1.01),
    "velvet-orbit": ("Velvet Orbit", 187.0, 0.95),
    "copper-rain": ("Copper Rain", 79.0, 1.02),
    "winter-arcade": ("Winter Arcade", 143.0, 0.98),
}
#: name -> label, frame-rate factor, power in W, clock in MHz, fan in 1/min, further keys of the plan
PROFILES = {
    "factory": ("Factory", 1.0, 318.0, 2610.0, 1850.0, ""),
    "quiet": ("Quiet", 0.993, 244.0, 2540.0, 1380.0, 'control = "made-up"\ncore_clock_ceiling_mhz = 2550'),
    "capped": ("Capped at 220 W", 0.942, 219.0, 2390.0, 1260.0, 'control = "made-up"\npower_limit_w = 220'),
    "eager": ("Eager", 1.036, 341.0, 2715.0, 1990.0, 'control = "made-up"\ncore_clock_offset_mhz = 110'),
}


@dataclass
class MadeCampaign:
    """What to make. ``texts`` overrides plan strings, so that hostile ones can be tried."""

    folder: Path
    campaign_id: str = "night-one"
    titles: dict[str, tuple[str, float, float]] = field(default_factory=lambda: dict(TITLES))
    profiles: dict[str, tuple[str, float, float, float, float, str]] = field(
        default_factory=lambda: dict(PROFILES)
    )
    repeats: int = 5
    measure_s: float = 60.0
    seed: int = 7
    card: str = "Talverin TX-70"
    driver: str = "41.7 (made up)"
    question: str = "Does the quiet setting keep the frame rate of the factory setting?"
    rejected: bool = True
    card_telemetry: bool = True
    simulated: bool = True
    started: datetime = datetime(2026, 3, 14, 20, 5, tzinfo=UTC)
    extra_plan: str = ""
    fps_factor: float = 1.0


def make_campaign(made: MadeCampaign) -> Path:
    """Write the folder and return it."""
    rng = np.random.default_rng(made.seed)
    folder = made.folder
    (folder / "dataset").mkdir(parents=True, exist_ok=True)
    (folder / "plan.toml").write_text(_plan_toml(made), encoding="utf-8")
    (folder / "rig.json").write_text(
        json.dumps(
            {
                "rig_id": hashlib.sha256(made.card.encode()).hexdigest()[:12],
                "boot_id": "boot-1",
                "simulated": made.simulated,
                "facts": {
                    "card": {"model": made.card, "driver_version": made.driver, "memory_total_mib": 12288},
                    "processor": {"model": "Ferrow 8", "logical_cpus": 16},
                    "system": {"name": "Linux", "release": "6.1"},
                },
            },
            indent=1,
        )
    )
    rows: list[dict[str, Any]] = []
    clock_s, position, block = 0.0, 0, 0
    for repeat in range(1, made.repeats + 1):
        for title in made.titles:
            block += 1
            order = list(made.profiles)
            rng.shuffle(order)
            for profile in order:
                position += 1
                spoilt = made.rejected and rng.random() < 0.03
                for attempt in range(1, 3 if spoilt else 2):
                    row, length_s = _attempt(
                        made,
                        rng,
                        title,
                        profile,
                        repeat,
                        attempt,
                        block,
                        position,
                        clock_s,
                        spoilt and attempt == 1,
                    )
                    clock_s += length_s
                    rows.append(row)
    table = pa.Table.from_pylist(rows, schema=ATTEMPTS)
    pq.write_table(table, folder / "dataset" / "attempts.parquet")
    accepted = pa.Table.from_pylist([row for row in rows if row["verdict"] == "accepted"], schema=ATTEMPTS)
    pq.write_table(accepted, folder / "dataset" / "repeats.parquet")
    for name, table_made in (("attempts", table), ("repeats", accepted)):
        with (folder / "dataset" / f"{name}.csv").open("wb") as sink:
            write_csv(table_made, sink)
    manifest = {
        str(path.relative_to(folder).as_posix()): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*.parquet"))
        if "dataset" not in path.parts
    }
    (folder / "manifest.json").write_text(json.dumps({"files": manifest}, indent=1))
    return folder


def _plan_toml(made: MadeCampaign) -> str:
    lines = [
        "[plan]",
        f"name = {json.dumps(made.campaign_id)}",
        f"question = {json.dumps(made.question)}",
        f"repeats = {made.repeats}",
        'reference = "factory"',
        "margin_pct = 3.0",
        "allow_hardware_changes = true",
        made.extra_plan,
        "[conditions]",
        'temperature = "core_temp_c"',
        "cooldown = { until_at_most_c = 45, or_stopped_falling = true, timeout_s = 600 }",
        "warm_up = { seconds = 20 }",
        "soak = { slope_at_most_c_per_min = 1.0, window_s = 20 }",
        "[limits]",
        "core_temp_c = 88",
    ]
    for name, (label, *_rest, keys) in made.profiles.items():
        lines += ["[[profiles]]", f"name = {json.dumps(name)}", f"label = {json.dumps(label)}", keys]
    for name, (label, *_rest) in made.titles.items():
        lines += [
            "[[titles]]",
            f"name = {json.dumps(name)}",
            f"label = {json.dumps(label)}",
            'workload = "made-up"',
            f"measure_s = {made.measure_s}",
        ]
    return "\n".join(line for line in lines if line) + "\n"


def _attempt(
    made: MadeCampaign,
    rng: np.random.Generator,
    title: str,
    profile: str,
    repeat: int,
    attempt: int,
    block: int,
    position: int,
    clock_s: float,
    spoilt: bool,
) -> tuple[dict[str, Any], float]:
    _, base_fps, bound = made.titles[title]
    _, factor, power_w, clock_mhz, fan_rpm, _ = made.profiles[profile]
    drift = 1.0 - 0.004 * (clock_s / 36000.0)
    fps = (
        base_fps * (1 + (factor - 1) * bound) * made.fps_factor * drift * float(np.exp(rng.normal(0, 0.004)))
    )
    n = int(fps * made.measure_s)
    wobble = 1 + 0.06 * np.sin(np.arange(n) / 190.0) + rng.gamma(2.0, 0.03, n) - 0.06
    spikes = rng.random(n) < 0.004
    wobble[spikes] += rng.gamma(2.0, 0.35, int(spikes.sum()))
    frametime_ms = 1000.0 / fps * wobble / wobble.mean()
    t_s = np.cumsum(frametime_ms) / 1000.0
    ambient_c = 22.0 + 1.5 * np.sin(clock_s / 9000.0)
    start_c = ambient_c + 19.0 + rng.normal(0, 0.6)
    cooldown_s, warm_up_s, soak_s = float(rng.uniform(60, 130)), 20.0, float(rng.uniform(20, 40))
    cell = f"{title}.default.{profile}"
    folder = made.folder / "attempts" / cell / f"{repeat}.{attempt}"
    folder.mkdir(parents=True, exist_ok=True)
    pq.write_table(
        pa.table({"t_s": t_s, "frametime_ms": frametime_ms}, schema=FRAMES), folder / "frames.parquet"
    )
    telemetry = _telemetry(made, rng, power_w, clock_mhz, fan_rpm, ambient_c, start_c, cooldown_s, soak_s)
    telemetry_table = pa.Table.from_pandas(telemetry, schema=TELEMETRY, preserve_index=False)
    pq.write_table(telemetry_table, folder / "telemetry.parquet")
    (folder / "output.log").write_text("made up\n")
    window = telemetry[telemetry["phase"] == "measure"]
    mean_power = float(window["power_w"].mean()) if made.card_telemetry else None
    end_temp = float(window["core_temp_c"].tail(150).mean()) if made.card_telemetry else None
    measured_s = float(t_s[-1])
    average_fps = n / measured_s
    p99 = float(np.percentile(frametime_ms, 99))
    p999 = float(np.percentile(frametime_ms, 99.9))
    row: dict[str, Any] = {
        "campaign_id": made.campaign_id,
        "rig_id": hashlib.sha256(made.card.encode()).hexdigest()[:12],
        "cell_id": cell,
        "title": title,
        "setting": "default",
        "profile": profile,
        "repeat_index": repeat,
        "attempt_index": attempt,
        "block": block,
        "position": position,
        "sentinel": False,
        "definition_hash": hashlib.sha256(cell.encode()).hexdigest(),
        "verdict": "rejected" if spoilt else "accepted",
        "reason_code": "foreign-load" if spoilt else None,
        "reason": "another process used 31 % of the processor for 14 s of the window" if spoilt else None,
        "marks": ["cooldown-timeout"] if rng.random() < 0.02 else [],
        "started_utc": made.started + timedelta(seconds=clock_s),
        "start_s": clock_s,
        "duration_s": cooldown_s + warm_up_s + soak_s + measured_s,
        "measured_s": measured_s,
        "frame_count": n,
        "average_fps": average_fps,
        "low_definition": "percentile",
        "one_percent_low_fps": 1000 / p99,
        "point_one_percent_low_fps": 1000 / p999,
        "one_percent_low_percentile_fps": 1000 / p99,
        "point_one_percent_low_percentile_fps": 1000 / p999,
        "frametime_p50_ms": float(np.median(frametime_ms)),
        "frametime_p95_ms": float(np.percentile(frametime_ms, 95)),
        "frametime_p99_ms": p99,
        "frametime_p99_9_ms": p999,
        "longest_frame_ms": float(frametime_ms.max()),
        "stutter_count": int((frametime_ms > 2.5 * np.median(frametime_ms)).sum()),
        "start_temp_c": start_c if made.card_telemetry else None,
        "start_ambient_temp_c": ambient_c,
        "temperature_quantity": "core_temp_c" if made.card_telemetry else None,
        "cooldown_s": cooldown_s,
        "cooldown_end": "stopped-falling" if start_c > 45 else "reached",
        "warm_up_s": warm_up_s,
        "warm_up_end": "time",
        "soak_s": soak_s,
        "soak_end": "reached",
        "frame_rows_read": n,
        "frame_rows_dropped": 0,
        "telemetry_samples": len(window),
        "telemetry_gap_s": 0.0,
        "mean_cpu_load_pct": 34.0,
        "boot_id": "boot-1",
    }
    if made.card_telemetry:
        row |= {
            "mean_power_w": mean_power,
            "energy_j": mean_power * measured_s,
            "energy_source": "counter",
            "energy_per_frame_j": mean_power * measured_s / n,
            "fps_per_w": average_fps / mean_power,
            "mean_core_temp_c": float(window["core_temp_c"].mean()),
            "max_core_temp_c": float(window["core_temp_c"].max()),
            "end_core_temp_c": end_temp,
            "mean_ambient_temp_c": ambient_c,
            "core_above_ambient_k": end_temp - ambient_c,
            "mean_core_clock_mhz": float(window["core_clock_mhz"].mean()),
            "mean_fan_rpm": float(window["fan_rpm"].mean()),
            "limit_reasons": ["power limit"] if profile == "capped" else [],
        }
    return row, cooldown_s + warm_up_s + soak_s + measured_s + 4


def _telemetry(
    made: MadeCampaign,
    rng: np.random.Generator,
    power_w: float,
    clock_mhz: float,
    fan_rpm: float,
    ambient_c: float,
    start_c: float,
    cooldown_s: float,
    soak_s: float,
) -> pd.DataFrame:
    before_s = cooldown_s + 20.0 + soak_s
    t_s = np.arange(-before_s, made.measure_s, 0.1)
    phase = np.full(t_s.size, "measure", dtype=object)
    phase[t_s < 0] = "soak"
    phase[t_s < -soak_s] = "warm-up"
    phase[t_s < -soak_s - 20.0] = "cooldown"
    loaded = phase != "cooldown"
    load_s = t_s + soak_s + 20.0
    rise_k = power_w * 0.125 * (1 - np.exp(-np.clip(load_s, 0, None) / 14.0))
    fall_k = 24.0 * np.exp(-(t_s + before_s) / 35.0)
    temp = np.where(loaded, start_c + rise_k, start_c + fall_k)
    noise = rng.normal(0, 1, t_s.size)
    columns: dict[str, Any] = {
        name: np.full(t_s.size, np.nan) for name in TELEMETRY.names if name not in {"phase", "gap"}
    }
    columns |= {
        "t_s": t_s,
        "phase": phase,
        "gap": np.zeros(t_s.size, dtype=bool),
        "read_ms": np.abs(noise) + 1.0,
        "cpu_load_pct": np.where(loaded, 34.0, 3.0) + noise,
        "ambient_temp_c": np.full(t_s.size, ambient_c),
        "limit_reasons": pd.array([None] * t_s.size, dtype="Int64"),
    }
    if made.card_telemetry:
        columns |= {
            "power_w": np.where(loaded, power_w, 28.0) + 3 * noise,
            "core_temp_c": np.round(temp),
            "core_clock_mhz": np.where(loaded, clock_mhz, 210.0) + np.round(noise) * 7.5,
            "fan_rpm": np.where(loaded, fan_rpm, 600.0) + 9 * noise,
            "gpu_load_pct": np.where(loaded, 98.0, 0.0),
        }
    return pd.DataFrame(columns)[TELEMETRY.names]


@pytest.fixture(scope="session")
def campaign_maker() -> Callable[[MadeCampaign], Path]:
    return make_campaign


@pytest.fixture(scope="session")
def made_campaign_type() -> type[MadeCampaign]:
    return MadeCampaign


@pytest.fixture(scope="session")
def small_campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three titles, four profiles, three repeats, windows of 6 s."""
    titles = dict(list(TITLES.items())[:3])
    folder = tmp_path_factory.mktemp("small") / "night-one"
    return make_campaign(MadeCampaign(folder, titles=titles, repeats=3, measure_s=6.0))


@pytest.fixture(scope="session")
def small_report(small_campaign: Path) -> Path:
    """The small campaign with its report written."""
    from harness.report import write_report

    write_report(small_campaign)
    return small_campaign


if __name__ == "__main__":
    repeats = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    print(make_campaign(MadeCampaign(Path(sys.argv[1]), repeats=repeats)))
