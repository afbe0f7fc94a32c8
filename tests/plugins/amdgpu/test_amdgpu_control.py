"""The control on one card with clock limits and a voltage offset; the machine is that of tests/machine."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.errors import ControlRefused, NotInForce, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu import control as module
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.amdgpu.doctor import examine_controls
from harness_plugins.hwmon import sysfs as kernel
from harness_plugins.hwmon.graphics import find_graphics
from harness_plugins.hwmon.sysfs import write_text
from tests.machine.amd import Card
from tests.machine.tree import Tree

CARD = "0000:03:00.0"
BOOT = {"sclk.0": 500, "sclk.1": 2581, "mclk.0": 97, "mclk.1": 1000, "vo": 0}


@pytest.fixture(autouse=True)
def nothing_learnt() -> Iterator[None]:
    module._makers.clear()
    yield
    module._makers.clear()


@pytest.fixture
def machine(tree: Tree) -> Tree:
    tree.add(Card("navi21", CARD))
    return tree


def profile_of(**options: Any) -> ProfileSpec:
    return ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", **options})


QUIET = profile_of(
    power_limit_w=150, core_clock_ceiling_mhz=2300, memory_clock_ceiling_mhz=900, voltage_offset_mv=-60
)


def device(tree: Tree) -> Path:
    return tree.root / "class/hwmon/hwmon3/device"


def put(tree: Tree, name: str, *texts: str) -> None:
    """Another program's writes."""
    for text in texts:
        tree.write(device(tree) / name, f"{text}\n".encode())
        tree.writes.pop()


def tune(tree: Tree, *commands: str) -> None:
    put(tree, "pp_od_clk_voltage", *commands)


def files_of(tree: Tree) -> dict[str, str]:
    names = ("hwmon/hwmon3/power1_cap", "power_dpm_force_performance_level", "pp_od_clk_voltage")
    return {name: (device(tree) / name).read_text() for name in names}


def test_a_profile_is_applied_read_back_and_put_back_to_the_last_byte(machine: Tree) -> None:
    control, before = AmdgpuControl(machine.root), files_of(machine)
    assert control.check(QUIET) == []
    snapshot = control.snapshot()
    control.apply(QUIET)
    assert control.read_back(QUIET) == {
        "card": CARD,
        "power_limit_w": 150.0,
        "core_clock_ceiling_mhz": 2300,
        "memory_clock_ceiling_mhz": 900,
        "voltage_offset_mv": -60,
        "performance_level": "manual",
    }
    assert len(control.factory_deviations()) == 5
    control.restore(snapshot)
    assert files_of(machine) == before
    assert control.factory_deviations() == []


def test_the_makers_state_comes_first_then_manual_then_the_table_and_the_commit_last(machine: Tree) -> None:
    AmdgpuControl(machine.root).apply(QUIET)
    assert machine.writes == [
        "power_dpm_force_performance_level manual",
        "power_dpm_force_performance_level low",
        "pp_od_clk_voltage r",
        "pp_od_clk_voltage s 1 2300",
        "pp_od_clk_voltage m 1 900",
        "pp_od_clk_voltage vo -60",
        "pp_od_clk_voltage c",
        "power_dpm_force_performance_level manual",
        "power1_cap 150000000",
    ]


def test_a_power_limit_alone_leaves_the_clocks_of_a_card_at_its_makers_state_alone(machine: Tree) -> None:
    control = AmdgpuControl(machine.root)
    control.apply(profile_of(power_limit_w=190))  # from here on the maker's state is known
    put(machine, "hwmon/hwmon3/power1_cap", "203000000")
    machine.writes.clear()
    control.apply(profile_of(power_limit_w=180))
    assert machine.writes == ["power1_cap 180000000"]


def test_a_profile_starts_from_the_makers_state_and_what_the_user_had_comes_back(machine: Tree) -> None:
    """A raised lowest clock and a raised limit of power are taken back for the night."""
    tune(machine, "s 0 800", "c")
    put(machine, "hwmon/hwmon3/power1_cap", "220000000")
    control, before = AmdgpuControl(machine.root), files_of(machine)
    snapshot = control.snapshot()
    control.apply(profile_of(core_clock_ceiling_mhz=2200))
    assert machine.state(CARD)["firmware"] == BOOT | {"sclk.1": 2200}
    assert machine.state(CARD)["cap_w"] == 203
    control.restore(snapshot)
    assert files_of(machine) == before
    assert machine.state(CARD)["firmware"] == BOOT | {"sclk.0": 800}


