"""Every generation on every kernel that was read: applied, read back, put back, killed in the middle.

The machine and the sources of its rules: :mod:`tests.machine.amd`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.engine.profiles import lost
from harness.errors import NotInForce
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu import control as module
from harness_plugins.amdgpu.control import AmdgpuControl
from tests.machine.amd import GENERATIONS, KERNELS, Card, lose_settings
from tests.machine.tree import Killed, Tree

HOME = "0000:03:00.0"


def _keys(**short: int) -> dict[str, int]:
    names = {
        "power": "power_limit_w",
        "core": "core_clock_ceiling_mhz",
        "offset": "core_clock_offset_mhz",
        "memory": "memory_clock_ceiling_mhz",
        "voltage": "voltage_offset_mv",
    }
    return {names[name]: value for name, value in short.items()}


#: What each generation offers, as a profile.
PROFILES: dict[str, dict[str, int]] = {
    "polaris": _keys(power=120, core=1150, memory=1500),
    "vega10": _keys(power=180, core=1500, memory=900),
    "vega20": _keys(power=200, core=1600, memory=900),
    "navi10": _keys(power=150, core=1900, memory=800),
    "navi21": _keys(power=150, core=2300, memory=900, voltage=-60),
    "navi21-early": _keys(power=150, core=2300, memory=900),
    "navi31": _keys(power=310, core=2500, memory=1200, voltage=-60),
    "navi33": _keys(power=150, core=2400, voltage=-40),
    "navi48": _keys(power=260, offset=-200, memory=1200, voltage=-60),
    "vangogh": _keys(power=10, core=1200),
    "rembrandt": _keys(core=1800),
}
EVERY = [(name, kernel) for name in GENERATIONS for kernel in KERNELS]
#: 6.1 has no table for these: only the power limit is left.
BARE = {("navi31", "6.1"), ("navi33", "6.1"), ("navi48", "6.1")}


@pytest.fixture(autouse=True)
def nothing_learnt() -> Iterator[None]:
    module._makers.clear()
    yield
    module._makers.clear()


def profile_for(generation: str, kernel: str) -> ProfileSpec:
    options: dict[str, Any] = dict(PROFILES[generation])
    if (generation, kernel) in BARE:
        options = {key: value for key, value in options.items() if key == "power_limit_w"}
    return ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", **options})


def card_in(tree: Tree, generation: str, kernel: str) -> Card:
    card = Card(generation, HOME, kernel=kernel)
    tree.add(card)
    return card


def standing(tree: Tree) -> dict[str, Any]:
    state = tree.state(HOME)
    return {key: state[key] for key in ("level", "cap_w", "table", "firmware", "keep_awake")}


@pytest.mark.parametrize(("generation", "kernel"), EVERY)
def test_a_profile_is_in_force_reads_back_and_goes_without_a_trace(
    tree: Tree, generation: str, kernel: str
) -> None:
    card_in(tree, generation, kernel)
    before, control, profile = standing(tree), AmdgpuControl(tree.root), profile_for(generation, kernel)
    assert control.check(profile) == []
    snapshot = control.snapshot()
    control.apply(profile)
    control.read_back(profile)
    inside = tree.state(HOME)
    if GENERATIONS[generation].cap_w:
        assert inside["cap_w"] == profile.options["power_limit_w"]
    if len(profile.options) > 1:
        assert inside["firmware"] == inside["table"] != before["firmware"]
    control.restore(snapshot)
    assert standing(tree) == before
    highest = tree.state(HOME)["highest"]
    assert {
        name for name, value in highest.items() if name != "cap_w" and value > before["firmware"][name]
    } == set()
    assert highest.get("cap_w", 0) <= before["cap_w"]


def apply_and_restore(root: Path, profile: ProfileSpec, snapshot: dict[str, Any]) -> None:
    control = AmdgpuControl(root)
    control.apply(profile)
    control.restore(snapshot)


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.endurance)])
@pytest.mark.parametrize(("generation", "kernel"), EVERY)
def test_after_a_kill_at_any_write_the_restore_of_another_process_brings_all_back(
    tree: Tree, generation: str, kernel: str, every: int
) -> None:
    """Of an apply as of a restore; every seventh write, and all of them in the long suite."""
    card_in(tree, generation, kernel)
    before, profile = standing(tree), profile_for(generation, kernel)
    snapshot = AmdgpuControl(tree.root).snapshot()
    apply_and_restore(tree.root, profile, snapshot)
    writes = len(tree.writes)
    assert writes > 1
    for killed_at in range(EVERY.index((generation, kernel)) % min(every, writes), writes, every):
        module._makers.clear()
        tree.writes.clear()
        tree.dies_at = killed_at
        with pytest.raises(Killed):
            apply_and_restore(tree.root, profile, snapshot)
        tree.dies_at = None
        AmdgpuControl(tree.root).restore(snapshot)
        assert standing(tree) == before, f"killed at write {killed_at}"


@pytest.mark.parametrize(("generation", "kernel"), EVERY)
def test_a_reset_of_the_card_and_another_program_are_told_apart_at_the_next_look(
    tree: Tree, generation: str, kernel: str
) -> None:
    card = card_in(tree, generation, kernel)
    control, profile = AmdgpuControl(tree.root), profile_for(generation, kernel)
    control.apply(profile)
    control.read_back(profile)
    with tree.change(HOME) as state:
        lose_settings(card, state)
    with pytest.raises(NotInForce) as caught:
        control.read_back(profile)
    assert not lost(caught.value).by_another
    assert "as by a reset of the driver, a suspend" in str(lost(caught.value))
    control.apply(profile)
    control.read_back(profile)
    with tree.change(HOME) as state:
        state["level"] = "high"
    with pytest.raises(NotInForce) as caught:
        control.read_back(profile)
    assert lost(caught.value).by_another
    assert "changed by another program: performance level" in str(lost(caught.value))
