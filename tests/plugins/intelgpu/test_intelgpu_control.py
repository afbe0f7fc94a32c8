"""The fabricated tree follows the kernel's ABI file sysfs-driver-intel-xe-hwmon."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from harness.errors import ControlRefused
from harness.plan.schema import ProfileSpec
from harness_plugins.intelgpu.control import IntelgpuControl

CARD = "0000:05:00.0"


def card_in(sysfs: Any, limit_uw: int = 190000000, rated_uw: int = 190000000) -> Path:
    files = {"energy1_input": 1, "power1_max": limit_uw, "power1_rated_max": rated_uw}
    folder: Path = sysfs.add_chip(0, "xe", files, CARD)
    return folder


def profile_of(power_limit_w: int) -> ProfileSpec:
    return ProfileSpec.model_validate(
        {"name": "quiet", "control": "intelgpu", "power_limit_w": power_limit_w}
    )


def limit_of(folder: Path) -> str:
    return (folder / "power1_max").read_text().strip()


def test_a_limit_is_applied_read_back_and_put_back(sysfs: Any) -> None:
    folder, control = card_in(sysfs), IntelgpuControl(sysfs.root)
    snapshot = control.snapshot()
    control.apply(profile_of(150))
    found = {"card": CARD, "power_limit_w": 150.0, "limit_of": "the whole card"}
    assert control.read_back(profile_of(150)) == found
    assert control.factory_deviations() == [f"card {CARD}: power limit is 150 W, factory 190 W"]
    control.restore(snapshot)
    assert limit_of(folder) == "190000000"


def test_zero_which_means_no_limit_is_never_written_not_even_to_put_it_back(sysfs: Any) -> None:
    folder, control = card_in(sysfs, limit_uw=0), IntelgpuControl(sysfs.root)
    snapshot = control.snapshot()
    control.apply(profile_of(150))
    control.restore(snapshot)
    assert limit_of(folder) == "190000000"
    with pytest.raises(ValueError, match="greater than 0"):
        control.check(profile_of(0))


def test_a_limit_above_the_makers_or_without_a_way_back_is_refused_and_nothing_written(sysfs: Any) -> None:
    folder, control = card_in(sysfs), IntelgpuControl(sysfs.root)
    (problem,) = control.check(profile_of(191))
    assert problem.remedy == "choose from 1 to 190 W; nothing is raised above the state found"
    with pytest.raises(ControlRefused):
        control.apply(profile_of(191))
    assert limit_of(folder) == "190000000"
    (folder / "power1_rated_max").unlink()
    (problem,) = control.check(profile_of(100))
    assert "no way back" in problem.what


def test_a_driver_that_keeps_its_own_value_is_found_by_reading_back(sysfs: Any) -> None:
    folder, control = card_in(sysfs), IntelgpuControl(sysfs.root)
    control.apply(profile_of(150))
    (folder / "power1_max").write_text("190000000\n")
    with pytest.raises(ControlRefused, match="is 190 W, not 150 W"):
        control.read_back(profile_of(150))
    (folder / "power1_max").write_text("149875000\n")  # the hardware's own steps
    assert control.read_back(profile_of(150))["power_limit_w"] == 149.875


def test_a_refused_restore_is_told(sysfs: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    card_in(sysfs)
    control = IntelgpuControl(sysfs.root)
    snapshot = control.snapshot()
    control.apply(profile_of(150))

    def refuse(*_: Any) -> int:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "write", refuse)
    with pytest.raises(ControlRefused, match="not restored"):
        control.restore(snapshot)


def test_power_seen_under_load_must_keep_to_the_limit(sysfs: Any) -> None:
    card_in(sysfs)
    control = IntelgpuControl(sysfs.root)
    assert control.verify_under_load(profile_of(150), {"power_average_w": [155.0] * 20}, None) == []
    (sentence,) = control.verify_under_load(profile_of(150), {"power_average_w": [185.0] * 20}, None)
    assert "185 W" in sentence


def test_a_machine_without_such_a_card_refuses_the_profile(tmp_path: Path) -> None:
    (problem,) = IntelgpuControl(tmp_path).check(profile_of(150))
    assert "no Intel card" in problem.what
    assert IntelgpuControl(tmp_path).snapshot() == {}


@pytest.mark.parametrize("planted", [999_000_000, -1, 0, "190000000", None, True, 1e9])
def test_a_planted_limit_is_never_written_the_makers_is(sysfs: Any, planted: Any) -> None:
    folder, control = card_in(sysfs), IntelgpuControl(sysfs.root)
    control.apply(profile_of(150))
    control.restore({CARD: planted})
    assert limit_of(folder) == "190000000"


def test_without_a_record_a_card_goes_to_the_makers_limit(sysfs: Any) -> None:
    folder, control = card_in(sysfs), IntelgpuControl(sysfs.root)
    control.apply(profile_of(150))
    control.restore({})
    assert limit_of(folder) == "190000000"