def test_reading_back_finds_a_write_that_the_driver_swallowed(machine: Tree) -> None:
    machine.deaf_to = "pp_od_clk_voltage vo"
    control = AmdgpuControl(machine.root)
    control.apply(QUIET)
    with pytest.raises(ControlRefused, match=r"voltage offset -60 mV → 0 mV.*or the driver rounds"):
        control.read_back(QUIET)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("hwmon/hwmon3/power1_cap", "203000000", "power limit 150 W → 203 W"),
        ("power_dpm_force_performance_level", "high", "performance level manual → high"),
        ("pp_od_clk_voltage", "s 0 900", "lowest core clock 500 MHz → 900 MHz"),
    ],
)
def test_what_another_program_changed_is_found_also_where_the_profile_says_nothing_of_it(
    machine: Tree, name: str, text: str, said: str
) -> None:
    control = AmdgpuControl(machine.root)
    control.apply(QUIET)
    control.read_back(QUIET)
    put(machine, name, text)
    with pytest.raises(NotInForce) as caught:
        control.read_back(QUIET)
    assert list(map(str, caught.value.differences)) == [said]


def test_a_control_that_did_not_apply_the_profile_looks_at_its_keys(machine: Tree) -> None:
    AmdgpuControl(machine.root).apply(QUIET)
    other = AmdgpuControl(machine.root)
    other.read_back(QUIET)
    tune(machine, "vo -50", "c")
    with pytest.raises(ControlRefused, match="voltage offset -60 mV → -50 mV"):
        other.read_back(QUIET)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"power_limit_w": 99}, "choose from 100 to 203 W"),
        ({"power_limit_w": 204}, "choose from 100 to 203 W"),
        ({"core_clock_ceiling_mhz": 2600}, "choose from 500 to 2581 MHz"),
        ({"core_clock_ceiling_mhz": 400}, "choose from 500 to 2581 MHz"),
        ({"memory_clock_ceiling_mhz": 1050}, "choose from 674 to 1000 MHz"),
    ],
)
def test_values_outside_the_drivers_range_or_above_the_state_found_are_refused_and_nothing_is_written(
    machine: Tree, options: dict[str, int], message: str
) -> None:
    (problem,) = AmdgpuControl(machine.root).check(profile_of(**options))
    assert message in problem.remedy
    with pytest.raises(ControlRefused):
        AmdgpuControl(machine.root).apply(profile_of(**options))
    assert machine.writes == []


def test_nothing_is_raised_above_the_state_found_where_that_is_below_the_makers(machine: Tree) -> None:
    put(machine, "hwmon/hwmon3/power1_cap", "180000000")
    control = AmdgpuControl(machine.root)
    (power,) = control.check(profile_of(power_limit_w=190))
    assert "choose from 100 to 180 W" in power.remedy
    assert control.check(profile_of(power_limit_w=170)) == []
    (clocks,) = control.check(profile_of(core_clock_ceiling_mhz=2300))
    assert "was found tuned (power limit 180 W, the maker's is 203 W)" in clocks.what
    put(machine, "hwmon/hwmon3/power1_cap", "203000000")
    tune(machine, "vo -80", "c")
    (voltage,) = control.check(profile_of(voltage_offset_mv=-100))
    assert "was found tuned (voltage offset -80 mV)" in voltage.what
    assert machine.writes == []


