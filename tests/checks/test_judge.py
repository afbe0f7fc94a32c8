"""Each check fires on its fault, with its reason, and stays silent on clean attempts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pyarrow as pa
import pytest
from scipy.signal import lfilter

from harness.checks import CHECKS, CODES, AttemptEvidence, judge, telemetry_evidence
from harness.checks.steadiness import deviations, usual_scatter
from harness.frames.metrics import per_second_fps
from harness.lines import missing_lines
from harness.plan.checks_table import CheckCode, Checks

DEFAULTS = Checks()
WINDOW_S = 60.0


def frames(
    seed: int,
    *,
    rate: float = 90.0,
    seconds: float = WINDOW_S,
    shift_s: float = 0.0,
    slow_from_s: float = 1e9,
    slow: float = 1.0,
) -> np.ndarray:
    """Frame times of a clean window: scenes, correlated noise, delayed frames, a little run-to-run spread."""
    draw = np.random.default_rng(seed)
    count = int(rate * seconds * 1.6)
    noise = lfilter([0.527], [1, -0.85], draw.normal(0, 1, count))
    usual_ms = 1000 / rate * float(np.exp(draw.normal(0, 0.004)))
    levels = np.exp(0.14 * np.random.default_rng(7).standard_normal(7))
    times_ms = np.full(count, usual_ms)
    for _ in range(6):  # the scene that a frame belongs to depends on when it comes
        t_s = np.cumsum(times_ms) / 1000
        scenes = levels[((shift_s + t_s) // 8.57).astype(int) % 7]
        times_ms = usual_ms * scenes * np.exp(0.04 * noise) * np.where(t_s > slow_from_s, slow, 1.0)
    late = draw.random(count) < 0.025
    times_ms[late] += 6 * (1 + draw.pareto(5, int(late.sum())))
    return times_ms[: int(np.searchsorted(np.cumsum(times_ms), 1000 * seconds))]


def clean(seed: int = 1, **changes: Any) -> AttemptEvidence:
    draw = np.random.default_rng(10_000 + seed)
    frametime_ms = frames(seed, rate=float(draw.uniform(45, 160)) if seed % 2 else 90.0)
    fps = frametime_ms.size / WINDOW_S
    evidence = AttemptEvidence(
        frametime_ms=frametime_ms,
        has_frame_log=True,
        planned_s=WINDOW_S,
        measured_s=WINDOW_S,
        running_s=WINDOW_S + 75,
        log_span_s=WINDOW_S + float(draw.uniform(0, 60)),
        frame_rows_read=frametime_ms.size + 900,
        dropped_rows={"first row": 1},
        telemetry_gap_s=0.0,
        foreign_cpu_load_pct=float(draw.uniform(0, 4)),
        idle_gpu_load_pct=float(draw.uniform(0, 6)),
        gpu_programs={"compositor": 1.0, "browser": 0.5},
        usual_gpu_programs={"compositor": 0.5},
        mean_gpu_load_pct=float(draw.uniform(80, 99)),
        limit_reasons=draw.choice([0x0, 0x4], 600),
        start_temp_c=float(draw.integers(47, 50)),
        usual_start_temp_c=48,
        ambient_temp_c=23 + float(draw.normal(0, 0.4)),
        first_ambient_temp_c=23,
        memory_use_pct={"main memory": 60.0, "the card's memory": 80.0},
        average_fps=fps,
        other_fps=[fps * float(np.exp(draw.normal(0, 0.005))) for _ in range(int(draw.integers(0, 5)))],
        clock_mhz=1900 + draw.normal(0, 8, int(WINDOW_S)),
    )
    return replace(evidence, **changes)


def others(rate: float = 90.0, count: int = 2, shift_s: float = 0.0) -> list[np.ndarray]:
    return [per_second_fps(frames(500 + index, rate=rate, shift_s=shift_s)) for index in range(count)]


def with_stutters(frametime_ms: np.ndarray, places: np.ndarray) -> np.ndarray:
    times_ms = frametime_ms.copy()
    times_ms[(places * times_ms.size).astype(int)] += 60
    return times_ms


def capped(frametime_ms: np.ndarray, rate: float) -> np.ndarray:
    jitter_ms = np.random.default_rng(3).normal(0, 0.03, frametime_ms.size)
    return np.maximum(frametime_ms, 1000 / rate) + jitter_ms


BASE = clean(2)
F = BASE.frametime_ms
FAULTS: list[tuple[str, dict[str, Any]]] = [
    ("driver-reset", {"driver_reset": "the card's energy counter went back"}),
    ("driver-error", {"driver_error": "the driver reported a critical error of the card (its number 31)"}),
    ("memory-exhausted", {"memory_use_pct": {"the card's memory": 99.5}}),
    ("expected-line", {"missing_lines": ("2560x1440",)}),
    ("profile-not-in-force", {"profile_messages": ("clock 1980 MHz is above the ceiling of 1905 MHz",)}),
    ("window-short", {"measured_s": 41.0, "frametime_ms": F[: int(0.68 * F.size)]}),
    ("frame-log-unit", {"log_span_s": 0.09}),
    ("frame-log-unit", {"log_span_s": 88_000.0}),
    ("frame-log-missing", {"frametime_ms": np.empty(0)}),
    ("frame-log-too-long", {"log_span_s": 260.0}),
    ("frame-log-not-monotonic", {"frametime_ms": np.where(np.arange(F.size) == 77, -3.0, F)}),
    ("frame-log-dropped-rows", {"dropped_rows": {"unreadable": 200}}),
    ("frame-log-doubtful-rows", {"doubtful_pct": {"1 % low": 1.7}}),
    ("frame-log-repeated", {"frametime_ms": np.repeat(F[: F.size // 2], 2)}),
    ("frame-log-repeated", {"frametime_ms": np.concatenate([F[: F.size // 2], F[: F.size // 2]])}),
    ("frame-log-repeated", {"frametime_ms": np.concatenate([F[:4000], np.full(1400, F[4000])])}),
    ("frame-log-short", {"frametime_ms": F[: int(0.8 * F.size)]}),
    ("long-pause", {"frametime_ms": np.where(np.arange(F.size) == 900, 7000.0, F)}),
    ("foreign-cpu-load", {"foreign_cpu_load_pct": 31.0}),
    ("foreign-gpu-load", {"idle_gpu_load_pct": 60.0}),
    ("foreign-gpu-load", {"gpu_programs": {"encoder": 30.0}}),
    ("foreign-gpu-load", {"gpu_programs": {"encoder": None}}),
    ("limit-reasons", {"limit_reasons": np.array([0x4] * 90 + [0x24] * 10)}),
    ("limit-reasons", {"limit_reasons": np.array([0x4] * 90 + [0x80] * 10)}),
    ("telemetry-gap", {"telemetry_gap_s": 6.0}),
    ("telemetry-gap", {"core_quantities": [("core_temp_c",)], "reading_gaps_s": {"core_temp_c": 3.0}}),
    ("telemetry-gap", {"core_quantities": [("energy_j", "power_w")]}),
]
MARKED: list[tuple[str, dict[str, Any]]] = [
    ("start-temperature", {"start_temp_c": 55.0}),
    ("ambient-temperature", {"ambient_temp_c": 28.0}),
    ("frame-cap", {"frametime_ms": capped(F, 60)}),
    ("frame-cap", {"frametime_ms": np.ceil(F / (1000 / 144)) * (1000 / 144)}),
    ("readings-missing", {"reading_gaps_s": {"sound_level_dba": 60.0}}),
    ("power-disputed", {"power_dispute": "the energy counter gives 594.0 W, the power reading 514.0 W"}),
    ("power-on-rhythm", {"power_on_rhythm": "50.0 FPS is the rhythm by which the sensor looks"}),
    ("unsteady", {"frametime_ms": frames(2, slow_from_s=35, slow=1.12), "other_courses": others()}),
    ("unsteady", {"frametime_ms": frames(2, slow_from_s=10, slow=1.10), "other_courses": others()}),
    ("unsteady", {"frametime_ms": frames(2, slow_from_s=30, slow=1.15), "other_courses": others(shift_s=11)}),
    ("unsteady", {"clock_mhz": np.concatenate([np.full(35, 1900.0), np.full(25, 1750.0)])}),
    ("unsteady", {"frametime_ms": with_stutters(F, np.random.default_rng(5).random(40) ** 4)}),
    ("outlier", {"average_fps": 80.0, "other_fps": [90.0, 90.4, 89.9, 90.2]}),
]  # fmt: skip


def test_a_clean_attempt_is_accepted_without_marks():
    judgement = judge(BASE, DEFAULTS)
    assert (judgement.accepted, judgement.reason_code, judgement.reason, judgement.marks) == (
        True,
        None,
        None,
        (),
    )


def test_an_attempt_of_which_nothing_is_known_is_accepted():
    assert judge(AttemptEvidence(), DEFAULTS).accepted


@pytest.mark.parametrize(("code", "fault"), FAULTS)
def test_a_fault_rejects_the_attempt_with_its_own_reason(code: str, fault: dict[str, Any]):
    judgement = judge(replace(BASE, **fault), DEFAULTS)
    assert (judgement.accepted, judgement.reason_code) == (False, code)
    assert judgement.reason


@pytest.mark.parametrize(("code", "fault"), MARKED)
def test_what_is_only_unusual_is_marked_and_kept(code: str, fault: dict[str, Any]):
    judgement = judge(replace(BASE, **fault), DEFAULTS)
    assert judgement.accepted
    assert [mark.partition(":")[0] for mark in judgement.marks] == [code]


def test_every_check_has_a_fault_here():
    assert {code for code, _ in FAULTS + MARKED} == set(CODES)
    assert get_args(CheckCode) == CODES
    assert all(check.meaning.endswith(".") for check in CHECKS)


def test_the_plan_decides_which_checks_only_mark():
    fault = replace(BASE, foreign_cpu_load_pct=31.0)
    lenient = judge(fault, Checks(mark_only=["foreign-cpu-load"]))
    assert lenient.accepted
    assert "31.0 %" in lenient.marks[0]
    strict = judge(replace(BASE, start_temp_c=55.0), Checks(mark_only=[]))
    assert strict.reason_code == "start-temperature"
    unsteady = replace(BASE, clock_mhz=np.concatenate([np.full(35, 1900.0), np.full(25, 1750.0)]))
    for rule in ("reject", "extend"):
        assert judge(unsteady, Checks(unsteady=rule)).reason_code == "unsteady"


def test_an_outlier_is_never_rejected():
    far = replace(BASE, average_fps=45.0, other_fps=[90.0, 90.4, 89.9, 90.2])
    assert judge(far, Checks(mark_only=[], unsteady="reject")).accepted


def test_a_few_repeats_that_lie_close_by_chance_do_not_make_the_next_one_far():
    close = replace(BASE, average_fps=92.0, other_fps=[90.0, 90.02, 89.99])
    assert "outlier" in judge(close, DEFAULTS).marks[0]
    assert judge(replace(close, usual_scatter=0.006), DEFAULTS).marks == ()
    assert judge(replace(close, usual_scatter=0.001), DEFAULTS).marks != ()


@pytest.mark.parametrize("noise", [0.004, 0.007, 0.012])
def test_of_a_thousand_clean_repeats_of_a_noisy_night_few_are_called_far(noise: float):
    # Ten cells of four repeats a night, every repeat against the other three; without the night's usual
    # scatter 1.7 % would be called far at a noise of 0.7 %, and 7 % at 1.2 %.
    draw = np.random.default_rng(11)
    far = 0
    for _ in range(25):
        night = {f"cell-{n}": (90 * np.exp(draw.normal(0, noise, 4))).tolist() for n in range(10)}
        for cell, values in night.items():
            usual = usual_scatter(night, cell)
            for place, value in enumerate(values):
                others = values[:place] + values[place + 1 :]
                far += abs(deviations(value, others, usual) or 0.0) > DEFAULTS.outlier_beyond_deviations
    assert far <= 10


#: Keys that are no check's limit.
OTHER_KEYS = ("mark_only", "unsteady", "remeasurements_at_most")
THRESHOLDS = [name for name in Checks.model_fields if name not in OTHER_KEYS]


@pytest.mark.parametrize("name", THRESHOLDS)
def test_a_threshold_set_to_false_silences_its_check(name: str):
    off = Checks.model_validate({name: False, "mark_only": []})
    on = Checks(mark_only=[])
    silenced = [
        code
        for code, fault in FAULTS + MARKED
        if _said(replace(BASE, **fault), on, code) and not _said(replace(BASE, **fault), off, code)
    ]
    assert silenced


def _said(evidence: AttemptEvidence, checks: Checks, code: str) -> bool:
    return any(check.rule(evidence, checks) for check in CHECKS if check.code == code)


def test_all_reasons_are_told_and_the_first_decides():
    judgement = judge(replace(BASE, foreign_cpu_load_pct=31.0, telemetry_gap_s=6.0), DEFAULTS)
    assert judgement.reason_code == "foreign-cpu-load"
    assert "31.0 %" in judgement.reason
    assert "6.0 s" in judgement.reason


def test_a_card_at_full_load_is_not_called_capped():
    at_cap = capped(np.full(3600, 1000 / 60), 60)
    assert judge(replace(BASE, frametime_ms=at_cap, mean_gpu_load_pct=99.0), DEFAULTS).marks == ()


def test_a_coarse_log_is_not_called_repeated():
    whole_ms = np.round(F)
    assert judge(
        replace(BASE, frametime_ms=whole_ms[: int(F.size * F.sum() / whole_ms.sum())]), DEFAULTS
    ).accepted


@pytest.mark.parametrize(
    "first", [0, *(pytest.param(first, marks=pytest.mark.endurance) for first in (250, 500, 750))]
)
def test_a_thousand_clean_attempts_raise_no_false_alarm(first: int):
    # Half of the attempts have a rate of their own; the other half have two other repeats of their cell,
    # which began elsewhere in the same scenes.
    alarms = []
    reference = others(count=2)
    for seed in range(first, first + 250):
        evidence = clean(seed)
        if seed % 2 == 0:
            shift_s = float(np.random.default_rng(seed).uniform(0, 10))
            evidence = replace(evidence, frametime_ms=frames(seed, shift_s=shift_s), other_courses=reference)
        judgement = judge(evidence, DEFAULTS)
        if not judgement.accepted or judgement.marks:
            alarms.append((seed, judgement.reason_code, judgement.marks))
    assert alarms == []


def test_patterns_that_no_line_matches_are_named():
    output = "start\nmode 2560x1440 at 144 Hz\nend\n"
    assert missing_lines(output, ["2560 ?x ?1440", "^end$", "3840x2160"]) == ("3840x2160",)


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([2, 2, None, 2], None),
        ([0, 0, None, 1], "a critical error of the card (its number 31)"),
        ([2, 2, 3, 4], "2 critical errors of the card (its number 31)"),
    ],
)
def test_only_driver_errors_of_this_attempt_count(counts: list[int | None], words: str | None):
    table = pa.table(
        {"t_s": [-5.0, 0.0, 5.0, 10.0], "driver_errors": counts, "driver_error_code": [None, None, 79, 31]}
    )
    said = telemetry_evidence(AttemptEvidence(), table, 10.0).driver_error
    assert said is None if words is None else said.endswith(words)


def test_telemetry_tells_load_before_the_launch_limit_reasons_memory_and_a_reset():
    table = pa.table(
        {
            "t_s": [-9.0, -8.0, -7.0, 1.0, 2.0, 3.0],
            "phase": ["cooldown", "cooldown", "cooldown", "measure", "measure", "measure"],
            "gpu_load_pct": [90.0, 40.0, 60.0, 99.0, 99.0, 99.0],
            "limit_reasons": [1, 1, 1, 4, 4, 0x24],
            "memory_used_mib": [100.0] * 5 + [900.0],
            "energy_j": [10.0, 11.0, 12.0, 13.0, 2.0, 3.0],
            "core_clock_mhz": [210.0, 210.0, 210.0, 1900.0, None, 1910.0],
        }
    )
    found = telemetry_evidence(AttemptEvidence(), table, 10.0, {"memory_used_mib": 1000.0})
    assert found.idle_gpu_load_pct == pytest.approx((90 + 40 + 60) / 3)
    assert found.limit_reasons.tolist() == [4, 4, 0x24]
    assert found.memory_use_pct == {"main memory": 90.0}
    assert "went back" in found.driver_reset
    assert found.clock_mhz.tolist() == [1900.0, 1910.0]
    assert telemetry_evidence(AttemptEvidence(), pa.table({"t_s": [1.0]}), 10.0).memory_use_pct == {}
