"""What each generation offers and is told to lack, and that what a person had set comes back.

The machine and the sources of its rules: :mod:`tests.machine.amd`.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.errors import ControlRefused
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu import control as module
from harness_plugins.amdgpu.commands import edits, with_ceiling
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.amdgpu.doctor import examine_controls
from harness_plugins.amdgpu.ranges import tunings_below
from harness_plugins.amdgpu.table import highest_mhz, parse_fan, parse_table
from tests.machine.amd import GENERATIONS, Card
from tests.machine.tree import Tree

HOME = "0000:03:00.0"


@pytest.fixture(autouse=True)
def nothing_learnt() -> Iterator[None]:
    module._makers.clear()
    yield
    module._makers.clear()


def profile_of(**options: Any) -> ProfileSpec:
    return ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", **options})


def machine(tree: Tree, generation: str, kernel: str = "6.12", overdrive: bool = True) -> AmdgpuControl:
    tree.add(Card(generation, HOME, kernel=kernel, overdrive=overdrive))
    return AmdgpuControl(tree.root)


def put(tree: Tree, name: str, *texts: str) -> None:
    """Another program's writes."""
    for text in texts:
        tree.write(tree.root / "class/hwmon/hwmon3/device" / name, f"{text}\n".encode())


@pytest.mark.parametrize(
    ("generation", "key", "value", "said"),
    [
        ("polaris", "voltage_offset_mv", -50, "a voltage for each level and no offset"),
        ("vega10", "voltage_offset_mv", -50, "a voltage for each level and no offset"),
        ("vega20", "voltage_offset_mv", -50, "three points of a voltage curve and no offset"),
        ("navi10", "voltage_offset_mv", -50, "three points of a voltage curve and no offset"),
        ("navi48", "core_clock_ceiling_mhz", 2000, "use core_clock_offset_mhz"),
        ("navi31", "core_clock_offset_mhz", -100, "use core_clock_ceiling_mhz"),
        ("vangogh", "memory_clock_ceiling_mhz", 800, "no memory clock"),
        ("rembrandt", "voltage_offset_mv", -50, "no voltage"),
        ("rembrandt", "power_limit_w", 20, "as most processors with graphics"),
    ],
)
def test_a_generation_is_told_what_it_lacks(
    tree: Tree, generation: str, key: str, value: int, said: str
) -> None:
    (problem,) = machine(tree, generation).check(profile_of(**{key: value}))
    assert said in problem.what
    assert "overdrive" not in f"{problem.what} {problem.remedy}"


def test_an_empty_table_is_the_kernels_an_absent_one_the_switch(tree: Tree) -> None:
    (empty,) = machine(tree, "navi31", "6.1").check(profile_of(core_clock_ceiling_mhz=2000))
    assert "this kernel's driver has no table for this generation" in empty.what
    assert "later kernel" in empty.remedy


def test_overdrive_that_is_off_is_told_as_that(tree: Tree) -> None:
    control = machine(tree, "navi31", overdrive=False)
    (absent,) = control.check(profile_of(core_clock_ceiling_mhz=2000))
    assert "overdrive is switched off" in absent.what
    assert "0x4000" in absent.remedy
    assert any("overdrive is switched off" in finding.detail for finding in examine_controls(tree.root))


@pytest.mark.parametrize(("generation", "highest"), [("polaris", 1266), ("vega10", 1630)])
def test_a_table_of_levels_has_its_highest_level_as_ceiling(
    tree: Tree, generation: str, highest: int
) -> None:
    control = machine(tree, generation)
    (problem,) = control.check(profile_of(core_clock_ceiling_mhz=highest + 1))
    assert f"to {highest} MHz" in problem.remedy
    control.apply(profile_of(core_clock_ceiling_mhz=1120))
    assert control.read_back(profile_of(core_clock_ceiling_mhz=1120))["core_clock_ceiling_mhz"] == 1120
    firmware = tree.state(HOME)["firmware"]
    clocks = [value for name, value in firmware.items() if name.startswith("sclk.") and name.endswith("mhz")]
    assert max(clocks) == 1120


