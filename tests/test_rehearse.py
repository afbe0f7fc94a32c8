"""The outlook of a rehearsed night: forecast, phases, widths, warnings. Attempts are made by hand here."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from harness.plan.cells import expand
from harness.plan.night_tables import Limits
from harness.plan.schema import Conditions, Plan, PlanHead, ProfileSpec, SettingSpec, TitleSpec
from harness.rehearse import as_rehearsed, outlook
from harness.stages.cooldown import Cooldown
from harness.tables import ATTEMPT_COLUMNS

START = pd.Timestamp("2030-01-01 20:00", tz="UTC")


def plan_of(**parts: Any) -> Plan:
    head: dict[str, Any] = {"question": "Does it hold?", "repeats": 3, "reference": "factory"}
    cooldown = Cooldown(until_at_most_c=45, timeout_s=300)
    defaults: dict[str, Any] = {
        "plan": PlanHead(**head),
        "conditions": Conditions(cooldown=cooldown),
        "profiles": [ProfileSpec(name="factory"), ProfileSpec(name="quiet")],
        "titles": [TitleSpec(name="harbour-lights", workload="command", measure_s=60)],
    }
    return Plan(**{**defaults, **parts})


def attempts_of(*changes: dict[str, Any], count: int = 6) -> pd.DataFrame:
    """A night of ``count`` accepted attempts of 200 s each; ``changes`` alter the rows in turn."""
    rows = []
    for k in range(count):
        profile = ("factory", "quiet")[k % 2]
        row: dict[str, Any] = {column.name: None for column in ATTEMPT_COLUMNS}
        row |= {
            "cell_id": f"harbour-lights.default.{profile}",
            "title": "harbour-lights",
            "setting": "default",
            "profile": profile,
            "repeat_index": k // 2 + 1,
            "attempt_index": 1,
            "block": k // 2 + 1,
            "position": k + 1,
            "sentinel": False,
            "verdict": "accepted",
            "started_utc": START + pd.Timedelta(seconds=200 * k),
            "duration_s": 200.0,
            "cooldown_s": 50.0,
            "cooldown_end": "reached",
            "warm_up_s": 60.0,
            "warm_up_end": "time",
            "soak_s": 0.0,
            "soak_end": "none",
            "measured_s": 60.0,
            "start_temp_c": 45.0,
            "start_ambient_temp_c": 22.0,
            "max_core_temp_c": 70.0,
            "average_fps": 100.0 + 0.1 * (k % 3) - 3 * (k % 2),
            "limit_reasons": [],
        }
        row |= changes[k] if k < len(changes) else {}
        rows.append(row)
    table = pd.DataFrame(rows)
    numbers = ["duration_s", "cooldown_s", "measured_s", "start_temp_c", "max_core_temp_c"]
    return table.astype(dict.fromkeys(numbers, "float64"))


def test_phases_add_up_to_the_night_and_the_interval_holds_the_forecast():
    seen = outlook(plan_of(), attempts_of(), wanted=6)
    assert seen.expected_s == 1200
    assert sum(p.total_s for p in seen.phases.values()) == pytest.approx(1200)
    assert sum(p.share_pct for p in seen.phases.values()) == pytest.approx(100)
    assert seen.phases["start and end"].per_attempt_s == pytest.approx(30)
    assert seen.earliest_s < 1200 < seen.latest_s
    # 30 % of what the rig decides: 6 × (50 s cooldown + 30 s start and end); equal lengths, so no chance
    assert seen.latest_s - 1200 == pytest.approx(0.3 * 480)
    assert seen.warnings == ()


def test_a_night_of_uneven_and_failed_attempts_has_a_wider_interval():
    even = outlook(plan_of(), attempts_of(), wanted=6)
    uneven = outlook(plan_of(), attempts_of({"duration_s": 150.0}, {}, {"duration_s": 250.0}), wanted=6)
    failed = outlook(plan_of(), attempts_of({"verdict": "failed", "reason_code": "title-crashed"}), wanted=6)
    assert uneven.latest_s - uneven.expected_s > even.latest_s - even.expected_s
    assert failed.latest_s - failed.expected_s > even.latest_s - even.expected_s


def test_time_without_power_is_told_apart_from_attempts():
    attempts = attempts_of()
    attempts.loc[3:, "started_utc"] += pd.Timedelta(seconds=90)
    seen = outlook(plan_of(), attempts, wanted=6, machine_crashes=1)
    assert seen.phases["between attempts"].total_s == pytest.approx(90)
    assert any("crashed or rebooted once" in w for w in seen.warnings)


def test_a_cooldown_rule_that_can_not_be_met_is_told_with_one_that_can():
    late = {"cooldown_end": "timeout", "start_temp_c": 47.6, "start_ambient_temp_c": 29.0}
    (warning,) = outlook(plan_of(), attempts_of(*[late] * 6), wanted=6).warnings
    assert "6 of 6 attempts" in warning
    assert "air of 29 °C" in warning
    assert "until_at_most_c to 49" in warning


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"soak_end": "timeout"}, "soak rule was not met in time in 1 of 6"),
        (
            {"verdict": "rejected", "reason_code": "telemetry-gap", "reason": "3 s without telemetry"},
            "rejected for telemetry-gap",
        ),
        ({"max_core_temp_c": 86.0}, "86 °C, close to limits.core_temp_c of 88 °C"),
        ({"limit_reasons": ["software thermal slowdown"]}, "held its clock down in 1 of 6"),
    ],
)
def test_what_would_go_wrong_is_named_with_its_count(change, words):
    seen = outlook(plan_of(limits=Limits(core_temp_c=88)), attempts_of({}, {}, change), wanted=6)
    assert any(words in warning for warning in seen.warnings)


def test_failures_of_a_tuned_profile_point_at_its_tuning():
    crash = {"verdict": "failed", "reason_code": "title-crashed"}
    warnings = outlook(plan_of(), attempts_of({}, crash, {}, crash), wanted=6).warnings
    assert any("2 of 3 attempts under quiet failed (2 title-crashed)" in w for w in warnings)
    assert any("2 of 6 repeats were still missing" in w for w in warnings)


def test_uneven_start_temperatures_are_told_but_not_the_cold_first_start():
    cold_first = [{"start_temp_c": 30.0}]
    assert outlook(plan_of(), attempts_of(*cold_first), wanted=6).warnings == ()
    uneven = [{}, {"start_temp_c": 45.0}, {"start_temp_c": 52.0}]
    assert any("differ by 7 K" in w for w in outlook(plan_of(), attempts_of(*uneven), wanted=6).warnings)


@pytest.mark.parametrize(("limit_s", "word"), [(1000, "will"), (1250, "may"), (5000, None)])
def test_a_night_that_is_cut_off_is_told_beforehand(limit_s, word):
    warnings = outlook(plan_of(limits=Limits(night_ends_after_s=limit_s)), attempts_of(), wanted=6).warnings
    assert [w.split(" be cut")[0].split()[-1] for w in warnings if "cut off" in w] == ([word] if word else [])


def test_too_few_repeats_for_the_margin_are_told_with_the_count_that_would_do():
    noisy = [{"average_fps": fps} for fps in (100.0, 92.0, 97.0, 103.0, 104.0, 95.0)]
    seen = outlook(plan_of(), attempts_of(*noisy), wanted=6)
    assert any("may stay open" in w and "average FPS" in w for w in seen.warnings)


def test_an_outlook_is_json_without_nan():
    import json

    json.dumps(outlook(plan_of(), attempts_of(), wanted=6).as_json(), allow_nan=False)


def test_a_night_without_attempts_is_refused():
    with pytest.raises(ValueError, match="without attempts"):
        outlook(plan_of(), attempts_of().iloc[:0], wanted=6)


def test_lines_that_only_the_real_title_prints_are_not_expected_in_a_rehearsal():
    setting = SettingSpec(name="1440p", expect_lines=["2560 ?x ?1440"])
    title = TitleSpec(
        name="harbour-lights", workload="command", expect_lines=["renderer: fast"], settings=[setting]
    )
    plan = plan_of(titles=[title])
    rehearsed = as_rehearsed(plan)
    assert [cell.title.expect_lines for cell in expand(rehearsed)] == [[], []]
    assert [cell.title.expect_lines for cell in expand(plan)] == [["2560 ?x ?1440"]] * 2
    same = [(cell.cell_id, cell.definition_hash) for cell in expand(plan)]
    assert [(cell.cell_id, cell.definition_hash) for cell in expand(rehearsed)] == same