def test_a_ceiling_found_below_the_makers_is_put_back_and_the_profile_refused(machine: Tree) -> None:
    """Only the reset shows the maker's ceiling; the card ends as it was found."""
    tune(machine, "s 1 2300", "c")
    with machine.change(CARD) as state:
        state["highest"] = {}
    before = files_of(machine)
    with pytest.raises(ControlRefused, match=r"found tuned below the maker's state \(core clock ceiling\)"):
        AmdgpuControl(machine.root).apply(profile_of(power_limit_w=150))
    assert files_of(machine) == before
    assert machine.state(CARD)["firmware"]["sclk.1"] == 2300
    assert machine.state(CARD)["highest"]["sclk.1"] == 2300


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({"voltage_offset_mv": 150}, "voltage_offset_mv 150 can't be what was found"),
        ({"power1_cap": 999_000_000}, "power1_cap 999000000 can't be"),
        ({"power1_cap": 0}, "power1_cap 0 can't be"),
        ({"core_clock_ceiling_mhz": 4000}, "core_clock_ceiling_mhz 4000 can't be"),
        ({"memory_clock_ceiling_mhz": -5}, "memory_clock_ceiling_mhz -5 can't be"),
        ({"table": {"vo": 25}}, "vo 25 can't be"),
        ({"table": {"sclk.1": 9000}}, "sclk.1 9000 can't be"),
        ({"table": {"sclk.1\nr": 1}}, "is not known"),
        ({"table": {"vc.0.mv": 700}}, "is not known"),
        ({"table": ["vo"]}, "is not known"),
        ({"fan": {"fan_curve.0.pct": 100}}, "is not known"),
        ({"power/control": "off"}, "is not known"),
        ({"power1_cap": "150000000\nrm"}, "is not known"),
        ({"power_dpm_force_performance_level": "anything"}, "is not known"),
        ({"power_dpm_force_performance_level": ["auto"]}, "is not known"),
        ({"no such key": 1}, "is not known"),
    ],
)
def test_a_planted_state_is_never_written_the_makers_is(
    machine: Tree, state: dict[str, Any], said: str
) -> None:
    before = files_of(machine)
    control = AmdgpuControl(machine.root)
    control.apply(QUIET)
    with pytest.raises(RestoreUnproven, match=said):
        control.restore({CARD: state})
    assert files_of(machine) == before
    assert machine.state(CARD)["firmware"] == BOOT


def test_a_record_of_an_earlier_version_is_still_put_back(machine: Tree) -> None:
    before = files_of(machine)
    record = {
        "power1_cap": 203000000,
        "power_dpm_force_performance_level": "auto",
        "core_clock_ceiling_mhz": 2581,
        "memory_clock_ceiling_mhz": 1000,
        "voltage_offset_mv": 0,
    }
    control = AmdgpuControl(machine.root)
    control.apply(QUIET)
    control.restore({CARD: record})
    assert files_of(machine) == before


def test_without_a_record_a_tuned_card_goes_to_the_makers_state_and_an_untouched_one_is_not_written_to(
    machine: Tree,
) -> None:
    control, before = AmdgpuControl(machine.root), files_of(machine)
    control.restore({})
    assert machine.writes == []
    control.apply(QUIET)
    control.restore({})
    assert files_of(machine) == before


def test_a_card_that_the_record_does_not_know_is_not_touched(machine: Tree) -> None:
    machine.add(Card("polaris", "0000:0a:00.0", number=5))
    with machine.change("0000:0a:00.0") as state:
        state["level"] = "low"
    control = AmdgpuControl(machine.root)
    snapshot = control.snapshot()
    del snapshot["0000:0a:00.0"]
    control.apply(profile_of(power_limit_w=150, card=CARD))
    control.restore(snapshot)
    assert machine.state("0000:0a:00.0")["level"] == "low"


@pytest.mark.parametrize(
    "deaf", ["power1_cap 195", "pp_od_clk_voltage c", "power_dpm_force_performance_level auto"]
)
def test_a_driver_that_says_yes_and_does_nothing_is_found_when_the_restore_is_read_back(
    tree: Tree, deaf: str
) -> None:
    tree.add(Card("navi10", CARD))  # here a reset acts at the next commit only
    control = AmdgpuControl(tree.root)
    snapshot = control.snapshot()
    control.apply(profile_of(power_limit_w=150, core_clock_ceiling_mhz=1900))
    tree.deaf_to = deaf
    if deaf.endswith(" c"):
        control.restore(snapshot)  # no file shows it: see the firmware
        assert tree.state(CARD)["firmware"]["sclk.1"] == 1900
        return
    with pytest.raises(ControlRefused, match="not restored"):
        control.restore(snapshot)