def test_levels_above_a_ceiling_take_the_voltage_that_the_maker_gave_the_lowest_of_them() -> None:
    levels = {"sclk.0.mhz": 300, "sclk.0.mv": 750, "sclk.1.mhz": 900, "sclk.1.mv": 900}
    levels |= {"sclk.2.mhz": 1200, "sclk.2.mv": 1100}
    changed = with_ceiling(levels, "sclk", 800)
    assert changed == {"sclk.1.mhz": 800, "sclk.2.mhz": 800, "sclk.1.mv": 900, "sclk.2.mv": 900}
    assert edits(changed, levels) == ["s 1 800 900", "s 2 800 900"]
    assert with_ceiling(levels, "sclk", 1200) == {}


def test_lowest_and_highest_clock_never_pass_each_other_on_the_way() -> None:
    present = {"sclk.0": 500, "sclk.1": 2000}
    assert edits({"sclk.0": 2200, "sclk.1": 2500}, present) == ["s 1 2500", "s 0 2200"]
    assert edits({"sclk.0": 300, "sclk.1": 400}, present) == ["s 0 300", "s 1 400"]


@pytest.mark.parametrize(("kernel", "lowest_w"), [("6.1", 170), ("6.12", 303)])
def test_a_lowest_power_of_0_is_no_licence_for_1_w(tree: Tree, kernel: str, lowest_w: int) -> None:
    """amdgpu_pm.c 6.1:2830 prints 0 whatever the card's lowest limit is."""
    control = machine(tree, "navi31", kernel)
    (problem,) = control.check(profile_of(power_limit_w=1))
    assert f"choose from {lowest_w} to 339 W" in problem.remedy
    assert ("states no lowest limit" in problem.what) == (kernel == "6.1")


def test_a_ceiling_below_the_entrys_own_lowest_value_is_refused_by_the_driver_and_explained(
    tree: Tree,
) -> None:
    """smu_v13_0_0_ppt.c 6.12: the range shows the lowest clock's low end (1505), 1641 checks another."""
    control = machine(tree, "navi31")
    snapshot = control.snapshot()
    with pytest.raises(ControlRefused, match="its own may lie higher"):
        control.apply(profile_of(core_clock_ceiling_mhz=900))
    control.restore(snapshot)
    assert tree.state(HOME)["firmware"] == Card("navi31").first_state()["firmware"]


def test_what_a_person_had_set_comes_back_lowest_clocks_fan_curve_and_fan_limits(tree: Tree) -> None:
    control = machine(tree, "navi31")
    put(tree, "pp_od_clk_voltage", "s 0 700", "m 0 200", "c")
    put(tree, "gpu_od/fan_ctrl/fan_curve", *(f"{i} {40 + 10 * i} {20 + 15 * i}" for i in range(5)), "c")
    put(tree, "gpu_od/fan_ctrl/acoustic_limit_rpm_threshold", "1800", "c")
    # the kernel's fan mode: a limit after a curve goes back to the automatic one; the values stay
    before = tree.state(HOME)
    snapshot = control.snapshot()
    control.apply(profile_of(voltage_offset_mv=-60))
    inside = tree.state(HOME)["firmware"]
    assert (inside["sclk.0"], inside["fan_curve.2.c"], inside["acoustic_limit_rpm_threshold"]) == (
        500,
        0,
        2000,
    )
    control.restore(snapshot)
    after = tree.state(HOME)
    assert (after["table"], after["firmware"]) == (before["table"], before["firmware"])


@pytest.mark.parametrize("generation", ["vega20", "navi10"])
def test_a_voltage_curve_that_a_person_had_lowered_is_not_raised_by_a_profile(
    tree: Tree, generation: str
) -> None:
    control = machine(tree, generation)
    put(tree, "pp_od_clk_voltage", "vc 2 1800 1050", "c")
    before = tree.state(HOME)
    if generation == "vega20":  # here a reset reads back what is in force, so the curve stays
        control.apply(profile_of(power_limit_w=180))
        assert tree.state(HOME)["firmware"]["vc.2.mv"] == 1050
    else:
        with pytest.raises(ControlRefused, match="found tuned below the maker's state"):
            control.apply(profile_of(power_limit_w=180))
    assert tree.state(HOME)["firmware"] == before["firmware"]


