"""The fabricated tree follows the kernel's Documentation/power/powercap/powercap.rst."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import SensorUnavailable
from harness.testing import FakeClock
from harness_plugins.powercap import examine_root
from harness_plugins.powercap.sensor import PowercapSensor, find_packages, growth_uj, readable

RANGE_UJ = 262_143_328_850  # as in the kernel's own example of max_energy_range_uj for a package


def add_zone(sysfs: Any, zone: str, name: str, energy_uj: int) -> Path:
    files = {"name": name, "energy_uj": energy_uj, "max_energy_range_uj": RANGE_UJ, "enabled": 1}
    folder: Path = sysfs.write(f"class/powercap/{zone}", files)
    return folder


def two_packages(sysfs: Any) -> tuple[Path, Path]:
    first = add_zone(sysfs, "intel-rapl:0", "package-0", 1_000_000)
    second = add_zone(sysfs, "intel-rapl:1", "package-1", 2_000_000)
    add_zone(sysfs, "intel-rapl:0:0", "core", 500_000)
    add_zone(sysfs, "intel-rapl:2", "psys", 9_000_000)
    add_zone(sysfs, "intel-rapl-mmio:0", "package-0", 1_000_000)
    return first, second


def test_packages_are_summed_and_parts_platform_and_second_views_are_not(sysfs: Any) -> None:
    two_packages(sysfs)
    assert [zone.folder.name for zone in find_packages(sysfs.root)] == ["intel-rapl:0", "intel-rapl:1"]


def test_energy_grows_by_all_packages_and_power_is_energy_over_time(sysfs: Any) -> None:
    first, second = two_packages(sysfs)
    clock = FakeClock()
    sensor = PowercapSensor(find_packages(sysfs.root), clock)
    assert sensor.read(["cpu_energy_j", "cpu_power_w"]) == {"cpu_energy_j": 0.0, "cpu_power_w": None}
    clock.sleep_s(0.5)
    (first / "energy_uj").write_text("31000000\n")
    (second / "energy_uj").write_text("12000000\n")
    assert sensor.read(["cpu_energy_j", "cpu_power_w"]) == {
        "cpu_energy_j": pytest.approx(40.0),
        "cpu_power_w": pytest.approx(80.0),
    }


def test_a_counter_that_wrapped_goes_on_growing(sysfs: Any) -> None:
    folder = add_zone(sysfs, "intel-rapl:0", "package-0", RANGE_UJ - 4_000_000)
    clock = FakeClock()
    sensor = PowercapSensor(find_packages(sysfs.root), clock)
    sensor.read(["cpu_energy_j"])
    clock.sleep_s(1)
    (folder / "energy_uj").write_text("6000000\n")
    assert sensor.read(["cpu_energy_j", "cpu_power_w"]) == {
        "cpu_energy_j": pytest.approx(10.0),
        "cpu_power_w": pytest.approx(10.0),
    }


def test_a_silence_that_may_hide_a_wrap_starts_the_energy_again_instead_of_guessing(sysfs: Any) -> None:
    folder = add_zone(sysfs, "intel-rapl:0", "package-0", 0)
    clock = FakeClock()
    sensor = PowercapSensor(find_packages(sysfs.root), clock)
    sensor.read(["cpu_energy_j"])
    clock.sleep_s(1)
    (folder / "energy_uj").write_text("50000000\n")
    assert sensor.read(["cpu_energy_j"]) == {"cpu_energy_j": 50.0}
    clock.sleep_s(3600)
    (folder / "energy_uj").write_text("60000000\n")
    assert sensor.read(["cpu_energy_j", "cpu_power_w"]) == {"cpu_energy_j": 0.0, "cpu_power_w": None}


@given(st.integers(1, 2**48), st.data())
def test_growth_is_what_was_added_if_the_counter_wrapped_at_most_once(
    range_uj: int, data: st.DataObject
) -> None:
    before = data.draw(st.integers(0, range_uj - 1))
    added = data.draw(st.integers(0, range_uj - 1))
    assert growth_uj(before, (before + added) % range_uj, range_uj) == added


def test_a_counter_that_vanished_is_a_gap(sysfs: Any) -> None:
    folder = add_zone(sysfs, "intel-rapl:0", "package-0", 1)
    sensor = PowercapSensor(find_packages(sysfs.root), FakeClock())
    sensor.read(["cpu_energy_j"])
    (folder / "energy_uj").unlink()
    with pytest.raises(SensorUnavailable):
        sensor.read(["cpu_energy_j"])


def test_without_the_right_to_read_doctor_says_what_to_grant(
    sysfs: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_packages(sysfs)
    plain = Path.read_text

    def refusing(self: Path, *args: Any, **kwargs: Any) -> str:
        if self.name == "energy_uj":
            raise PermissionError(13, "Permission denied")
        return plain(self, *args, **kwargs)

    monkeypatch.setattr(Path, "read_text", refusing)
    assert not readable(find_packages(sysfs.root))
    (finding,) = examine_root(sysfs.root, FakeClock())
    assert finding.state == "missing"
    assert "udev rule" in finding.remedy


def test_doctor_tells_counters_and_their_absence(sysfs: Any, tmp_path: Path) -> None:
    two_packages(sysfs)
    (found,) = examine_root(sysfs.root, FakeClock())
    assert (found.state, found.detail) == ("ok", "intel-rapl:0, intel-rapl:1")
    (absent,) = examine_root(tmp_path, FakeClock())
    assert absent.state == "absent"
