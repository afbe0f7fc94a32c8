"""Expansion is pure; ids are readable and stable; the hash follows what bears on the measurement."""

from __future__ import annotations

from typing import Any

import pytest

from harness.plan.cells import expand
from harness.plan.schema import Plan


def plan_of(**changes: Any) -> Plan:
    raw: dict[str, Any] = {
        "plan": {"question": "?", "repeats": 2, "reference": "factory"},
        "profiles": [{"name": "factory"}, {"name": "quiet", "control": "power", "power_limit_w": 200}],
        "titles": [
            {
                "name": "harbour",
                "workload": "command",
                "command": ["harbour"],
                "measure_s": 60,
                "settings": [{"name": "small"}, {"name": "large", "size": 2, "measure_s": 90}],
            }
        ],
    }
    for path, value in changes.items():
        *tables, key = path.split("__")
        place: Any = raw
        for table in tables:
            place = place[int(table)] if isinstance(place, list) else place.setdefault(table, {})
        place[key] = value
    return Plan.model_validate(raw)


def hashes(plan: Plan) -> dict[str, str]:
    return {cell.cell_id: cell.definition_hash for cell in expand(plan)}


def test_cells_are_title_setting_profile_in_the_order_of_the_plan():
    assert [cell.cell_id for cell in expand(plan_of())] == [
        "harbour.small.factory",
        "harbour.small.quiet",
        "harbour.large.factory",
        "harbour.large.quiet",
    ]


def test_a_cell_carries_what_its_setting_overrides():
    small, _, large, _ = expand(plan_of())
    assert (small.title.measure_s, large.title.measure_s) == (60, 90)
    assert large.workload_options == {"command": ["harbour"], "size": 2}


def test_hashes_differ_between_cells_and_repeat_between_calls():
    assert hashes(plan_of()) == hashes(plan_of())
    assert len(set(hashes(plan_of()).values())) == 4


@pytest.mark.parametrize(
    ("change", "value"),
    [
        ("plan__question", "another?"),
        ("plan__margin_pct", 1.0),
        ("plan__repeats", 5),
        ("plan__order", "shuffled"),
        ("profiles__1__label", "Quiet"),
        ("titles__0__label", "Harbour"),
        ("titles__0__deadline_s", 900),
        ("limits__core_temp_c", 88),
        ("conditions__warm_up", {"seconds": 0}),  # the default, stated
    ],
)
def test_what_does_not_bear_on_the_measurement_leaves_the_hashes_alone(change: str, value: Any):
    base = plan_of(conditions__warm_up={}) if "warm_up" in change else plan_of()
    assert hashes(plan_of(**{change: value})) == hashes(base)


@pytest.mark.parametrize(
    ("change", "value", "changed"),
    [
        ("profiles__1__power_limit_w", 201, 2),
        ("titles__0__command", ["harbour", "-x"], 4),
        ("titles__0__measure_s", 61, 2),
        ("titles__0__frame_log", {"path": "f.csv"}, 4),
        ("titles__0__warm_up", {"seconds": 30}, 4),
        ("conditions__cooldown", {"seconds": 30}, 4),
        ("conditions__temperature", "core_temp_c", 4),
        ("sampling__period_s", 0.2, 4),
    ],
)
def test_what_bears_on_the_measurement_changes_the_hashes_of_just_those_cells(
    change: str, value: Any, changed: int
):
    before, after = hashes(plan_of()), hashes(plan_of(**{change: value}))
    assert sum(before[cell_id] != after[cell_id] for cell_id in before) == changed


def test_the_hash_of_a_known_cell_never_changes_by_itself():
    # A change here means that every campaign of the past would be measured again: pinned on purpose.
    assert hashes(plan_of())["harbour.small.factory"] == "5bd3b3d9583def80"
