"""What happens to a profile in the night, through the engine's keeper of profiles, on file trees."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.engine.campaign import Unguarded
from harness.engine.profiles import ProfileKeeper
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu import control as module
from harness_plugins.amdgpu.control import AmdgpuControl
from tests.machine.amd import Card, lose_settings
from tests.machine.tree import Tree

HOME = "0000:03:00.0"
QUIET = ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", "voltage_offset_mv": -60})


@pytest.fixture(autouse=True)
def nothing_learnt() -> Iterator[None]:
    module._makers.clear()
    yield
    module._makers.clear()


def test_a_reset_of_the_driver_is_noticed_at_the_next_look_and_the_profile_set_again(tree: Tree) -> None:
    card = Card("navi31", HOME)
    tree.add(card)
    control = AmdgpuControl(tree.root)
    keeper = ProfileKeeper(lambda kind: control, Unguarded(), allow_hardware_changes=True)
    keeper.apply(QUIET)
    with tree.change(HOME) as state:
        lose_settings(card, state)
    keeper.apply(QUIET)
    (told,) = keeper.take_noticed()
    assert "as by a reset of the driver, a suspend" in told
    assert "voltage offset -60 mV → 0 mV" in told
    assert tree.state(HOME)["firmware"]["vo"] == -60
    with tree.change(HOME) as state:
        lose_settings(card, state)
    lost = keeper.lost_hold(QUIET)  # at a window's end: that attempt does not count
    assert lost is not None
    assert lost.code == "profile-lost"
    keeper.apply(QUIET)
    assert tree.state(HOME)["firmware"]["vo"] == -60
    keeper.restore()
    assert tree.state(HOME)["firmware"] == card.first_state()["firmware"]


def test_another_program_is_named_as_such_also_where_it_touched_what_the_profile_leaves_alone(
    tree: Tree,
) -> None:
    tree.add(Card("navi31", HOME))
    control = AmdgpuControl(tree.root)
    keeper = ProfileKeeper(lambda kind: control, Unguarded(), allow_hardware_changes=True)
    keeper.apply(QUIET)
    fan = tree.root / "class/hwmon/hwmon3/device/gpu_od/fan_ctrl/fan_minimum_pwm"
    for text in ("40", "c"):
        tree.write(fan, f"{text}\n".encode())
    lost = keeper.lost_hold(QUIET)
    assert lost is not None
    assert lost.code == "profile-changed"
    assert "changed by another program: fan minimum pwm 15 → 40" in lost.why
    keeper.restore()
    assert tree.state(HOME)["firmware"] == Card("navi31").first_state()["firmware"]
