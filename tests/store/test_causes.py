"""Which failures pause the night, set a cell aside, or use up a try: by the order of attempts alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.plan.night_tables import Retries
from harness.plan.schema import Slot
from harness.store import causes
from harness.store.campaign_state import Standing, standing, unstable_in_the_end
from harness.store.causes import AttemptFact

TITLES, PROFILES = ("harbour", "road", "salt", "quay"), ("factory", "quiet")
CELLS = [f"{title}.default.{profile}" for title in TITLES for profile in PROFILES]
CONTROLS = {cell: "factory" if cell.endswith("factory") else "tuning" for cell in CELLS}


def attempt(cell: str, code: str | None = None, run: int = 1, ended: int = 0, repeat: int = 1) -> AttemptFact:
    """One attempt; accepted without a code. ``ended``: orderly ends of runs before its own."""
    title, _, profile = cell.split(".")
    return AttemptFact(
        cell_id=cell,
        title=title,
        profile=profile,
        definition_hash="now",
        repeat_index=repeat,
        sentinel=False,
        verdict="accepted" if code is None else "failed",
        reason_code=code,
        reason=None if code is None else "the folder is not there",
        session=run,
        round=ended,
    )


def stand(attempts: list[AttemptFact], run: int = 1, ended: int = 0, cells: Any = CELLS) -> Standing:
    slots = [Slot(position=n, block=1, cell_id=c, repeat_index=1) for n, c in enumerate(cells, start=1)]
    names = {c: (c.split(".")[0], c.split(".")[2]) for c in cells}
    return standing(
        slots,
        dict.fromkeys(cells, "now"),
        names,
        attempts,
        Retries(attempts_per_repeat=1),
        controls=CONTROLS,
        session=run,
        orderly_ends=ended,
    )


FIRST = [f"{title}.default.factory" for title in TITLES]
QUIET = [f"{title}.default.quiet" for title in TITLES]


def test_three_titles_that_fail_alike_in_a_row_pause_the_night_and_use_up_no_try():
    two = stand([attempt(cell, "launch-failed") for cell in FIRST[:2]])
    assert [cell.cell_id for cell in two.cells_set_aside] == FIRST[:2]
    assert two.shared_cause is None
    assert [r.slot.cell_id for r in two.repeats if r.exhausted] == FIRST[:2]
    three = stand([attempt(cell, "launch-failed") for cell in FIRST[:3]])
    assert three.shared_cause is not None
    assert "3 cells failed alike" in three.shared_cause.sentence()
    assert "the folder is not there" in three.shared_cause.sentence()
    assert not any(r.exhausted for r in three.repeats)
    assert len(three.remaining) == len(CELLS)


@pytest.mark.parametrize(
    ("name", "attempts"),
    [
        ("one accepted between", [*FIRST[:2], None, *FIRST[2:]]),
        ("one title only", CELLS[:2]),
        ("two titles of four", CELLS[:4]),
    ],
)
def test_less_than_that_pauses_nothing(name, attempts):
    made = [attempt(QUIET[0]) if cell is None else attempt(cell, "launch-failed") for cell in attempts]
    assert stand(made).shared_cause is None, name


@pytest.mark.parametrize("code", ["title-crashed", "rig-lost", "unsteady", "frame-cap", "frame-log"])
def test_crashes_findings_of_checks_and_missing_logs_pause_nothing(code):
    found = stand([attempt(cell, code) for cell in FIRST])
    assert found.shared_cause is None


def test_two_titles_are_enough_where_the_plan_has_no_more():
    cells = CELLS[:4]
    assert stand([attempt(c, "launch-failed") for c in cells[:3]], cells=cells).shared_cause is not None


def test_a_refused_control_pauses_though_other_controls_work_between_but_not_where_it_works_itself():
    refused = [one for n in range(3) for one in (attempt(FIRST[n]), attempt(QUIET[n], "profile-refused"))]
    assert stand(refused).shared_cause is not None
    works = [*refused[:4], attempt(QUIET[3]), *refused[4:]]
    assert stand(works).shared_cause is None


def test_a_kill_changes_nothing_and_an_orderly_end_offers_all_again():
    failed = [attempt(cell, "launch-failed") for cell in FIRST[:2]]
    killed = stand([*failed, attempt(FIRST[2], "launch-failed", run=2)], run=2)
    assert killed.shared_cause is not None
    ended = stand([attempt(cell, "launch-failed") for cell in FIRST[:3]], run=2, ended=1)
    assert ended.shared_cause is None
    assert len(ended.remaining) == len(CELLS)
    assert [cell.cell_id for cell in ended.offered_again] == FIRST[:3]


def test_a_pause_that_a_kill_forestalled_does_not_come_before_the_next_run_has_tried():
    failed = [attempt(cell, "launch-failed") for cell in FIRST[:3]]
    assert stand(failed, run=2).shared_cause is None
    assert stand([*failed, attempt(FIRST[0], "launch-failed", run=2)], run=2).shared_cause is not None
    assert stand([*failed, attempt(FIRST[0], run=2)], run=2).shared_cause is None


def test_a_permanent_failure_sets_its_cell_aside_for_this_run_and_uses_up_no_try():
    made = [attempt(FIRST[0], "launch-failed-permanent"), attempt(QUIET[1])]
    found = stand(made)
    assert [(c.cell_id, c.reason) for c in found.cells_set_aside] == [(FIRST[0], "the folder is not there")]
    assert FIRST[0] not in [slot.cell_id for slot in found.remaining]
    assert [r.slot.cell_id for r in found.missing] == [FIRST[0]]
    later = stand(made, run=2, ended=1)
    assert later.cells_set_aside == ()
    assert [c.cell_id for c in later.offered_again] == [FIRST[0]]
    assert FIRST[0] in [slot.cell_id for slot in later.remaining]
    done = stand([*made, attempt(FIRST[0], run=2, ended=1)], run=2, ended=1)
    assert done.offered_again == ()


def test_permanent_and_passing_failures_are_of_one_kind():
    codes = ["launch-failed", "launch-failed-permanent", "launch-failed"]
    found = stand([attempt(cell, code) for cell, code in zip(FIRST, codes, strict=False)])
    assert found.shared_cause is not None


def test_all_tries_of_one_repeat_that_fail_alike_set_a_cell_aside_that_was_never_measured():
    def tries(*codes: str | None, run: int = 1) -> Standing:
        cell = FIRST[0]
        made = [attempt(cell, code, run=1) for code in codes]
        slots = [Slot(position=n, block=n, cell_id=cell, repeat_index=n) for n in (1, 2)]
        return standing(
            slots,
            {cell: "now"},
            {cell: ("harbour", "factory")},
            made,
            Retries(attempts_per_repeat=2),
            session=run,
        )

    assert tries("frame-log").cells_set_aside == ()
    assert tries("frame-log", "score").cells_set_aside == ()
    assert tries("unsteady", "unsteady").cells_set_aside == ()
    assert tries("limit-unwatched", "limit-unwatched").cells_set_aside == ()  # no try: it was not read
    aside = tries("frame-log", "frame-log")
    assert [cell.cell_id for cell in aside.cells_set_aside] == [FIRST[0]]
    assert aside.remaining == ()
    assert len(aside.missing) == 2
    measured = [attempt(FIRST[0], repeat=2), attempt(FIRST[0], "frame-log"), attempt(FIRST[0], "frame-log")]
    assert stand(measured).cells_set_aside == ()
    later = tries("frame-log", "frame-log", run=2)
    assert later.cells_set_aside == ()


def lost(cell: str, run: int, ended: int = 0, launched: bool = True) -> AttemptFact:
    fact = attempt(cell, "program-lost", run, ended)
    return replace(fact, verdict="interrupted", launched=launched, reason="levelrig ended in phase measure")


def test_a_cell_at_which_levelrig_itself_ends_three_times_is_set_aside_and_the_others_go_on():
    cell = CELLS[0]
    two = [lost(cell, 1), lost(cell, 2)]
    assert stand(two, run=3).remaining[0].cell_id == cell
    # What fails for good in each start, between the losses, holds nothing up.
    three = [two[0], attempt(CELLS[1], "launch-failed-permanent", 2), two[1], lost(cell, 3)]
    found = stand(three, run=4)
    assert [c.cell_id for c in found.cells_set_aside] == [cell]
    assert "levelrig itself was ended 3 times" in found.cells_set_aside[0].reason
    assert cell not in [slot.cell_id for slot in found.remaining]
    assert len(found.remaining) == len(CELLS) - 1
    assert found.repeats[0].tries == 0


def test_losses_before_the_launch_or_with_an_accepted_repeat_between_set_nothing_aside():
    cell = CELLS[0]
    early = [lost(cell, run, launched=False) for run in (1, 2, 3, 4)]
    assert stand(early, run=5).cells_set_aside == ()
    between = [lost(cell, 1), lost(cell, 2), attempt(cell, run=3, repeat=2), lost(cell, 4)]
    assert stand(between, run=5).cells_set_aside == ()


def test_a_cell_that_ended_levelrig_is_offered_again_once_a_run_came_to_an_orderly_end():
    cell = CELLS[0]
    found = stand([lost(cell, run) for run in (1, 2, 3)], run=5, ended=1)
    assert found.cells_set_aside == ()
    assert found.remaining[0].cell_id == cell
    assert [c.cell_id for c in found.offered_again] == [cell]


def crashes(title: str, run: int, ended: int = 0) -> list[AttemptFact]:
    profiles = ("factory", "quiet")
    return [attempt(f"{title}.default.{p}", "title-crashed", run, ended) for p in profiles for _ in (1, 2)]


def test_a_title_that_crashed_under_every_profile_is_tried_again_by_the_next_run():
    """It may have been put right since; crashes under one profile only are a result and stay one."""
    first = [attempt("road.default.factory"), *[attempt("road.default.quiet", "title-crashed")] * 2]
    night = [*crashes("harbour", 1), *first]
    assert [(e.title, e.title_at_fault) for e in stand(night).set_aside] == [
        ("harbour", True),
        ("harbour", True),
        ("road", False),
    ]
    again = stand(night, run=2, ended=1)
    assert [(e.title, e.profile) for e in again.set_aside] == [("road", "quiet")]
    assert {"harbour.default.factory", "harbour.default.quiet"} <= {s.cell_id for s in again.remaining}
    assert [c.cell_id for c in again.offered_again] == ["harbour.default.factory", "harbour.default.quiet"]
    # It works now under the one profile and crashes under the other: that is a result.
    after = [
        attempt("harbour.default.factory", None, 2, 1),
        *[attempt("harbour.default.quiet", "title-crashed", 2, 1)] * 2,
    ]
    for ended in (1, 2):
        found = stand([*night, *after], run=ended + 1, ended=ended)
        assert [(e.title, e.profile, e.title_at_fault) for e in found.set_aside] == [
            ("harbour", "quiet", False),
            ("road", "quiet", False),
        ]
    assert unstable_in_the_end([*night, *after], Retries()) == found.set_aside


def test_a_title_that_was_not_put_right_is_set_aside_again():
    night = [*crashes("harbour", 1), *crashes("harbour", 2, 1)]
    found = stand(night, run=2, ended=1)
    assert [(e.title, e.crash_count, e.title_at_fault) for e in found.set_aside] == [("harbour", 2, True)] * 2
    assert unstable_in_the_end(night, Retries()) == found.set_aside


def test_a_lasting_failure_of_a_title_sets_its_setting_aside_under_every_profile():
    kin = {"quay.uhd.a": "quay.uhd", "quay.uhd.b": "quay.uhd", "quay.hd.a": "quay.hd", "salt.hd.a": "salt.hd"}
    made = [attempt("quay.uhd.a", "launch-failed-permanent")]
    assert set(causes.cells_set_aside(made, 1, 3, kin)) == {"quay.uhd.a", "quay.uhd.b"}
    refused = [attempt("quay.uhd.a", "profile-refused-permanent")]  # that is the profile's
    assert set(causes.cells_set_aside(refused, 1, 3, kin)) == {"quay.uhd.a"}
    assert causes.cells_set_aside(made, 2, 3, kin) == {}  # another run tries again


def test_two_whole_outputs_without_a_score_are_enough_whatever_the_profile():
    kin = {"quay.hd.a": "quay.hd", "quay.hd.b": "quay.hd"}
    one, two = attempt("quay.hd.a", "score"), attempt("quay.hd.b", "score")
    assert causes.cells_set_aside([one], 1, 3, kin) == {}
    assert set(causes.cells_set_aside([one, two], 1, 3, kin)) == set(kin)


def test_what_may_pass_keeps_all_its_tries():
    kin = {"quay.hd.a": "quay.hd", "quay.hd.b": "quay.hd"}
    for code in ("title-crash", "workload-failed", "foreign-cpu-load", "telemetry-gap", "frame-log-missing"):
        assert causes.cells_set_aside([attempt("quay.hd.a", code)] * 2, 1, 3, kin) == {}, code


def test_a_log_that_is_damaged_after_others_were_read_is_tried_again():
    kin = {"quay.hd.a": "quay.hd", "quay.hd.b": "quay.hd"}
    read, damaged = attempt("quay.hd.b"), attempt("quay.hd.a", "frame-log-permanent")
    assert causes.lasting_failures([read, damaged], kin) == frozenset()
    assert causes.cells_set_aside([read, damaged], 1, 3, kin) == {}
    assert causes.lasting_failures([damaged], kin) == {0}
    gone = attempt("quay.hd.a", "launch-failed-permanent")  # a program that is gone stays gone
    assert set(causes.cells_set_aside([read, gone], 1, 3, kin)) == set(kin)
