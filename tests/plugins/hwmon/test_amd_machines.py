"""AMD cards and processors of the machine in tests/machine, as the sensor reads them."""

from __future__ import annotations

import sys
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.plan.schema import ProfileSpec
from harness.telemetry.limits import reason_words
from harness.testing import FakeClock
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.host.sensor import processor_temp_c
from harness_plugins.hwmon import wake
from harness_plugins.hwmon.doctor import examine_hwmon
from harness_plugins.hwmon.metrics import limit_reasons
from harness_plugins.hwmon.sensor import FileSensor, HwmonOptions, open_hwmon
from tests.machine.amd import GENERATIONS, KERNELS, Card
from tests.machine.amd_print import metrics
from tests.machine.processors import (
    Thermometer,
    before_zen,
    coretemp,
    coretemp_without_package,
    zen,
    zen_with_offset,
)
from tests.machine.tree import Tree

HOME = "0000:03:00.0"
QUIET = ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", "voltage_offset_mv": -50})
#: Generations whose gpu_metrics tells the reasons in bits that mean the same on every card.
TELLING = {"navi10", "navi21", "navi21-early", "navi31", "navi33", "navi48", "vangogh"}


def sensors_of(tree: Tree) -> dict[str, FileSensor]:
    sensors = open_hwmon(FakeClock(), HwmonOptions(root=str(tree.root)), HOME)
    return {sensor.name: sensor for sensor in sensors}


@pytest.mark.parametrize("kernel", KERNELS)
@pytest.mark.parametrize("generation", GENERATIONS)
def test_a_card_tells_what_its_generation_tells_and_why_its_clock_is_held_down(
    tree: Tree, generation: str, kernel: str
) -> None:
    tree.add(Card(generation, HOME, kernel=kernel))
    with tree.change(HOME) as state:
        state["power_w"], state["core_c"] = 101.5, 61.0
        state["throttled"] = 1 << 0 | 1 << 36  # PPT0, hotspot
    sensor = sensors_of(tree)[f"hwmon:amdgpu-{HOME}"]
    channels = {channel.quantity: channel for channel in sensor.channels()}
    readings = sensor.read(set(channels))
    power = "power_w" if "power_w" in channels else "power_average_w"
    assert (readings[power], readings["core_temp_c"]) == (101.5, 61.0)
    make = GENERATIONS[generation]
    assert ("the whole package" in channels[power].note) == make.apu
    assert ("hotspot_temp_c" in channels) == (not make.apu and generation != "polaris")
    assert ("power_limit_w" in channels) == bool(make.cap_w)
    assert ("limit_reasons" in channels) == (generation in TELLING)
    if generation in TELLING:
        words = reason_words(int(readings["limit_reasons"] or 0))
        assert words == ["power limit (software)", "temperature limit (hardware)"]
    absent = {f.subject for f in examine_hwmon(tree.root) if f.state == "absent"}
    assert (f"card {HOME} limit_reasons" in absent) == (generation not in TELLING)


@pytest.mark.parametrize(
    ("bit", "word"),
    [
        (5, "power limit (software)"),  # amdgpu_smu.h 6.12:50 FPPT
        (16, "current limit"),  # 55 TDC_GFX
        (35, "temperature limit (hardware)"),  # 68 TEMP_EDGE
        (38, "temperature limit (voltage regulator)"),  # 71 TEMP_VR_GFX
        (44, "temperature limit (voltage regulator)"),  # 77 VRHOT0
        (47, "hardware slowdown"),  # 80 PROCHOT_GFX
        (57, "another limit of the card"),  # 84 FIT
        (63, "another limit of the card"),
    ],
)
def test_each_bit_of_the_cards_status_has_its_meaning(bit: int, word: str) -> None:
    assert reason_words(limit_reasons(metrics((1, 3), 1 << bit)) or 0) == [word]


@pytest.mark.parametrize(
    "data", [b"", b"\x78\x00\x01", b"\xff" * 120, metrics((1, 0), 1), metrics((2, 1), 1)]
)
def test_forms_that_tell_no_such_status_are_not_read(data: bytes) -> None:
    assert limit_reasons(data) is None


