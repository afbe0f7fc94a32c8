from __future__ import annotations

from typing import Any

import pytest

from harness.plan.night_tables import Retries
from harness.plan.schema import Slot
from harness.store.campaign_state import standing, unstable_profiles
from harness.store.causes import AttemptFact
from harness.store.changes import compare

RETRIES = Retries(attempts_per_repeat=3, set_aside_after_crashes=2, set_aside_after_machine_crashes=2)


def fact(title: str = "harbour", profile: str = "quiet", verdict: str = "failed", **more: Any) -> AttemptFact:
    values = {
        "cell_id": f"{title}.default.{profile}",
        "title": title,
        "profile": profile,
        "definition_hash": "now",
        "repeat_index": 1,
        "sentinel": False,
        "verdict": verdict,
        "reason_code": None,
        **more,
    }
    return AttemptFact(**values)


def crash(title: str = "harbour", profile: str = "quiet", **more: Any) -> AttemptFact:
    return fact(title, profile, **{"reason_code": "title-crashed", **more})


def loss(title: str = "harbour", profile: str = "quiet") -> AttemptFact:
    return fact(title, profile, "interrupted", reason_code="rig-lost")


def stand(attempts: list[AttemptFact]) -> Any:
    cells = [f"{t}.default.{p}" for t in ("harbour", "road") for p in ("factory", "quiet")]
    slots = [Slot(position=n, block=1, cell_id=c, repeat_index=1) for n, c in enumerate(cells, start=1)]
    names = {c: (c.split(".")[0], c.split(".")[2]) for c in cells}
    return standing(slots, dict.fromkeys(cells, "now"), names, attempts, RETRIES)


def test_two_crashes_of_a_title_set_the_profile_aside_for_that_title_only():
    found = stand([fact("harbour", "factory", "accepted"), crash(), crash(reason_code="title-hung")])
    (entry,) = found.set_aside
    assert (entry.profile, entry.title, entry.crash_count, entry.title_at_fault) == (
        "quiet",
        "harbour",
        2,
        False,
    )
    assert [slot.cell_id for slot in found.remaining] == ["road.default.factory", "road.default.quiet"]
    assert found.missing == ()


@pytest.mark.parametrize("code", ["driver-error", "driver-reset"])
def test_driver_errors_speak_of_a_profiles_instability_as_crashes_do(code: str):
    met = fact("harbour", "quiet", "rejected", reason_code=code)
    (entry,) = stand([fact("harbour", "factory", "accepted"), crash(), met]).set_aside
    assert entry.reason == (
        "harbour crashed or met a driver error twice under profile quiet; set aside for this title"
    )


def test_two_losses_of_the_rig_set_the_profile_aside_for_every_title():
    found = stand([loss("harbour"), loss("road")])
    (entry,) = found.set_aside
    assert (entry.profile, entry.title, entry.crash_count) == ("quiet", None, 2)
    assert {slot.cell_id for slot in found.remaining} == {"harbour.default.factory", "road.default.factory"}


def test_a_loss_under_one_profile_and_one_under_another_sets_nothing_aside():
    assert stand([loss(profile="quiet"), loss(profile="factory")]).set_aside == ()


def test_a_title_that_crashes_under_every_profile_is_told_as_the_titles_fault():
    entries = unstable_profiles([crash(profile=p) for p in ("quiet", "quiet", "factory", "factory")], RETRIES)
    assert [entry.title_at_fault for entry in entries] == [True, True]
    assert "look at the title first" in entries[0].reason


def test_crashes_under_a_definition_that_was_changed_do_not_count_any_more():
    old = [crash(definition_hash="before"), crash(definition_hash="before")]
    found = stand(old)
    assert found.set_aside == ()
    assert len(found.remaining) == 4


def test_a_repeat_is_given_up_after_its_tries_and_interruptions_without_blame_use_none_up():
    blameless = [
        fact(verdict="interrupted", reason_code=code)
        for code in ("program-lost", "interrupt", "disk-full", "storage", "stop")
    ]
    rejected = [fact(verdict="rejected", reason_code="telemetry-gap")] * 2
    assert "harbour.default.quiet" in [s.cell_id for s in stand(blameless + rejected).remaining]
    found = stand([*blameless, *rejected, fact(verdict="failed", reason_code="deadline")])
    assert [r.slot.cell_id for r in found.missing] == ["harbour.default.quiet"]
    assert found.missing[0].attempts == 8
    assert found.missing[0].tries == 3


def test_an_accepted_repeat_stays_accepted_when_its_profile_is_set_aside_later():
    found = stand([fact(verdict="accepted"), loss("road"), loss("road")])
    assert found.accepted_count == 1
    assert found.repeats[1].accepted
    assert not found.repeats[1].set_aside


def test_a_plan_change_tells_kept_remeasured_orphaned_and_new_cells_and_what_is_discarded():
    change = compare(
        {"a": "1", "b": "1", "c": "1", "d": "1"},
        {"a": "1", "b": "2", "e": "1", "d": "2"},
        {("a", "1"): 3, ("b", "1"): 2, ("c", "1"): 1},
    )
    assert (change.kept, change.remeasured, change.orphaned, change.added) == (
        ("a",),
        ("b", "d"),
        ("c",),
        ("e",),
    )
    assert change.discarded_repeats == {"b": 2, "c": 1}
    assert change.discards_work
    assert "  b (2 accepted repeats would no longer count)" in change.lines()
    assert "  d" in change.lines()
