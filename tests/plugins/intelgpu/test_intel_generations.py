"""Sensor and control on every generation of Intel's cards; facts and sources in ``tests.machine.intel``."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from harness.card import GraphicsCard
from harness.errors import ControlRefused, NotInForce
from harness.plan.schema import ProfileSpec
from harness.telemetry.limits import reason_words
from harness.testing import FakeClock
from harness_plugins.hwmon.doctor import examine_hwmon
from harness_plugins.hwmon.graphics import find_graphics
from harness_plugins.hwmon.sensor import FileSensor, HwmonOptions, open_hwmon
from harness_plugins.intelgpu import tunings_of
from harness_plugins.intelgpu.control import IntelgpuControl
from tests.machine.intel import REASONS, Card, lose_power, spend
from tests.machine.tree import Tree

ADDRESS = "0000:05:00.0"
OWN = "0000:00:02.0"
#: Driver and kernel of each, and the scope of its power limit and energy.
GENERATIONS = [
    ("skylake", "i915", "6.1", None),
    ("skylake", "i915", "6.12", None),
    ("tigerlake", "i915", "6.1", None),
    ("tigerlake", "i915", "6.12", None),
    ("lunarlake", "xe", "6.12", None),
    ("dg1", "i915", "6.1", None),
    ("dg1", "i915", "6.12", "card"),
    ("alchemist", "i915", "6.1", None),
    ("alchemist", "i915", "6.12", "card"),
    ("alchemist", "xe", "6.12", "pkg"),
    ("battlemage", "xe", "6.12", "card"),
]
TUNABLE = [(make, driver, kernel) for make, driver, kernel, scope in GENERATIONS if scope]


def add(tree: Tree, make: str, driver: str, kernel: str) -> Card:
    discrete = make in ("dg1", "alchemist", "battlemage")
    card = Card(make, driver, kernel, ADDRESS if discrete else OWN)
    tree.add(card)
    return card


def quiet(power_limit_w: int) -> ProfileSpec:
    return ProfileSpec.model_validate(
        {"name": "quiet", "control": "intelgpu", "power_limit_w": power_limit_w}
    )


def sensor_of(tree: Tree, address: str, clock: FakeClock) -> FileSensor:
    (sensor,) = open_hwmon(clock, HwmonOptions(root=str(tree.root)), address)
    return sensor


def plans(tree: Tree) -> GraphicsCard:
    (card,) = find_graphics(tree.root)
    return card.as_card()


@pytest.mark.parametrize(("make", "driver", "kernel", "scope"), GENERATIONS)
def test_each_generation_is_seen_read_and_its_gaps_are_named(tree, make, driver, kernel, scope):
    card = add(tree, make, driver, kernel)
    (seen,) = find_graphics(tree.root)
    assert (seen.driver, seen.integrated, seen.as_card().pci_id) == (
        driver,
        not card.make.discrete,
        (0x8086, card.make.device),
    )
    sensor = sensor_of(tree, card.address, FakeClock())
    channels = {channel.quantity: channel for channel in sensor.channels()}
    expected = {"core_clock_mhz"}
    expected |= {"limit_reasons"} if make != "skylake" else set()
    expected |= {"energy_j", "power_average_w", "power_limit_w"} if scope else set()
    expected |= {"core_voltage_mv", "fan_rpm"} if scope and driver == "i915" else set()
    expected |= {"core_voltage_mv"} if (make, driver) == ("alchemist", "xe") else set()
    assert channels.keys() == expected
    assert {channel.device for channel in channels.values()} == {card.address}
    if scope:
        words = "of the whole card" if scope == "card" else "of the package, not of the whole card"
        for quantity in ("energy_j", "power_average_w", "power_limit_w"):
            assert channels[quantity].note == words
    absent = {f.subject.split()[-1] for f in examine_hwmon(tree.root) if f.state == "absent"}
    assert {"gpu_load_pct", "gpu_memory_used_mib", "memory_clock_mhz", "core_temp_c"} <= absent
    assert not absent & expected


@pytest.mark.parametrize(("make", "driver", "kernel"), TUNABLE)
def test_a_limit_is_applied_read_back_and_put_back(tree, make, driver, kernel):
    card = add(tree, make, driver, kernel)
    control = IntelgpuControl(tree.root, plans(tree))
    least, _, rated = card.make.watts or (0, 0, 0)
    wanted = (least + rated) // 2
    assert control.check(quiet(wanted)) == []
    assert f"choose from 1 to {rated} W" in control.check(quiet(rated + 1))[0].remedy
    snapshot = control.snapshot()
    control.apply(quiet(wanted))
    found = control.read_back(quiet(wanted))
    scope = "the package" if (make, driver) == ("alchemist", "xe") else "the whole card"
    assert found == {"card": ADDRESS, "power_limit_w": float(wanted), "limit_of": scope}
    control.restore(snapshot)
    assert control.factory_deviations() == []
    assert set(tree.state(ADDRESS)["limit"].values()) == {rated * 8}


@pytest.mark.parametrize(("make", "driver", "kernel"), TUNABLE)
def test_a_limit_is_not_raised_above_the_one_that_was_found(tree, make, driver, kernel):
    card = add(tree, make, driver, kernel)
    least, _, rated = card.make.watts or (0, 0, 0)
    found = (least + rated) // 2
    with tree.change(ADDRESS) as state:
        state["limit"] = dict.fromkeys(state["limit"], found * 8)
    control = IntelgpuControl(tree.root, plans(tree))
    (problem,) = control.check(quiet(found + 1))
    assert f"choose from 1 to {found} W" in problem.remedy
    with pytest.raises(ControlRefused):
        control.apply(quiet(rated))
    assert tree.writes == []
    (tuning,) = tunings_of(control.cards())
    assert (tuning.ranges[0].highest, tuning.ranges[0].factory) == (found, rated)
    for word in (ADDRESS[5:], "Intel"):
        named = {"name": "quiet", "control": "intelgpu", "power_limit_w": least, "card": word}
        assert control.check(ProfileSpec.model_validate(named)) == []


@pytest.mark.parametrize(("make", "driver", "kernel"), TUNABLE)
def test_a_limit_that_the_chip_clamps_is_taken_back_and_refused_for_good_with_what_it_keeps(
    tree, make, driver, kernel
):
    card = add(tree, make, driver, kernel)
    control = IntelgpuControl(tree.root)
    least, _, rated = card.make.watts or (0, 0, 0)
    with pytest.raises(
        ControlRefused, match=rf"clamps its power limit: .*choose at least {least} W"
    ) as caught:
        control.apply(quiet(least - 3))
    assert caught.value.permanent
    assert set(tree.state(ADDRESS)["limit"].values()) == {rated * 8}


@pytest.mark.parametrize(("make", "driver", "kernel", "scope"), [g for g in GENERATIONS if not g[3]])
def test_a_generation_without_a_limit_is_refused_before_the_night(tree, make, driver, kernel, scope):
    add(tree, make, driver, kernel)
    (problem,) = IntelgpuControl(tree.root, plans(tree)).check(quiet(100))
    assert problem.of_machine
    assert f"the driver {driver} of this kernel shows no power limit" in problem.what
    assert tree.writes == []


def test_what_another_program_sets_and_what_a_reset_undoes_are_told_apart(tree):
    add(tree, "battlemage", "xe", "6.12")
    control = IntelgpuControl(tree.root)
    control.apply(quiet(120))
    with tree.change(ADDRESS) as state:
        state["limit"]["1"] = 150 * 8
    with pytest.raises(NotInForce) as caught:
        control.read_back(quiet(120))
    assert [(str(d), d.at_factory) for d in caught.value.differences] == [
        ("power limit 120 W → 150 W", False)
    ]
    with tree.change(ADDRESS) as state:
        state["limit"]["1"] = 190 * 8
    with pytest.raises(NotInForce) as caught:
        control.read_back(quiet(120))
    assert [d.at_factory for d in caught.value.differences] == [True]


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("pl1", ["power limit (software)"]),
        ("pl4", ["current limit"]),
        ("thermal", ["temperature limit (hardware)"]),
        ("ratl", ["temperature limit (software)"]),
        ("prochot", ["hardware slowdown"]),
        ("vr_thermalert", ["temperature limit (voltage regulator)"]),
        ("vr_tdc", ["current limit"]),
    ],
)
@pytest.mark.parametrize(("make", "driver"), [("alchemist", "i915"), ("battlemage", "xe")])
def test_why_the_clock_is_held_down_is_read_from_the_drivers_files(tree, make, driver, reason, words):
    add(tree, make, driver, "6.12")
    sensor = sensor_of(tree, ADDRESS, FakeClock())
    assert sensor.read(["limit_reasons"]) == {"limit_reasons": 0.0}
    with tree.change(ADDRESS) as state:
        state["reasons"] = [reason]
    (bits,) = sensor.read(["limit_reasons"]).values()
    assert reason_words(int(bits or 0)) == words
    assert reason in REASONS


@pytest.mark.parametrize(("make", "driver", "kernel"), TUNABLE)
def test_energy_becomes_power_across_an_overflow_and_a_leap_never_does(tree, make, driver, kernel):
    add(tree, make, driver, kernel)
    clock = FakeClock()
    sensor = sensor_of(tree, ADDRESS, clock)

    def step(joules: float) -> tuple[float | None, float | None]:
        clock.sleep_s(0.5)
        with tree.change(ADDRESS) as state:
            spend(state, joules)
        found = sensor.read(["energy_j", "power_average_w"])
        return found["energy_j"], found["power_average_w"]

    step(0)
    assert step(60)[1] == pytest.approx(120, rel=1e-3)
    with tree.change(ADDRESS) as state:  # shortly before its 32 bits are full: the driver counts on
        for scope in state["register"]:
            state["register"][scope] = state["seen"][scope] = 0xFFFFFFFF - (10 << 14)
    assert step(60)[1] == pytest.approx(120, rel=1e-3)
    before_j = step(60)[0]
    with tree.change(ADDRESS) as state:
        lose_power(state)
    after_j, power_w = step(60)
    assert power_w is None  # 262 kJ at once are no power
    assert after_j is not None
    assert before_j is not None
    assert after_j < before_j  # the counter began again, which the window's summary tells
    assert step(60)[1] == pytest.approx(120, rel=1e-3)


def test_a_card_that_comes_back_under_another_number_is_the_same_card(tree):
    tree.add(Card("battlemage", "xe", number=5))
    clock = FakeClock()
    sensor = sensor_of(tree, ADDRESS, clock)
    control = IntelgpuControl(tree.root, plans(tree))
    snapshot = control.snapshot()
    control.apply(quiet(120))
    home = tree.root / "devices/pci0000:00" / ADDRESS
    for folder in (home / "hwmon", home / "tile0", home / "drm"):
        subprocess.run(["rm", "-r", str(folder)], check=True)
    for link in (tree.root / "class/hwmon/hwmon5", tree.root / "class/drm/card5"):
        link.unlink()
    with pytest.raises(Exception, match="gone"):
        sensor.read(["energy_j"])
    (home / "driver").unlink()
    tree.add(Card("battlemage", "xe", number=9))
    assert sensor.read(["core_clock_mhz"]) == {"core_clock_mhz": 600}
    with pytest.raises(NotInForce):
        control.read_back(quiet(120))  # a driver that was loaded again has the maker's limit
    control.apply(quiet(120))
    control.restore(snapshot)
    assert control.factory_deviations() == []


@pytest.mark.skipif(sys.platform == "win32", reason="the kernel's file tree is Linux's")
def test_a_run_that_is_killed_leaves_what_another_process_puts_back(tree, tmp_path):
    add(tree, "alchemist", "xe", "6.12")
    record = tmp_path / "state" / "restore.json"
    program = f"""
        import os, signal
        from pathlib import Path
        from harness.guard import RestoreRecord
        from harness.plan.schema import ProfileSpec
        from harness_plugins.intelgpu.control import IntelgpuControl
        from tests.machine.tree import Tree
        tree = Tree.opened(Path({str(tree.root)!r})).install()
        control = IntelgpuControl()
        RestoreRecord(Path({str(record)!r})).save_snapshot("intelgpu", control.snapshot())
        control.apply(ProfileSpec.model_validate(
            {{"name": "quiet", "control": "intelgpu", "power_limit_w": 120}}))
        os.kill(os.getpid(), signal.SIGKILL)
    """
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},
    )
    assert done.returncode == -signal.SIGKILL
    assert tree.state(ADDRESS)["limit"] == {"2": 120 * 8}
    from harness.guard import RestoreRecord, restore_recorded

    (item,) = restore_recorded(RestoreRecord(record), lambda kind: IntelgpuControl(tree.root))
    assert (item.kind, item.failure, item.doubt) == ("intelgpu", "", "")
    assert tree.state(ADDRESS)["limit"] == {"2": 190 * 8}
