"""The order of the night is balanced, reproducible, and complete.

The balance property is that of E. J. Williams, Aust. J. Sci. Res. A 2, 149-168, 1949: n rows for even n,
2n for odd n; each ordered pair of neighbours equally often, each treatment equally often in each place.
Published squares agree only up to labels and row order, so the property is tested and not the letters.
"""

from __future__ import annotations

import itertools
from collections import Counter
from typing import Any

import pytest

from harness.plan.cells import expand
from harness.plan.night_tables import Sentinels
from harness.plan.order import arrange, williams_rows
from harness.plan.schema import Plan, Slot


def plan_of(titles: int = 3, profiles: int = 2, repeats: int = 3, **head: Any) -> Plan:
    names = [f"p{index}" for index in range(profiles)]
    return Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": repeats, "reference": "p0", **head},
            "profiles": [{"name": name} for name in names],
            "titles": [{"name": f"t{index}", "workload": "scene"} for index in range(titles)],
        }
    )


def night(plan: Plan) -> tuple[Slot, ...]:
    return arrange(plan, expand(plan))


def blocks_of(slots: tuple[Slot, ...], title: str) -> list[list[str]]:
    blocks: dict[int, list[str]] = {}
    for slot in slots:
        name, _, profile = slot.cell_id.split(".")
        if name == title:
            blocks.setdefault(slot.block, []).append(profile)
    return list(blocks.values())


@pytest.mark.parametrize(
    ("n", "rows", "each_pair"),
    [(2, 2, 1), (3, 6, 2), (4, 4, 1), (5, 10, 2), (6, 6, 1), (7, 14, 2), (8, 8, 1)],
)
def test_each_profile_follows_each_other_equally_often_and_stands_in_each_place_equally_often(
    n: int, rows: int, each_pair: int
):
    design = williams_rows(n)
    assert len(design) == rows
    pairs = Counter(pair for row in design for pair in itertools.pairwise(row))
    assert len(pairs) == n * (n - 1)
    assert set(pairs.values()) == {each_pair}
    for place in range(n):
        assert Counter(row[place] for row in design) == Counter(dict.fromkeys(range(n), rows // n))


def test_one_profile_needs_no_balance():
    assert williams_rows(1) == [[0]]


@pytest.mark.parametrize(("profiles", "repeats"), [(2, 2), (2, 4), (3, 6), (4, 4), (5, 10)])
def test_each_title_of_a_balanced_night_has_the_property_when_the_repeats_allow_it(
    profiles: int, repeats: int
):
    slots = night(plan_of(titles=2, profiles=profiles, repeats=repeats))
    for title in ("t0", "t1"):
        blocks = blocks_of(slots, title)
        pairs = Counter(pair for block in blocks for pair in itertools.pairwise(block))
        assert len(set(pairs.values())) == 1
        assert len(pairs) == profiles * (profiles - 1)
        places = [Counter(block[place] for block in blocks) for place in range(profiles)]
        assert all(len(set(place.values())) == 1 for place in places)


def test_titles_with_an_odd_number_of_repeats_are_balanced_over_two_titles():
    slots = night(plan_of(titles=2, profiles=2, repeats=3))
    first = Counter(block[0] for title in ("t0", "t1") for block in blocks_of(slots, title))
    assert first == {"p0": 3, "p1": 3}


def test_a_night_that_ends_early_has_measured_all_cells_equally_often_up_to_one():
    slots = night(plan_of(titles=4, profiles=3, repeats=5))
    cells = {slot.cell_id for slot in slots}
    for end in range(1, len(slots) + 1):
        done = Counter(slot.cell_id for slot in slots[:end])
        counts = [done[cell] for cell in cells]
        assert max(counts) - min(counts) <= 1


@pytest.mark.parametrize("order", ["balanced", "shuffled", "as-listed"])
def test_every_order_holds_each_wanted_repeat_once_and_numbers_its_places(order: str):
    plan = plan_of(titles=3, profiles=3, repeats=4, order=order)
    slots = night(plan)
    wanted = {(cell.cell_id, repeat) for cell in expand(plan) for repeat in range(1, 5)}
    assert {(slot.cell_id, slot.repeat_index) for slot in slots} == wanted
    assert [slot.position for slot in slots] == list(range(1, len(wanted) + 1))
    for block in {slot.block for slot in slots}:
        members = [slot for slot in slots if slot.block == block]
        assert len({slot.repeat_index for slot in members}) == 1
        assert len({slot.cell_id for slot in members}) == 3
        assert len({slot.cell_id.rsplit(".", 1)[0] for slot in members}) == 1


def test_balanced_blocks_run_without_interruption_and_in_order():
    slots = night(plan_of(titles=3, profiles=3, repeats=4))
    assert [slot.block for slot in slots] == sorted(slot.block for slot in slots)


def test_a_shuffled_night_follows_its_seed_and_nothing_else():
    import random

    random.seed(1)
    first = night(plan_of(order="shuffled", seed=7))
    random.seed(2)
    assert night(plan_of(order="shuffled", seed=7)) == first
    assert night(plan_of(order="shuffled", seed=8)) != first


def test_as_listed_keeps_each_cells_repeats_together():
    slots = night(plan_of(titles=1, profiles=2, repeats=2, order="as-listed"))
    assert [(slot.cell_id, slot.repeat_index) for slot in slots] == [
        ("t0.default.p0", 1),
        ("t0.default.p0", 2),
        ("t0.default.p1", 1),
        ("t0.default.p1", 2),
    ]


def test_sentinels_stand_first_last_and_after_every_so_many_repeats_and_change_nothing_else():
    plain = plan_of(titles=3, profiles=2, repeats=3)
    watched = plain.model_copy(update={"sentinels": Sentinels(every=6)})
    slots = night(watched)
    assert [slot.position for slot in slots if slot.sentinel] == [1, 8, 15, 22]
    assert {slot.cell_id for slot in slots if slot.sentinel} == {"t0.default.p0"}
    kept = [slot for slot in slots if not slot.sentinel]
    assert [(s.cell_id, s.repeat_index, s.block) for s in kept] == [
        (s.cell_id, s.repeat_index, s.block) for s in night(plain)
    ]
    assert [slot.position for slot in slots] == list(range(1, len(slots) + 1))
    assert len({(slot.cell_id, slot.repeat_index) for slot in slots}) == len(slots)


def test_a_sentinel_is_the_reference_profile_on_the_title_and_setting_that_the_plan_names():
    plan = plan_of(titles=3, profiles=2, reference="p1").model_copy(
        update={"sentinels": Sentinels(every=5, title="t2")}
    )
    assert {slot.cell_id for slot in night(plan) if slot.sentinel} == {"t2.default.p1"}