def test_a_status_that_the_card_does_not_fill_is_no_reason() -> None:
    assert limit_reasons(metrics((1, 3), 2**64 - 1)) is None
    assert limit_reasons(metrics((1, 3), 0)) == 0


@pytest.mark.parametrize(
    ("device", "celsius", "told"),
    [
        (zen(die_c=55), 55.0, "Tctl"),
        (zen_with_offset(die_c=50, offset_c=27), 50.0, "Tdie"),
        (zen_with_offset(die_c=50, offset_c=10), 50.0, "Tdie"),
        (before_zen(control_c=30), 30.0, "not a real temperature"),
        (coretemp(package_c=62), 62.0, ""),
        (coretemp_without_package(hottest_c=61), 61.0, ""),
    ],
)
def test_a_processors_temperature_is_that_of_its_real_sensor(
    tree: Tree, device: Thermometer, celsius: float, told: str
) -> None:
    """k10temp.c 6.12:117-126: offsets of 10, 20 and 27 °C; k10temp.rst: Tdie is the real one."""
    tree.add(device)
    sensor = sensors_of(tree)["hwmon:machine"]
    (channel,) = sensor.channels()
    assert sensor.read({"cpu_temp_c"}) == {"cpu_temp_c": celsius}
    assert told in channel.note


def test_the_hottest_core_is_looked_for_at_each_reading(tree: Tree) -> None:
    tree.add(coretemp_without_package(hottest_c=61))
    sensor = sensors_of(tree)["hwmon:machine"]
    with tree.change("platform/coretemp.0") as state:
        state["temp2"] = 70_000
    assert sensor.read({"cpu_temp_c"}) == {"cpu_temp_c": 70.0}


class _Entry:
    def __init__(self, label: str, current: float) -> None:
        self.label, self.current = label, current


@pytest.mark.parametrize(
    ("chips", "celsius"),
    [
        ({"k10temp": [_Entry("Tctl", 77.0), _Entry("Tdie", 50.0), _Entry("Tccd1", 49.0)]}, 50.0),
        ({"k10temp": [_Entry("Tctl", 55.0), _Entry("Tccd1", 58.0)]}, 55.0),
        ({"coretemp": [_Entry("Package id 0", 60.0), _Entry("Core 0", 61.0)]}, 60.0),
        ({"coretemp": [_Entry("Core 0", 59.0), _Entry("Core 1", 61.0)]}, 61.0),
        ({}, None),
    ],
)
def test_the_other_way_to_read_it_takes_the_same_sensor(chips: dict[str, Any], celsius: float | None) -> None:
    assert processor_temp_c(chips) == celsius


@pytest.mark.parametrize("kernel", ["6.12", "later"])
def test_a_sleeping_card_is_woken_before_it_is_read(
    tree: Tree, monkeypatch: pytest.MonkeyPatch, kernel: str
) -> None:
    """Later kernels answer EPERM; opening the card for drawing wakes it."""
    tree.add(Card("navi21", HOME, kernel=kernel))

    def set_runtime(word: str) -> None:
        with tree.change(HOME) as state:
            state["runtime"] = word

    node = tree.root / "class/hwmon/hwmon3/device/drm/renderD128"
    node.mkdir(parents=True)
    monkeypatch.setattr(wake, "open_node", lambda name: set_runtime("active"))
    set_runtime("suspended")
    sensor = sensors_of(tree)[f"hwmon:amdgpu-{HOME}"]
    assert sensor.read({"core_temp_c"}) == {"core_temp_c": 45.0}
    set_runtime("suspended")
    assert sensor.read({"core_temp_c"}) == {"core_temp_c": 45.0}
    control = AmdgpuControl(tree.root)
    set_runtime("suspended")
    assert control.check(QUIET) == []
    assert tree.writes == []


def test_a_processor_with_graphics_is_read_beside_its_own_sensor(tree: Tree) -> None:
    tree.add(Card("rembrandt", HOME))
    tree.add(zen())
    sensors = sensors_of(tree)
    assert set(sensors) == {f"hwmon:amdgpu-{HOME}", "hwmon:machine"}
    notes = {channel.quantity: channel.note for channel in sensors[f"hwmon:amdgpu-{HOME}"].channels()}
    assert notes["power_average_w"] == "of the whole package: processor and graphics"