def test_voltage_is_never_raised(machine: Tree) -> None:
    with pytest.raises(ValidationError, match="less than or equal to 0"):
        AmdgpuControl(machine.root).check(profile_of(voltage_offset_mv=10))


@pytest.mark.parametrize("fault", ["pp_od_clk_voltage m", "pp_od_clk_voltage c", "power_dpm", "power1_cap"])
def test_after_a_fault_at_any_write_the_restore_brings_the_factory_state(machine: Tree, fault: str) -> None:
    control, before = AmdgpuControl(machine.root), files_of(machine)
    snapshot = control.snapshot()
    machine.fault_at = fault
    with pytest.raises(ControlRefused, match="not permitted"):
        control.apply(QUIET)
    machine.fault_at = None
    control.restore(snapshot)
    assert files_of(machine) == before
    assert machine.state(CARD)["firmware"] == BOOT


def test_a_restore_that_is_refused_says_so_and_still_does_the_other_steps(machine: Tree) -> None:
    control = AmdgpuControl(machine.root)
    snapshot = control.snapshot()
    control.apply(QUIET)
    machine.fault_at = "power1_cap"
    with pytest.raises(ControlRefused, match="a restart puts these cards back"):
        control.restore(snapshot)
    assert machine.state(CARD)["firmware"] == BOOT
    assert machine.state(CARD)["level"] == "auto"


def test_a_card_that_was_lost_can_not_be_restored_and_that_is_said(machine: Tree) -> None:
    control = AmdgpuControl(machine.root)
    snapshot = control.snapshot()
    (device(machine) / "hwmon/hwmon3/name").write_text("")
    with pytest.raises(ControlRefused, match=f"card {CARD} is gone"):
        control.restore(snapshot)


def test_clock_and_power_seen_under_load_must_keep_below_the_profile(machine: Tree) -> None:
    control = AmdgpuControl(machine.root)
    good = {"core_clock_mhz": [2290.0] * 20, "power_average_w": [149.0, 152.0] * 10}
    assert control.verify_under_load(QUIET, good, None) == []
    bad = {"core_clock_mhz": [2550.0] * 20, "power_average_w": [201.0] * 20}
    sentences = control.verify_under_load(QUIET, bad, None)
    assert ["2550 MHz" in sentences[0], "201 W" in sentences[1], len(sentences)] == [True, True, 2]
    assert control.verify_under_load(QUIET, {"core_clock_mhz": [2550.0] * 3}, None) == []


