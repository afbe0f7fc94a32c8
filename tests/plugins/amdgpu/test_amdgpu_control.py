"""The table's text and commands are those of the kernel's Documentation/gpu/amdgpu/thermal.rst."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from harness.errors import ControlRefused, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.amdgpu.doctor import examine_controls
from harness_plugins.amdgpu.table import parse_table
from harness_plugins.hwmon.sysfs import write_text

CARD = "0000:03:00.0"
TABLE = """OD_SCLK:
0: {low}Mhz
1: {high}Mhz
OD_MCLK:
0: 97Mhz
1: {memory}MHz
OD_VDDGFX_OFFSET:
{offset}mV
OD_RANGE:
SCLK:     500Mhz       2800Mhz
MCLK:     674Mhz       1075Mhz
VDDGFX_OFFSET:    -200mv          0mv"""
FACTORY = {"low": 500, "high": 2581, "memory": 1000, "offset": 0}


class FakeDriver:
    """Takes writes as the kernel's driver does: parses, waits for the commit, refuses the unknown."""

    def __init__(self, sysfs: Any) -> None:
        self.values = dict(FACTORY)
        self.staged = dict(FACTORY)
        self.writes: list[str] = []
        self.deaf_to: str | None = None
        self.fault_at: str | None = None
        power = {
            "power1_cap": 203000000, "power1_cap_min": 100000000, "power1_cap_max": 233000000,
            "power1_cap_default": 203000000, "temp1_input": 50000,
        }  # fmt: skip
        device = {"power_dpm_force_performance_level": "auto", "mem_info_vram_total": 17163091968}
        self.folder: Path = sysfs.add_chip(3, "amdgpu", power, CARD, device)
        self._show()

    def _show(self) -> None:
        (self.folder / "device" / "pp_od_clk_voltage").write_text(TABLE.format(**self.values) + "\n")

    def write(self, path: Path, text: str) -> None:
        self.writes.append(f"{path.name} {text}")
        if self.fault_at is not None and self.writes[-1].startswith(self.fault_at):
            raise ControlRefused(f"{path}: {text!r} was not permitted (Operation not permitted)")
        if self.deaf_to is not None and self.writes[-1].startswith(self.deaf_to):
            return
        if path.name != "pp_od_clk_voltage":
            write_text(path, text)
            return
        if (path.parent / "power_dpm_force_performance_level").read_text().strip() != "manual":
            raise ControlRefused(f"{path}: the driver refused {text!r} (Invalid argument)")
        match text.split():
            case ["s", "1", value]:
                self.staged["high"] = int(value)
            case ["m", "1", value]:
                self.staged["memory"] = int(value)
            case ["vo", value]:
                self.staged["offset"] = int(value)
            case ["r"]:
                self.staged = dict(FACTORY)
            case ["c"]:
                self.values = dict(self.staged)
                self._show()
            case _:
                raise ControlRefused(f"{path}: the driver refused {text!r} (Invalid argument)")


@pytest.fixture
def driver(sysfs: Any, monkeypatch: pytest.MonkeyPatch) -> FakeDriver:
    fake = FakeDriver(sysfs)
    monkeypatch.setattr("harness_plugins.amdgpu.control.write_text", fake.write)
    return fake


def control_of(sysfs: Any) -> AmdgpuControl:
    return AmdgpuControl(sysfs.root)


def profile_of(**options: Any) -> ProfileSpec:
    return ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", **options})


QUIET = profile_of(
    power_limit_w=150, core_clock_ceiling_mhz=2300, memory_clock_ceiling_mhz=900, voltage_offset_mv=-60
)


def files_of(driver: FakeDriver) -> dict[str, str]:
    device = driver.folder / "device"
    return {
        "cap": (driver.folder / "power1_cap").read_text().strip(),
        "level": (device / "power_dpm_force_performance_level").read_text().strip(),
        "table": (device / "pp_od_clk_voltage").read_text().strip(),
    }