def test_a_voltage_curve_that_another_program_moved_in_the_night_is_put_back(tree: Tree) -> None:
    control = machine(tree, "navi10")
    snapshot = control.snapshot()
    control.apply(profile_of(power_limit_w=180))
    control.read_back(profile_of(power_limit_w=180))
    put(tree, "pp_od_clk_voltage", "vc 2 2100 1100", "c")
    with pytest.raises(ControlRefused, match="point 2 of the voltage curve 1192 mV → 1100 mV"):
        control.read_back(profile_of(power_limit_w=180))
    control.restore(snapshot)
    assert tree.state(HOME)["firmware"]["vc.2.mv"] == 1192


@pytest.mark.parametrize("generation", ["navi31", "navi48"])
def test_an_offset_that_the_firmware_kept_behind_the_file_is_gone_when_a_profile_starts(
    tree: Tree, generation: str
) -> None:
    """Another program's reset after its commit shows 0 mV and leaves the offset in force."""
    control = machine(tree, generation)
    put(tree, "pp_od_clk_voltage", "vo -100", "m 1 1100", "c", "r")
    assert tree.state(HOME)["firmware"]["vo"] == -100
    assert control.factory_deviations() == []
    control.apply(profile_of(power_limit_w=303))
    assert tree.state(HOME)["firmware"] == Card(generation).first_state()["firmware"]


@pytest.mark.parametrize("generation", GENERATIONS)
def test_a_profile_of_a_card_found_with_a_lower_ceiling_raises_nothing_on_the_way(
    tree: Tree, generation: str
) -> None:
    """Also where a reset is in force at once and nothing but the form of the table tells it."""
    control = machine(tree, generation)
    found_mhz = 1500
    if generation in ("vangogh", "rembrandt"):
        put(tree, "power_dpm_force_performance_level", "manual")
    command = "s -100" if generation == "navi48" else f"s 1 {found_mhz}"
    if GENERATIONS[generation].engine in ("smu7", "vega10"):
        command = f"s 7 {found_mhz} 1100"
    put(tree, "pp_od_clk_voltage", command, "c")
    found = tree.state(HOME)["firmware"]
    with tree.change(HOME) as state:
        state["highest"] = {}
    key = "core_clock_offset_mhz" if generation == "navi48" else "core_clock_ceiling_mhz"
    with contextlib.suppress(ControlRefused):
        control.apply(profile_of(**{key: -200 if generation == "navi48" else 1200}))
    highest = tree.state(HOME)["highest"]
    for name in ("sclk.1", "sclk_offset", "sclk.7.mhz", "sclk.7.mv", "vo"):
        assert highest.get(name, -1000) <= found.get(name, -1000), name


def test_a_second_profile_sends_all_again_that_another_program_hid_behind_the_file(tree: Tree) -> None:
    control = machine(tree, "navi31")
    snapshot = control.snapshot()
    control.apply(profile_of(core_clock_ceiling_mhz=2500))
    control.restore(snapshot)
    put(tree, "pp_od_clk_voltage", "vo -100", "c", "r")
    assert control.factory_deviations() == []
    control.apply(profile_of(core_clock_ceiling_mhz=2400))
    control.read_back(profile_of(core_clock_ceiling_mhz=2400))
    state = tree.state(HOME)
    assert state["firmware"] == {**state["table"], "sclk.1": 2400, "vo": 0}


def test_a_limit_raised_by_hand_and_kept_in_the_table_is_in_force_after_the_restore(tree: Tree) -> None:
    """smu_v13_0_0_ppt.c 6.12:3045: what lies above the maker's is a hidden entry of the same table."""
    control = machine(tree, "navi31")
    put(tree, "hwmon/hwmon3/power1_cap", "380000000")
    before = tree.state(HOME)["firmware"]
    assert before["ppt"] == 12
    snapshot = control.snapshot()
    control.apply(profile_of(voltage_offset_mv=-60))
    assert tree.state(HOME)["firmware"]["ppt"] == 0
    control.restore(snapshot)
    assert (tree.state(HOME)["cap_w"], tree.state(HOME)["firmware"]) == (380, before)