def test_without_the_right_to_write_the_check_says_what_to_grant(
    machine: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    problems = AmdgpuControl(machine.root).check(QUIET)
    assert len(problems) == 3
    assert all("udev rule" in problem.remedy for problem in problems)
    findings = examine_controls(machine.root)
    assert {finding.state for finding in findings} == {"missing"}


def test_who_may_not_set_the_fan_is_told_before_the_night_and_not_by_each_apply(
    tree: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree.add(Card("navi31", CARD))
    monkeypatch.setattr(os, "access", lambda path, mode: "fan_ctrl" not in str(path))
    problems = AmdgpuControl(tree.root).check(profile_of(core_clock_ceiling_mhz=2500))
    assert problems
    assert all("gpu_od/fan_ctrl/" in problem.what for problem in problems)
    power = profile_of(power_limit_w=310)
    control = AmdgpuControl(tree.root)
    assert control.check(power) == []
    control.apply(power)
    assert tree.writes == ["power1_cap 310000000"]


@pytest.mark.parametrize("word", ["0000:03:00.0", "03:00.0", " 0000:03:00.0", "AMD"])
def test_every_word_that_the_plan_may_use_for_its_card_is_the_controls_too(machine: Tree, word: str) -> None:
    (card,) = find_graphics(machine.root)
    assert AmdgpuControl(machine.root, card.as_card()).check(profile_of(power_limit_w=150, card=word)) == []


@pytest.mark.parametrize("fault", ["asleep", "in reset"])
def test_a_card_that_can_not_be_read_is_not_told_to_lack_anything_and_has_no_snapshot(
    tree: Tree, fault: str
) -> None:
    tree.add(Card("navi31", CARD, kernel="later"))
    (card,) = find_graphics(tree.root)
    with tree.change(CARD) as state:
        state["runtime"], state["in_reset"] = ("suspended" if fault == "asleep" else "active"), True
    (finding,) = examine_controls(tree.root)
    assert (finding.state, finding.subject) == ("missing", f"amdgpu {CARD}")
    assert "sleeps or is being reset" in finding.detail
    with pytest.raises(ControlRefused):
        AmdgpuControl(tree.root, card.as_card()).snapshot()


def test_a_limit_that_was_found_outside_of_its_range_may_stay_as_it_was(machine: Tree) -> None:
    with machine.change(CARD) as state:
        state["cap_w"] = 260  # above power1_cap_max
    control = AmdgpuControl(machine.root)
    control.restore(control.snapshot())
    assert machine.writes == []


def test_who_may_set_the_power_limit_alone_does_so_and_touches_nothing_else(
    machine: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(machine, "power_dpm_force_performance_level", "manual")
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path).name == "power1_cap")
    control, before, profile = AmdgpuControl(machine.root), files_of(machine), profile_of(power_limit_w=150)
    assert control.check(profile) == []
    snapshot = control.snapshot()
    control.apply(profile)
    control.read_back(profile)
    control.restore(snapshot)
    assert machine.writes == ["power1_cap 150000000", "power1_cap 203000000"]
    assert files_of(machine) == before


def test_a_machine_without_such_a_card_refuses_the_profile_and_restores_nothing(tmp_path: Path) -> None:
    control = AmdgpuControl(tmp_path)
    (problem,) = control.check(QUIET)
    assert "no AMD card in this machine (there: none)" in problem.what
    assert control.snapshot() == {}
    assert control.factory_deviations() == []


def test_doctor_shows_each_control_with_its_range(machine: Tree) -> None:
    details = {finding.subject: finding.detail for finding in examine_controls(machine.root)}
    assert details == {
        f"amdgpu {CARD} power limit": "203 W, range 100 to 233 W",
        f"amdgpu {CARD} core clock ceiling": "2581 MHz, range 500 to 2800 MHz",
        f"amdgpu {CARD} memory clock ceiling": "1000 MHz, range 674 to 1075 MHz",
        f"amdgpu {CARD} voltage offset": "0 mV, the driver states no range",
    }


@pytest.mark.parametrize("kernel_version", ["6.12", "later"])
def test_a_sleeping_card_is_woken_before_it_is_read_and_may_sleep_again_afterwards(
    tree: Tree, kernel_version: str
) -> None:
    tree.add(Card("navi21", CARD, kernel=kernel_version))
    control = AmdgpuControl(tree.root)

    def sleep() -> None:
        with tree.change(CARD) as state:
            state["runtime"], state["keep_awake"] = "suspended", "auto"

    sleep()
    problems = control.check(QUIET)
    if kernel_version == "6.12":
        assert problems == []
    else:  # nothing that changes nothing wakes this one here: there is no node to open
        assert "sleeps or is being reset" in problems[0].what
    sleep()
    snapshot = control.snapshot()
    assert snapshot[CARD]["table"] == BOOT
    sleep()
    control.apply(QUIET)
    sleep()
    control.read_back(QUIET)
    sleep()
    control.restore(snapshot)
    assert tree.state(CARD)["firmware"] == BOOT
    assert tree.state(CARD)["keep_awake"] == "auto"


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (PermissionError(1, "Operation not permitted"), "sleeps or is being reset"),
        (OSError(22, "Invalid argument"), "the driver refused 'x'"),
        (FileNotFoundError(2, "No such file"), "is not there"),
        (OSError(19, "No such device"), "No such device"),
    ],
)
def test_each_way_in_which_the_kernel_refuses_a_write_has_its_own_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, message: str
) -> None:
    def refuse(*_: Any) -> int:
        raise error

    monkeypatch.setattr(kernel.SystemFiles, "write", refuse)
    with pytest.raises(ControlRefused, match=message):
        write_text(tmp_path / "attribute", "x")


def test_a_write_longer_than_the_kernel_takes_is_never_sent(tmp_path: Path) -> None:
    path = tmp_path / "attribute"
    path.write_text("0\n")
    with pytest.raises(ControlRefused, match="more than the kernel takes"):
        write_text(path, "x" * 127)
    assert path.read_text() == "0\n"
