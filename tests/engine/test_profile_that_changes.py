"""A profile that does not stay in force: who did it, what becomes of the attempt, and that it comes back."""

from __future__ import annotations

import pytest

from harness.engine.campaign import Unguarded
from harness.engine.profiles import LostHold, ProfileKeeper, lost
from harness.errors import ControlRefused, Difference, NotInForce, ProfileLost
from harness.plan.schema import ProfileSpec
from harness.testing import RecordingControl

QUIET = ProfileSpec(name="quiet", control="dial", options={"power_limit_w": 200})
LOUD = ProfileSpec(name="loud", control="dial", options={"power_limit_w": 300})
FACTORY_W = 320


class Dial(RecordingControl):
    """A card with one setting, that others can turn too; ``stuck`` takes no value."""

    def __init__(self) -> None:
        super().__init__("dial", changes_hardware=True)
        self.watts, self.stuck = FACTORY_W, False

    def apply(self, profile):
        super().apply(profile)
        if not self.stuck:
            self.watts = profile.options["power_limit_w"]

    def read_back(self, profile):
        wanted = profile.options["power_limit_w"]
        if self.watts != wanted:
            difference = Difference("power limit", wanted, self.watts, FACTORY_W, "W")
            raise NotInForce(f"the limit is {self.watts} W", [difference])
        return {"power_limit_w": self.watts}

    def restore(self, snapshot):
        super().restore(snapshot)
        self.watts = FACTORY_W

    @property
    def applied(self) -> int:
        return sum("apply" in str(call) for call in self.calls)


@pytest.fixture
def dial():
    return Dial()


@pytest.fixture
def keeper(dial):
    return ProfileKeeper(lambda kind: dial, Unguarded(), allow_hardware_changes=True)


def test_a_change_by_another_program_is_named_with_both_values_and_the_attempt_does_not_count(keeper, dial):
    keeper.apply(QUIET)
    assert keeper.lost_hold(QUIET) is None
    dial.watts = 250
    lost_hold = keeper.lost_hold(QUIET)
    assert lost_hold == LostHold("profile-changed", "changed by another program: power limit 200 W → 250 W")
    assert keeper.apply(QUIET) == {"power_limit_w": 200}  # all of it again before the next attempt
    assert dial.applied == 2


def test_what_is_at_the_makers_value_again_was_lost_as_by_a_reset_or_suspend(keeper, dial):
    keeper.apply(QUIET)
    dial.watts = FACTORY_W
    lost_hold = keeper.lost_hold(QUIET)
    assert lost_hold is not None
    assert lost_hold.code == "profile-lost"
    assert "reset of the driver, a suspend" in lost_hold.why
    assert "power limit 200 W → 320 W" in lost_hold.why


def test_a_profile_that_never_took_hold_is_not_called_changed(keeper, dial):
    dial.stuck = True
    with pytest.raises(NotInForce) as caught:
        keeper.apply(QUIET)
    assert not isinstance(caught.value, ProfileLost)
    with pytest.raises(NotInForce):  # nor at the next look, while nothing has changed
        keeper.apply(QUIET)
    assert keeper.take_noticed() == []


def test_a_change_between_two_attempts_is_noticed_at_the_next_look_put_right_and_told_once(keeper, dial):
    keeper.apply(QUIET)
    dial.watts = 250
    assert keeper.apply(QUIET) == {"power_limit_w": 200}
    told = "profile quiet: changed by another program: power limit 200 W → 250 W; it was applied again"
    assert keeper.take_noticed() == [told]
    assert keeper.take_noticed() == []


def test_after_a_change_of_profile_the_one_before_is_nobodys_to_be_lost(keeper, dial):
    keeper.apply(QUIET)
    keeper.apply(LOUD)
    dial.stuck, dial.watts = True, 250
    keeper.forget()
    with pytest.raises(NotInForce):
        keeper.apply(LOUD)


def test_a_card_that_can_not_be_read_is_not_called_changed(keeper, dial, monkeypatch):
    keeper.apply(QUIET)

    def gone(profile):
        raise ControlRefused("the card is gone")

    monkeypatch.setattr(dial, "read_back", gone)
    assert keeper.lost_hold(QUIET) == LostHold("profile-lost", "the card is gone")


@pytest.mark.parametrize(
    ("differences", "by_another"),
    [
        ([Difference("power limit", 200, 320, 320, "W")], False),
        ([Difference("power limit", 200, 320, None, "W")], True),  # the maker's value is not known
        ([Difference("power limit", 200, 320, 320, "W"), Difference("offset", 50, 20, 0, "MHz")], True),
        ([Difference("power limit", 200, None, 320, "W")], True),
        ([], True),  # a factory profile that something tuned
    ],
)
def test_only_where_every_setting_is_at_the_makers_value_may_it_have_been_a_reset(differences, by_another):
    assert lost(NotInForce("not so", differences)).by_another is by_another


class Untouched(RecordingControl):
    """The control ``factory`` of that card: it changes nothing, and sees what differs."""

    def __init__(self, dial: Dial) -> None:
        super().__init__("factory", changes_hardware=False)
        self.dial = dial

    def read_back(self, profile):
        if self.dial.watts != FACTORY_W:
            raise NotInForce(f"power limit is {self.dial.watts} W, factory {FACTORY_W} W", ())
        return {"changed": []}


FACTORY = ProfileSpec(name="factory", control="factory")


@pytest.mark.parametrize("seen", ["at the window's end", "at the next look"])
def test_what_another_program_sets_under_the_factory_profile_is_taken_back_too(dial, seen):
    controls = {"dial": dial, "factory": Untouched(dial)}
    keeper = ProfileKeeper(controls.__getitem__, Unguarded(), allow_hardware_changes=True)
    keeper.apply(QUIET)
    keeper.apply(FACTORY)
    dial.watts = 250
    if seen == "at the window's end":
        lost_hold = keeper.lost_hold(FACTORY)
        assert lost_hold is not None
        assert lost_hold.code == "profile-changed"
    assert keeper.apply(FACTORY) == {"changed": []}
    assert dial.watts == FACTORY_W


def test_what_another_program_set_is_not_taken_for_the_state_to_go_back_to(dial):
    controls = {"dial": dial, "factory": Untouched(dial)}
    snapshots = Unguarded()
    dial.snapshot = lambda: {"watts": dial.watts}  # type: ignore[method-assign]
    keeper = ProfileKeeper(controls.__getitem__, snapshots, allow_hardware_changes=True)
    keeper.apply(QUIET)
    keeper.apply(FACTORY)
    dial.watts = 250
    keeper.apply(QUIET)
    assert snapshots.open_snapshots()["dial"] == {"watts": FACTORY_W}
    (told,) = keeper.take_noticed()
    assert told.startswith("after profile factory: changed by another program: power limit is 250 W")


def test_a_plan_that_changes_nothing_puts_nothing_back_and_says_who_did_it(dial):
    keeper = ProfileKeeper(lambda kind: Untouched(dial), Unguarded(), allow_hardware_changes=False)
    keeper.apply(FACTORY)
    dial.watts = 250
    lost_hold = keeper.lost_hold(FACTORY)
    assert lost_hold is not None
    assert lost_hold.code == "profile-changed"
    with pytest.raises(NotInForce):
        keeper.apply(FACTORY)
    assert dial.watts == 250