def test_the_table_of_the_kernels_documentation_is_read() -> None:
    table = parse_table(TABLE.format(**FACTORY))
    assert table.core_clock_mhz == (500, 2581)
    assert table.memory_clock_mhz == (97, 1000)
    assert table.voltage_offset_mv == 0
    assert table.ranges == {"SCLK": (500, 2800), "MCLK": (674, 1075), "VDDGFX_OFFSET": (-200, 0)}


def test_unknown_sections_and_an_empty_file_are_no_error() -> None:
    text = "OD_VDDC_CURVE:\n0: 500Mhz 700mV\nOD_SOMETHING_NEW:\nabc\nOD_MCLK:\n1: 875Mhz"
    assert parse_table(text).memory_clock_mhz == (0, 875)
    assert parse_table(text).core_clock_mhz is None
    assert parse_table("").ranges == {}


def test_a_profile_is_applied_read_back_and_put_back_to_the_last_byte(sysfs: Any, driver: FakeDriver) -> None:
    control, before = control_of(sysfs), files_of(driver)
    assert control.check(QUIET) == []
    snapshot = control.snapshot()
    control.apply(QUIET)
    seen = control.read_back(QUIET)
    assert (seen["power_limit_w"], seen["core_clock_ceiling_mhz"]) == (150.0, 2300)
    assert (seen["memory_clock_ceiling_mhz"], seen["voltage_offset_mv"]) == (900, -60)
    assert seen["performance_level"] == "manual"
    assert len(control.factory_deviations()) == 3
    control.restore(snapshot)
    assert files_of(driver) == before
    assert control.factory_deviations() == []


def test_manual_comes_before_the_table_and_the_commit_after_it(sysfs: Any, driver: FakeDriver) -> None:
    control_of(sysfs).apply(QUIET)
    assert driver.writes == [
        "power1_cap 150000000",
        "power_dpm_force_performance_level manual",
        "pp_od_clk_voltage s 1 2300",
        "pp_od_clk_voltage m 1 900",
        "pp_od_clk_voltage vo -60",
        "pp_od_clk_voltage c",
    ]


def test_a_power_limit_alone_leaves_clocks_and_level_alone(sysfs: Any, driver: FakeDriver) -> None:
    control_of(sysfs).apply(profile_of(power_limit_w=180))
    assert driver.writes == ["power1_cap 180000000"]


def test_reading_back_finds_a_write_that_the_driver_swallowed(sysfs: Any, driver: FakeDriver) -> None:
    driver.deaf_to = "pp_od_clk_voltage vo"
    control = control_of(sysfs)
    control.apply(QUIET)
    with pytest.raises(ControlRefused, match=r"voltage offset, mV, is 0, not -60"):
        control.read_back(QUIET)


def test_what_another_program_changed_afterwards_is_found(sysfs: Any, driver: FakeDriver) -> None:
    control = control_of(sysfs)
    control.apply(QUIET)
    (driver.folder / "power1_cap").write_text("203000000\n")
    with pytest.raises(ControlRefused, match="power limit is 203 W, not 150 W"):
        control.read_back(QUIET)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"power_limit_w": 99}, "choose from 100 to 203 W"),
        ({"power_limit_w": 204}, "choose from 100 to 203 W"),
        ({"core_clock_ceiling_mhz": 2600}, "choose from 500 to 2581 MHz"),
        ({"core_clock_ceiling_mhz": 400}, "choose from 500 to 2581 MHz"),
        ({"memory_clock_ceiling_mhz": 1050}, "choose from 674 to 1000 MHz"),
        ({"voltage_offset_mv": -250}, "choose from -200 to 0 mV"),
    ],
)
def test_values_outside_the_drivers_range_or_above_the_state_found_are_refused_and_nothing_is_written(
    sysfs: Any, driver: FakeDriver, options: dict[str, int], message: str
) -> None:
    (problem,) = control_of(sysfs).check(profile_of(**options))
    assert message in problem.remedy
    with pytest.raises(ControlRefused):
        control_of(sysfs).apply(profile_of(**options))
    assert driver.writes == []


