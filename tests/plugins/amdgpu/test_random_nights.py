"""Random cards, kernels, settings made by hand, profiles and kills: the card always ends as it was found.

And nothing was ever in force above what was found: no clock, no voltage, no power limit.
"""

from __future__ import annotations

import contextlib
import random
import sys
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from harness.errors import HarnessError
from harness.plan.schema import ProfileSpec
from harness_plugins.amdgpu import control as module
from harness_plugins.amdgpu.control import AmdgpuControl
from harness_plugins.amdgpu.ranges import tunings_below
from harness_plugins.hwmon import sysfs
from tests.machine.amd import GENERATIONS, KERNELS, Card
from tests.machine.amd_generations import Generation
from tests.machine.tree import Killed, Tree

HOME = "0000:03:00.0"
#: Their values raise nothing: lowest clocks, clocks of processor cores (not tuned), the fan.
_NO_RAISE = ("sclk.0", "mclk.0", "cclk", "fan", "acoustic")


def put(tree: Tree, name: str, text: str) -> None:
    with contextlib.suppress(OSError):  # what the driver refuses, a person does without
        tree.write(tree.root / "class/hwmon/hwmon3/device" / name, f"{text}\n".encode())


def tune_by_hand(tree: Tree, chance: random.Random, make: Generation) -> None:
    """What a person may have set before: whatever the driver takes, committed."""
    od, ranges = "pp_od_clk_voltage", make.ranges
    for _ in range(chance.randrange(0, 5)):
        match chance.choice(("clock", "memory", "offset", "point", "level", "cap", "mode", "fan")):
            case "clock" if "SCLK" in ranges:
                put(tree, od, f"s {chance.randrange(2)} {chance.randint(*ranges['SCLK'])}")
            case "memory" if "MCLK" in ranges:
                put(tree, od, f"m 1 {chance.randint(*ranges['MCLK'])}")
            case "offset":
                put(tree, od, f"vo {chance.randint(-150, 0)}")
                put(tree, od, f"s {chance.randint(-300, 100)}")
            case "point" if "VDDC_CURVE_SCLK[0]" in ranges:
                put(
                    tree,
                    od,
                    f"vc {chance.randrange(3)} {chance.randint(808, 2200)} {chance.randint(738, 1200)}",
                )
            case "level" if "VDDC" in ranges:
                mhz, mv = chance.randint(*ranges["SCLK"]), chance.randint(*ranges["VDDC"])
                put(tree, od, f"s {chance.randrange(8)} {mhz} {mv}")
            case "cap" if make.cap_w:
                watts = chance.randint(make.cap_w[1] // 2, make.cap_w[2])
                put(tree, "hwmon/hwmon3/power1_cap", f"{watts}000000")
            case "mode":
                level = chance.choice(("auto", "manual", "low", "high", "profile_peak"))
                put(tree, "power_dpm_force_performance_level", level)
            case "fan":
                point = f"{chance.randrange(5)} {chance.randint(25, 100)} {chance.randint(15, 100)}"
                put(tree, "gpu_od/fan_ctrl/fan_curve", point)
                put(tree, "gpu_od/fan_ctrl/fan_minimum_pwm", str(chance.randint(15, 60)))
    put(tree, od, "c")


def night(tree: Tree, chance: random.Random) -> tuple[dict[str, Any], dict[str, Any]]:
    """One profile applied and taken back, or refused, or killed; then a restore. State before and after."""
    generation = chance.choice(sorted(GENERATIONS))
    tree.add(Card(generation, HOME, kernel=chance.choice(KERNELS)))
    tune_by_hand(tree, chance, GENERATIONS[generation])
    with tree.change(HOME) as state:
        state["highest"] = {}
    found = tree.state(HOME)
    control = AmdgpuControl(tree.root)
    snapshot = control.snapshot()
    (tuning,) = tunings_below(tree.root)
    offered = [bounds for bounds in tuning.ranges if bounds.lowest <= bounds.highest]
    keys = chance.sample(offered, k=min(len(offered), chance.randint(1, 3)))
    options = {bounds.key: chance.randint(int(bounds.lowest), int(bounds.highest)) for bounds in keys}
    profile = ProfileSpec.model_validate({"name": "quiet", "control": "amdgpu", **options})
    tree.writes.clear()
    tree.dies_at = chance.randrange(30) if chance.random() < 0.5 else None
    with contextlib.suppress(Killed):
        with contextlib.suppress(HarnessError):  # refused: then it is put back as well
            control.apply(profile)
            control.read_back(profile)
        control.restore(snapshot)
    tree.dies_at = None
    AmdgpuControl(tree.root).restore(snapshot)
    return found, tree.state(HOME)


@pytest.mark.parametrize("nights", [24, pytest.param(600, marks=pytest.mark.endurance)])
def test_a_card_ends_as_it_was_found_and_nothing_was_raised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, nights: int
) -> None:
    for seed in range(nights):
        module._makers.clear()
        tree = Tree(tmp_path / str(seed))
        monkeypatch.setattr(sysfs, "files", tree)
        found, after = night(tree, random.Random(seed))
        for key in ("level", "cap_w", "table", "firmware"):
            assert after[key] == found[key], (seed, key)
        for name, highest in after["highest"].items():
            before = found["cap_w"] if name == "cap_w" else found["firmware"][name]
            assert highest <= before or name.startswith(_NO_RAISE), (seed, name)
    module._makers.clear()
