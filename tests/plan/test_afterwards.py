"""What a plan changed of the question when results could be known."""

from harness.plan.afterwards import chosen_afterwards
from harness.plan.schema import Plan


def plan(**head) -> Plan:
    return Plan.model_validate(
        {
            "plan": {"question": "?", "repeats": 5, "reference": "factory", **head},
            "profiles": [{"name": "factory"}, {"name": "quiet"}],
            "titles": [{"name": "a", "workload": "command"}],
        }
    )


def test_what_decides_a_verdict_is_told_with_what_it_was_before():
    now = plan(margin_pct=5, primary_metrics=["score"], name="other name")
    assert chosen_afterwards(plan(), now) == (
        "margin 5 % (before: 3 %)",
        "primary metrics score (before: average_fps, one_percent_low_fps)",
    )
    assert chosen_afterwards(plan(), plan(question="!", blank="factory-again")) == ()


def test_more_repeats_after_a_look_are_told_and_an_extension_with_room_is_not():
    assert "raised or lowered after a look" in chosen_afterwards(plan(), plan(repeats=8))[0]
    kept = plan(may_extend_once=True)
    assert chosen_afterwards(kept, plan(may_extend_once=True, extended_to=9)) == ()
    assert "kept room" in chosen_afterwards(plan(), plan(may_extend_once=True, extended_to=9))[0]


def test_a_blank_is_a_profile_with_the_references_keys():
    with_blank = plan(blank="factory-again")
    assert [profile.name for profile in with_blank.profiles] == ["factory", "quiet", "factory-again"]
    assert with_blank.profiles[2].control == with_blank.profiles[0].control
    again = Plan.model_validate(with_blank.model_dump())
    assert [profile.name for profile in again.profiles] == ["factory", "quiet", "factory-again"]