def test_nothing_is_raised_above_the_state_found_where_that_is_below_the_makers(
    sysfs: Any, driver: FakeDriver
) -> None:
    (driver.folder / "power1_cap").write_text("180000000\n")
    driver.values["offset"] = -80
    driver._show()
    (power,) = control_of(sysfs).check(profile_of(power_limit_w=190))
    assert "choose from 100 to 180 W" in power.remedy
    (voltage,) = control_of(sysfs).check(profile_of(voltage_offset_mv=-60))
    assert "choose from -200 to -80 mV" in voltage.remedy
    assert driver.writes == []


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({"voltage_offset_mv": 150}, "voltage_offset_mv 150 can't be what was found"),
        ({"power1_cap": 999_000_000}, "power1_cap 999000000 can't be"),
        ({"power1_cap": 0}, "power1_cap 0 can't be"),
        ({"core_clock_ceiling_mhz": 4000}, "core_clock_ceiling_mhz 4000 can't be"),
        ({"memory_clock_ceiling_mhz": -5}, "memory_clock_ceiling_mhz -5 can't be"),
        ({"power1_cap": "150000000\nrm"}, "is not known"),
        ({"power_dpm_force_performance_level": "anything"}, "is not known"),
        ({"power_dpm_force_performance_level": ["auto"]}, "is not known"),
        ({"no such key": 1}, "is not known"),
    ],
)
def test_a_planted_state_is_never_written_the_makers_is(
    sysfs: Any, driver: FakeDriver, state: dict[str, Any], said: str
) -> None:
    before = files_of(driver)
    control = control_of(sysfs)
    control.apply(QUIET)
    with pytest.raises(RestoreUnproven, match=said):
        control.restore({CARD: state})
    assert files_of(driver) == before
    planted = {str(value) for value in state.values()}
    assert not [write for write in driver.writes if write.split(maxsplit=1)[1].split()[-1] in planted - {"1"}]


def test_without_a_record_a_tuned_card_goes_to_the_makers_state_and_an_untouched_one_is_not_written_to(
    sysfs: Any, driver: FakeDriver
) -> None:
    control, before = control_of(sysfs), files_of(driver)
    control.restore({})
    assert driver.writes == []
    control.apply(QUIET)
    control.restore({})
    assert files_of(driver) == before


@pytest.mark.parametrize(
    "deaf", ["power1_cap 203", "pp_od_clk_voltage c", "power_dpm_force_performance_level auto"]
)
def test_a_driver_that_says_yes_and_does_nothing_is_found_when_the_restore_is_read_back(
    sysfs: Any, driver: FakeDriver, deaf: str
) -> None:
    control = control_of(sysfs)
    snapshot = control.snapshot()
    control.apply(QUIET)
    driver.deaf_to = deaf
    with pytest.raises(ControlRefused, match="not restored"):
        control.restore(snapshot)


def test_voltage_is_never_raised(sysfs: Any, driver: FakeDriver) -> None:
    with pytest.raises(ValidationError, match="less than or equal to 0"):
        control_of(sysfs).check(profile_of(voltage_offset_mv=10))


@pytest.mark.parametrize("fault", ["pp_od_clk_voltage m", "pp_od_clk_voltage c", "power_dpm", "power1_cap"])
def test_after_a_fault_at_any_write_the_restore_brings_the_factory_state(
    sysfs: Any, driver: FakeDriver, fault: str
) -> None:
    control, before = control_of(sysfs), files_of(driver)
    snapshot = control.snapshot()
    driver.fault_at = fault
    with pytest.raises(ControlRefused, match="not permitted"):
        control.apply(QUIET)
    driver.fault_at = None
    control.restore(snapshot)
    assert files_of(driver) == before
    assert driver.staged == FACTORY


def test_a_restore_that_is_refused_says_so_and_still_does_the_other_steps(
    sysfs: Any, driver: FakeDriver
) -> None:
    control = control_of(sysfs)
    snapshot = control.snapshot()
    control.apply(QUIET)
    driver.fault_at = "power1_cap"
    with pytest.raises(ControlRefused, match="a restart puts these cards back"):
        control.restore(snapshot)
    assert driver.values == FACTORY
    assert files_of(driver)["level"] == "auto"


