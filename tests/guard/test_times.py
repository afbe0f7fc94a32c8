"""How long whoever watches waits, for whom."""

from __future__ import annotations

import itertools
import sys

from harness.engine.campaign import Unguarded
from harness.engine.profiles import ProfileKeeper
from harness.guard.times import CALL_S, growing_pauses_s
from harness.plan.schema import ProfileSpec
from harness.plugins import PluginHost, PluginRig
from harness.testing import RecordingControl

APPLY_S = 600.0


def test_signs_of_life_are_given_as_long_as_a_command_of_the_plan_may_take():
    """Through the rig, its boundary and the keeper; the time-outs of profiles checked later count, too."""
    host = PluginHost()
    words = [sys.executable, "-c", "pass"]
    profile = ProfileSpec.model_validate(
        {
            "name": "quiet",
            "control": "command",
            "apply": words,
            "restore": words,
            "verify": words,
            "timeout_s": APPLY_S,
        }
    )
    rig = PluginRig(host, None)  # type: ignore[arg-type]  # only its controls are asked for
    keeper = ProfileKeeper(rig.open_control, Unguarded(), allow_hardware_changes=True)
    before_s = keeper.longest_s(profile)
    assert rig.open_control("command").check(profile) == []
    assert keeper.longest_s(profile) >= 3 * APPLY_S > before_s


def test_a_control_that_states_no_time_has_the_usual_one():
    keeper = ProfileKeeper(RecordingControl, Unguarded(), allow_hardware_changes=True)
    assert keeper.longest_s(ProfileSpec(name="p", control="made-up")) == 3 * CALL_S
    assert keeper.longest_restore_s() == CALL_S


def test_pauses_grow_to_five_minutes_and_never_end():
    pauses = list(itertools.islice(growing_pauses_s(), 200))
    assert pauses[:4] == [1, 2, 4, 8]
    assert pauses == sorted(pauses)
    assert pauses[-1] == 300


def test_a_restore_that_can_not_be_proven_passes_the_boundary_as_what_it_is(tmp_path):
    rig = PluginRig(PluginHost(), None)  # type: ignore[arg-type]
    words = [sys.executable, "-c", "pass"]
    state = {"folder": str(tmp_path), "restore": [{"words": words, "timeout_s": 60}], "proofs": []}
    guard = Unguarded()
    guard.save_snapshot("command", state)
    keeper = ProfileKeeper(rig.open_control, guard, allow_hardware_changes=True)
    (doubt,) = keeper.restore()
    assert "nothing reads back that they worked" in doubt
    assert guard.open_snapshots() == {}