def one_fault(tree: Tree, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    """The write of this number from now on ends in an input/output error."""
    write, numbers = tree.write, itertools.count()

    def faulty(path: Path, data: bytes) -> int:
        if next(numbers) == at:
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return write(path, data)

    monkeypatch.setattr(tree, "write", faulty)


@pytest.mark.parametrize("at", range(0, 26, 3))
def test_a_restore_with_one_fault_is_right_or_says_that_it_is_not(
    tree: Tree, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    control = machine(tree, "navi31")
    found, snapshot = tree.state(HOME), control.snapshot()
    control.apply(profile_of(voltage_offset_mv=-40))
    one_fault(tree, monkeypatch, at + at // 3 % 3)
    try:
        control.restore(snapshot)
    except ControlRefused:
        return
    assert tree.state(HOME)["firmware"] == found["firmware"]


@pytest.mark.parametrize("at", range(8))
def test_half_of_a_profile_is_never_committed(tree: Tree, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    control = machine(tree, "polaris")
    put(tree, "pp_od_clk_voltage", "s 6 1200 1100", "c")
    found = tree.state(HOME)["firmware"]
    with tree.change(HOME) as state:
        state["highest"] = {}
    one_fault(tree, monkeypatch, at)
    with contextlib.suppress(ControlRefused):
        control.apply(profile_of(core_clock_ceiling_mhz=1100))
    highest = {name: mhz for name, mhz in tree.state(HOME)["highest"].items() if name in found}
    assert {name for name, value in highest.items() if value > found[name]} == set()


def test_factory_sees_what_differs_from_the_makers_state_that_it_once_saw(tree: Tree) -> None:
    control = machine(tree, "navi31")
    snapshot = control.snapshot()
    control.apply(profile_of(voltage_offset_mv=-60))
    control.restore(snapshot)
    assert control.factory_deviations() == []
    put(tree, "pp_od_clk_voltage", "s 1 2000", "c")
    assert control.factory_deviations() == [f"card {HOME}: core clock ceiling 2965 MHz → 2000 MHz"]


@pytest.mark.parametrize("generation", GENERATIONS)
def test_the_ends_of_the_ranges_that_a_plan_is_written_from_are_taken_by_the_card(
    tree: Tree, generation: str
) -> None:
    control = machine(tree, generation)
    snapshot = control.snapshot()
    (tuning,) = tunings_below(tree.root)
    assert {bounds.key for bounds in tuning.ranges} >= {
        "navi48": {"core_clock_offset_mhz", "voltage_offset_mv"}
    }.get(generation, {"core_clock_ceiling_mhz"})
    for bounds in tuning.ranges:
        for value in (bounds.lowest, bounds.highest):
            if (
                generation.startswith("navi3")
                and value == bounds.lowest
                and bounds.key == "core_clock_ceiling_mhz"
            ):
                continue
            profile = profile_of(**{bounds.key: int(value)})
            assert control.check(profile) == []
            control.apply(profile)
            control.read_back(profile)
            control.restore(snapshot)


def test_doctor_tells_what_each_generation_offers(tree: Tree) -> None:
    machine(tree, "navi48")
    tree.add(Card("vangogh", "0000:04:00.0", number=4))
    found = {finding.subject: (finding.state, finding.detail) for finding in examine_controls(tree.root)}
    assert found[f"amdgpu {HOME} core clock offset"] == ("ok", "0 MHz, range -500 to 1000 MHz")
    assert found[f"amdgpu {HOME} core clock ceiling"][0] == "absent"
    assert "of the whole package" in found["amdgpu 0000:04:00.0 power limit"][1]
    assert "half of the maker's" in found["amdgpu 0000:04:00.0 power limit"][1]


def test_texts_of_the_documentation_and_of_unknown_sections_are_read() -> None:
    table = parse_table(
        "OD_SOMETHING_NEW:\nabc\n3: 5\nOD_MCLK:\n1: 875Mhz\nOD_RANGE\nSCLK:     200Mhz  700Mhz\n"
    )
    assert table.entries == {"mclk.1": 875}
    assert table.ranges == {"SCLK": (200, 700)}
    assert parse_table("\n").entries == {}
    assert highest_mhz({}, "sclk") is None
    text = "OD_FAN_CURVE:\n0: 0C 0%\n1: 45C 30%\nOD_RANGE:\nFAN_CURVE(hotspot temp): 25C 100C\n"
    fan = {"fan_curve.0.c": 0, "fan_curve.0.pct": 0, "fan_curve.1.c": 45, "fan_curve.1.pct": 30}
    assert parse_fan("fan_curve", text) == fan
    assert parse_fan("fan_minimum_pwm", "FAN_MINIMUM_PWM:\n15\nOD_RANGE:\nMINIMUM_PWM: 15 100\n") == {
        "fan_minimum_pwm": 15
    }
