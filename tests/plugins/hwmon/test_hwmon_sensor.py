"""The fabricated tree follows the kernel's Documentation/gpu/amdgpu/thermal.rst, its ABI files
sysfs-driver-intel-xe-hwmon and sysfs-driver-intel-i915-hwmon, and Documentation/hwmon/sysfs-interface.rst."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from harness.card import choose_card
from harness.errors import SensorUnavailable
from harness.tables import QUANTITIES
from harness.testing import FakeClock
from harness_plugins.hwmon.doctor import examine_hwmon
from harness_plugins.hwmon.graphics import find_graphics
from harness_plugins.hwmon.sensor import FileSensor, HwmonOptions, open_hwmon
from harness_plugins.hwmon.sysfs import factor_of

CARD = "0000:03:00.0"
AMD = {
    "temp1_input": 54000, "temp1_label": "edge",
    "temp2_input": 71000, "temp2_label": "junction",
    "temp3_input": 66000, "temp3_label": "mem",
    "in0_input": 1043, "in0_label": "vddgfx",
    "freq1_input": 2301000000, "freq1_label": "sclk",
    "freq2_input": 1000000000, "freq2_label": "mclk",
    "power1_average": 187000000, "power1_cap": 203000000,
    "fan1_input": 1480, "pwm1": 102, "pwm1_enable": 2,
}  # fmt: skip
AMD_DEVICE = {"gpu_busy_percent": 97, "mem_info_vram_used": 4294967296, "mem_info_vram_total": 17163091968}


def opened(sysfs: Any, clock: FakeClock | None = None, **options: Any) -> dict[str, FileSensor]:
    options_ = HwmonOptions(root=str(sysfs.root), **options)
    card = choose_card([one.as_card() for one in find_graphics(sysfs.root)], [])
    opened_ = open_hwmon(clock or FakeClock(), options_, card and card.address)
    return {sensor.name: sensor for sensor in opened_}


def readings_of(sensor: FileSensor) -> dict[str, Any]:
    return dict(sensor.read([channel.quantity for channel in sensor.channels()]))


def test_an_amd_card_is_read_in_the_units_of_the_telemetry_table(sysfs: Any) -> None:
    sysfs.add_chip(4, "amdgpu", AMD, CARD, AMD_DEVICE)
    sensor = opened(sysfs)[f"hwmon:amdgpu-{CARD}"]
    assert readings_of(sensor) == pytest.approx(
        {
            "core_temp_c": 54.0,
            "hotspot_temp_c": 71.0,
            "memory_temp_c": 66.0,
            "core_voltage_mv": 1043.0,
            "core_clock_mhz": 2301.0,
            "memory_clock_mhz": 1000.0,
            "power_average_w": 187.0,
            "power_limit_w": 203.0,
            "fan_rpm": 1480.0,
            "fan_pct": 40.0,
            "gpu_load_pct": 97.0,
            "gpu_memory_used_mib": 4096.0,
        }
    )
    assert {channel.quantity for channel in sensor.channels()} <= set(QUANTITIES)
    assert all("hwmon" in channel.source for channel in sensor.channels())


def test_average_and_instantaneous_power_are_told_apart(sysfs: Any) -> None:
    sysfs.add_chip(0, "amdgpu", {"power1_input": 90000000, "power1_average": 95000000}, CARD)
    assert readings_of(opened(sysfs)[f"hwmon:amdgpu-{CARD}"]) == {"power_w": 90.0, "power_average_w": 95.0}


def test_temperatures_are_chosen_by_label_not_by_number(sysfs: Any) -> None:
    files = {"temp1_input": 80000, "temp1_label": "junction", "temp2_input": 60000, "temp2_label": "edge"}
    sysfs.add_chip(0, "amdgpu", files, CARD)
    assert readings_of(opened(sysfs)[f"hwmon:amdgpu-{CARD}"]) == {"core_temp_c": 60.0, "hotspot_temp_c": 80.0}


def test_what_a_card_lacks_is_left_out_and_a_fan_at_rest_is_0_not_absent(sysfs: Any) -> None:
    sysfs.add_chip(0, "amdgpu", {"temp1_input": 40000, "fan1_input": 0}, CARD)
    assert readings_of(opened(sysfs)[f"hwmon:amdgpu-{CARD}"]) == {"core_temp_c": 40.0, "fan_rpm": 0.0}


def test_a_file_that_can_not_be_read_now_is_no_reading_and_a_card_that_is_gone_is_an_error(
    sysfs: Any,
) -> None:
    folder = sysfs.add_chip(0, "amdgpu", AMD, CARD, AMD_DEVICE)
    sensor = opened(sysfs)[f"hwmon:amdgpu-{CARD}"]
    (folder / "power1_average").write_text("")
    assert sensor.read(["power_average_w", "core_temp_c"]) == {"power_average_w": None, "core_temp_c": 54.0}
    shutil.rmtree((folder / "device").resolve())
    shutil.rmtree(folder)
    with pytest.raises(SensorUnavailable, match="the card was lost"):
        sensor.read(["core_temp_c"])


def test_a_card_in_reset_that_permits_no_reading_gives_nulls_and_comes_back(
    sysfs: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The kernel's amdgpu driver answers EPERM to everybody while the card is in reset or suspended.
    sysfs.add_chip(0, "amdgpu", AMD, CARD, AMD_DEVICE)
    sensor = opened(sysfs)[f"hwmon:amdgpu-{CARD}"]

    def refused(*_: Any) -> str:
        raise PermissionError(1, "Operation not permitted")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "read_bytes", refused)
        assert set(readings_of(sensor).values()) == {None}
    assert readings_of(sensor)["core_temp_c"] == 54.0


def test_an_intel_cards_power_is_its_energy_counters_growth_over_time(sysfs: Any) -> None:
    clock = FakeClock()
    files = {
        "energy1_input": 5_000_000, "energy1_label": "card",
        "energy2_input": 4_000_000, "energy2_label": "pkg",
        "temp2_input": 61000, "temp2_label": "pkg", "temp3_input": 70000, "temp3_label": "vram",
        "power1_max": 190000000, "fan1_input": 1200, "in1_input": 870, "in1_label": "pkg",
    }  # fmt: skip
    folder = sysfs.add_chip(2, "xe", files, "0000:05:00.0")
    sensor = opened(sysfs, clock)["hwmon:xe-0000:05:00.0"]
    first = readings_of(sensor)
    assert (first["energy_j"], first["power_average_w"]) == (5.0, None)
    assert (first["core_temp_c"], first["memory_temp_c"], first["core_voltage_mv"]) == (61.0, 70.0, 870.0)
    assert (first["power_limit_w"], first["fan_rpm"]) == (190.0, 1200.0)
    clock.sleep_s(0.5)
    (folder / "energy1_input").write_text("80000000\n")
    assert sensor.read(["power_average_w"]) == {"power_average_w": pytest.approx(150.0)}
    clock.sleep_s(0.5)
    (folder / "energy1_input").write_text("1000\n")  # the driver was loaded again
    assert sensor.read(["power_average_w"]) == {"power_average_w": None}


def test_an_intel_power_limit_of_0_is_off_and_no_reading(sysfs: Any) -> None:
    sysfs.add_chip(0, "i915", {"energy1_input": 1, "power1_max": 0}, "0000:05:00.0")
    offered = {c.quantity for c in opened(sysfs)["hwmon:i915-0000:05:00.0"].channels()}
    assert offered == {"energy_j", "power_average_w"}


def test_the_drivers_parts_of_an_intel_card_are_not_taken_for_cards(sysfs: Any) -> None:
    sysfs.add_chip(0, "i915_gt0", {"energy1_input": 1}, "0000:05:00.0")
    assert opened(sysfs) == {}


def test_processor_board_and_a_turning_fan_are_read(sysfs: Any) -> None:
    processor = {"temp1_input": 44000, "temp1_label": "Tctl", "temp3_input": 39000, "temp3_label": "Tccd1"}
    sysfs.add_chip(0, "k10temp", processor)
    board = {"temp1_input": 33000, "temp1_label": "SYSTIN", "fan1_input": 0, "fan2_input": 910}
    sysfs.add_chip(1, "nct6798", board)
    sensor = opened(sysfs)["hwmon:machine"]
    assert readings_of(sensor) == {"cpu_temp_c": 44.0, "board_temp_c": 33.0, "case_fan_rpm": 910.0}


def test_a_plan_can_name_any_file_for_any_quantity(sysfs: Any) -> None:
    sysfs.add_chip(0, "nct6798", {"temp5_input": 21500})
    sensor = opened(sysfs, files={"ambient_temp_c": "nct6798/temp5_input"})["hwmon:plan"]
    assert readings_of(sensor) == {"ambient_temp_c": 21.5}


def test_a_cards_file_that_a_plan_names_is_read_of_the_plans_card_alone(sysfs: Any) -> None:
    for number, (address, millidegrees) in enumerate({CARD: 90000, "0000:07:00.0": 40000}.items()):
        sysfs.add_chip(number, "amdgpu", {**AMD, "temp3_input": millidegrees}, address)
    options = HwmonOptions(root=str(sysfs.root), files={"memory_temp_c": "amdgpu/temp3_input"})
    seen = {s.name: s for s in open_hwmon(FakeClock(), options, "0000:07:00.0")}
    sensor = seen["hwmon:plan-0000:07:00.0"]
    assert readings_of(sensor) == {"memory_temp_c": 40.0}
    assert [channel.device for channel in sensor.channels()] == ["0000:07:00.0"]
    assert not [s for s in open_hwmon(FakeClock(), options, None) if "plan" in s.name]


def test_the_fan_of_a_card_that_is_not_read_here_is_no_fan_of_the_case(sysfs: Any) -> None:
    sysfs.add_chip(0, "nouveau", {"fan1_input": 1400}, "0000:01:00.0", {"class": "0x030000"})
    assert "hwmon:machine" not in opened(sysfs)


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"ambient": "nct6798/temp5_input"}, "no quantity 'ambient'"),
        ({"ambient_temp_c": "temp5_input"}, "is not of the form"),
        ({"ambient_temp_c": "nct6798/../../etc/passwd"}, "is not of the form"),
    ],
)
def test_wrong_files_are_refused(files: dict[str, str], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        HwmonOptions(files=files)


def test_a_system_without_monitoring_files_has_no_sensors_and_doctor_says_so(tmp_path: Path) -> None:
    options = HwmonOptions(root=str(tmp_path))
    assert open_hwmon(FakeClock(), options) == []
    (finding,) = examine_hwmon(tmp_path)
    assert finding.state == "absent"


def test_doctor_names_each_card_and_tells_one_that_sleeps(sysfs: Any) -> None:
    sysfs.add_chip(0, "amdgpu", AMD, CARD, {"power/runtime_status": "suspended", **AMD_DEVICE})
    sysfs.add_chip(1, "xe", {"energy1_input": 1}, "0000:05:00.0", {"power/runtime_status": "active"})
    sysfs.add_chip(2, "k10temp", {"temp1_input": 44000})
    states = {finding.subject: finding.state for finding in examine_hwmon(sysfs.root)}
    assert states[f"card {CARD}"] == "missing"
    assert states["card 0000:05:00.0"] == "ok"
    assert states["card 0000:05:00.0 gpu_load_pct"] == "absent"


def test_units_follow_the_kernels_interface() -> None:
    # Documentation/hwmon/sysfs-interface.rst: temp m°C, in mV, power µW, energy µJ, fan RPM, pwm 0 to 255.
    given = {"temp1_input": 1e-3, "in0_input": 1, "power1_cap": 1e-6, "energy1_input": 1e-6, "fan2_input": 1}
    assert {name: factor_of(name) for name in given} == given
    assert factor_of("freq1_input") == 1e-6
    assert factor_of("pwm1") == pytest.approx(100 / 255)
    assert factor_of("name") is None