def test_a_state_of_the_users_own_is_put_back_as_it_was(sysfs: Any, driver: FakeDriver) -> None:
    own = driver.folder / "device" / "power_dpm_force_performance_level"
    own.write_text("manual\n")
    for command in ("vo -25", "c"):
        driver.write(driver.folder / "device" / "pp_od_clk_voltage", command)
    control, before = control_of(sysfs), files_of(driver)
    snapshot = control.snapshot()
    control.apply(profile_of(core_clock_ceiling_mhz=2200))
    control.restore(snapshot)
    assert files_of(driver) == before


def test_a_card_that_was_lost_can_not_be_restored_and_that_is_said(sysfs: Any, driver: FakeDriver) -> None:
    control = control_of(sysfs)
    snapshot = control.snapshot()
    (driver.folder / "name").write_text("")
    with pytest.raises(ControlRefused, match=f"card {CARD} is gone"):
        control.restore(snapshot)


def test_clock_and_power_seen_under_load_must_keep_below_the_profile(sysfs: Any, driver: FakeDriver) -> None:
    control = control_of(sysfs)
    good = {"core_clock_mhz": [2290.0] * 20, "power_average_w": [149.0, 152.0] * 10}
    assert control.verify_under_load(QUIET, good, None) == []
    bad = {"core_clock_mhz": [2550.0] * 20, "power_average_w": [201.0] * 20}
    sentences = control.verify_under_load(QUIET, bad, None)
    assert ["2550 MHz" in sentences[0], "201 W" in sentences[1], len(sentences)] == [True, True, 2]
    assert control.verify_under_load(QUIET, {"core_clock_mhz": [2550.0] * 3}, None) == []


def test_without_the_right_to_write_the_check_says_what_to_grant(
    sysfs: Any, driver: FakeDriver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    problems = control_of(sysfs).check(QUIET)
    assert len(problems) == 2
    assert all("udev rule" in problem.remedy for problem in problems)
    findings = examine_controls(sysfs.root)
    assert {finding.state for finding in findings} == {"missing"}


def test_a_machine_without_such_a_card_refuses_the_profile_and_restores_nothing(tmp_path: Path) -> None:
    control = AmdgpuControl(tmp_path)
    (problem,) = control.check(QUIET)
    assert "no AMD card in this machine (there: none)" in problem.what
    assert control.snapshot() == {}
    assert control.factory_deviations() == []


def test_doctor_shows_each_control_with_its_range(sysfs: Any, driver: FakeDriver) -> None:
    details = {finding.subject: finding.detail for finding in examine_controls(sysfs.root)}
    assert details == {
        f"amdgpu {CARD} power limit": "203 W, range 100 to 233 W",
        f"amdgpu {CARD} core clock ceiling": "2581 MHz, range 500 to 2800 MHz",
        f"amdgpu {CARD} memory clock ceiling": "1000 MHz, range 674 to 1075 MHz",
        f"amdgpu {CARD} voltage offset": "0 mV, range -200 to 0 mV",
    }
    (driver.folder / "device" / "pp_od_clk_voltage").write_text("")
    assert "overdrive" in examine_controls(sysfs.root)[1].remedy


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
    sysfs: Any, monkeypatch: pytest.MonkeyPatch, error: OSError, message: str
) -> None:
    path = sysfs.write("class", {"attribute": "0"}) / "attribute"

    def refuse(*_: Any) -> int:
        raise error

    monkeypatch.setattr(os, "write", refuse)
    with pytest.raises(ControlRefused, match=message):
        write_text(path, "x")


def test_a_write_longer_than_the_kernel_takes_is_never_sent(sysfs: Any) -> None:
    path = sysfs.write("class", {"attribute": "0"}) / "attribute"
    with pytest.raises(ControlRefused, match="more than the kernel takes"):
        write_text(path, "x" * 127)
    assert path.read_text() == "0\n"
