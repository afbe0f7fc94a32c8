"""What a plugin offers to a plan that is being written is what its control takes, to the last step."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.plan.schema import ProfileSpec
from harness.plan.tunings import Tuning
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.amdgpu.ranges import tunings_below
from harness_plugins.intelgpu import tunings_of
from harness_plugins.intelgpu.control import IntelgpuControl
from harness_plugins.nvml.card import Card
from harness_plugins.nvml.control import NvmlControl
from harness_plugins.nvml.library import Library
from harness_plugins.nvml.ranges import tuning_of
from harness_plugins.nvml.recording import Replay

#: As the kernel's Documentation/gpu/amdgpu/thermal.rst shows such a table.
TABLE = """OD_SCLK:
0: 500Mhz
1: 2581Mhz
OD_MCLK:
0: 97Mhz
1: 1000MHz
OD_VDDGFX_OFFSET:
0mV
OD_RANGE:
SCLK:     500Mhz       2800Mhz
MCLK:     674Mhz       1075Mhz
VDDGFX_OFFSET:    -200mv          0mv
"""


def nvidia(sysfs: Any) -> tuple[Tuning, Any]:
    from pathlib import Path

    card = Card(Library(Replay.from_file(Path(__file__).parent / "nvml" / "recorded_card.json")))
    return tuning_of(card), NvmlControl(lambda: [card], lambda: True)


def amd(sysfs: Any) -> tuple[Tuning, Any]:
    power = {
        "power1_cap": 203000000, "power1_cap_min": 100000000, "power1_cap_max": 233000000,
        "power1_cap_default": 203000000, "temp1_input": 50000,
    }  # fmt: skip
    device = {"power_dpm_force_performance_level": "auto", "pp_od_clk_voltage": TABLE}
    sysfs.add_chip(3, "amdgpu", power, "0000:03:00.0", device)
    (tuning,) = tunings_below(sysfs.root)
    return tuning, AmdgpuControl(sysfs.root)


def intel(sysfs: Any) -> tuple[Tuning, Any]:
    sysfs.add_chip(0, "xe", {"power1_max": 190000000, "power1_rated_max": 190000000}, "0000:05:00.0")
    control = IntelgpuControl(sysfs.root)
    (tuning,) = tunings_of(control.cards())
    return tuning, control


@pytest.mark.parametrize("made", [nvidia, amd, intel])
def test_the_ends_of_each_range_are_taken_and_what_lies_beyond_is_not(
    made: Callable[[Any], tuple[Tuning, Any]], sysfs: Any
) -> None:
    tuning, control = made(sysfs)
    assert tuning.ranges

    def refused(key: str, value: float) -> bool:
        options = {key: int(value)}
        profile = ProfileSpec.model_validate({"name": "q", "control": tuning.control, "options": options})
        try:
            return any(not problem.of_machine for problem in control.check(profile))
        except ValueError:  # the key's own model says no
            return True

    for bounds in tuning.ranges:
        assert not refused(bounds.key, bounds.lowest), bounds
        assert not refused(bounds.key, bounds.highest), bounds
        assert refused(bounds.key, bounds.lowest - 1), bounds
        assert refused(bounds.key, bounds.highest + 1), bounds
        assert bounds.refusal(bounds.highest) is None
        assert f"choose {bounds.words}" in (bounds.refusal(bounds.highest + 1) or "")


def test_the_recorded_card_is_offered_as_its_driver_describes_it(sysfs: Any) -> None:
    tuning, _ = nvidia(sysfs)
    (power, *_) = tuning.ranges
    assert (power.key, power.lowest, power.highest, power.factory) == ("power_limit_w", 200, 700, 700)
    assert tuning.card
