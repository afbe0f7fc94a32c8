"""The machine of trees prints and refuses as the kernel does; the sources stand in its modules."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("the kernel's file tree is Linux's", allow_module_level=True)

from tests.machine.amd import GENERATIONS, KERNELS, Card, lose_settings
from tests.machine.tree import Tree

HOME = "0000:03:00.0"


def machine(tmp_path: Path, generation: str, kernel: str = "6.12", overdrive: bool = True) -> Tree:
    tree = Tree(tmp_path / "sys")
    tree.add(Card(generation, HOME, kernel=kernel, overdrive=overdrive))
    return tree


def folder(tree: Tree) -> Path:
    return tree.root / "class/hwmon/hwmon3/device"


def put(tree: Tree, name: str, text: str) -> None:
    tree.write(folder(tree) / name, f"{text}\n".encode())


def od(tree: Tree, *commands: str) -> None:
    for command in commands:
        put(tree, "pp_od_clk_voltage", command)


def shown(tree: Tree) -> str:
    return tree.read(folder(tree) / "pp_od_clk_voltage").decode()


def test_the_tables_are_printed_in_the_formats_of_their_generations(tmp_path: Path) -> None:
    texts = {name: shown(machine(tmp_path / name, name)) for name in GENERATIONS}
    # smu7_hwmgr.c 6.12:5154 "%d: %10uMHz %10umV", 5172 "SCLK: %7uMHz %10uMHz", "VDDC: %7umV %11umV"
    assert texts["polaris"].startswith(
        "OD_SCLK:\n0:        300MHz        750mV\n1:        588MHz        765mV\n"
    )
    assert "VDDC:     750mV        1200mV\n" in texts["polaris"]
    # navi10_ppt.c 6.12:1360 "0: %uMhz\n1: %uMhz", "OD_MCLK:\n1: %uMHz", "%d: %uMHz %umV"
    assert texts["navi10"].startswith(
        "OD_SCLK:\n0: 800Mhz\n1: 2100Mhz\nOD_MCLK:\n1: 875MHz\nOD_VDDC_CURVE:\n"
    )
    assert "2: 2100MHz 1192mV\nOD_RANGE:\n" in texts["navi10"]
    # sienna_cichlid_ppt.c 6.12:1392 "%dmV", and no range of it in 1409-1434
    assert "OD_VDDGFX_OFFSET:\n0mV\nOD_RANGE:\n" in texts["navi21"]
    assert "VDDGFX_OFFSET: " not in texts["navi21"]
    # smu_v14_0_2_ppt.c 6.12:1204-1213 and 1343 "SCLK_OFFSET: %7dMhz %10uMhz"
    assert texts["navi48"].startswith("OD_SCLK_OFFSET:\n0Mhz\nOD_MCLK:\n0: 97Mhz\n1: 1258MHz\n")
    assert "SCLK_OFFSET:    -500Mhz       1000Mhz\n" in texts["navi48"]
    # vangogh_ppt.c 6.12:681-699: the core's clocks stand behind the range
    assert texts["vangogh"].endswith("CCLK_RANGE in Core0:\n0:       1400Mhz\n1:       3500Mhz\n")


def test_a_reset_after_a_commit_shows_the_makers_values_and_leaves_the_firmware_as_it_is(
    tmp_path: Path,
) -> None:
    """smu_v13_0_0_ppt.c 6.12:1893-1925: the mask is kept over a reset, and empty since the commit."""
    tree = machine(tmp_path, "navi31")
    od(tree, "vo -60", "c", "r")
    assert "OD_VDDGFX_OFFSET:\n0mV\n" in shown(tree)
    assert tree.state(HOME)["firmware"]["vo"] == -60
    od(tree, "vo -60", "c", "vo 0", "c")
    assert tree.state(HOME)["firmware"]["vo"] == 0


def test_older_generations_act_on_a_reset_at_the_next_commit_only(tmp_path: Path) -> None:
    """smu7_hwmgr.c 6.12:5619, navi10_ppt.c 6.12:2712."""
    for generation, command in (("polaris", "s 7 1200 1100"), ("navi10", "s 1 2000")):
        tree = machine(tmp_path / generation, generation)
        od(tree, command, "c", "r")
        assert tree.state(HOME)["firmware"] != tree.state(HOME)["table"]
        od(tree, "c")
        assert tree.state(HOME)["firmware"] == GENERATIONS[generation].boot


@pytest.mark.parametrize(
    ("generation", "kernel", "command"),
    [
        ("polaris", "6.12", "s 9 300 800"),  # no such level
        ("polaris", "6.1", "s 7 2500 1150"),  # above the range
        ("polaris", "6.12", "s 7 1200"),  # truncated
        ("vega20", "6.12", "m 0 400"),  # highest memory clock only
        ("vega20", "6.12", "vo -20"),  # has points, no offset
        ("navi10", "6.12", "vc 3 2100 1000"),
        ("navi10", "6.12", "s 1 700"),  # below the lowest clock of the table
        ("navi31", "6.12", "vo -460"),
        ("navi31", "6.12", "s 1 900"),  # the range shows the low end of entry 0, this is entry 1
        ("navi48", "6.12", "s 1 2000"),  # one number: an offset
        ("navi48", "6.12", "s 1200"),
        ("rembrandt", "6.12", "s 1 2000"),  # not at the level "auto"
        ("navi21", "6.12", "x"),
        ("navi21", "6.12", "s 1 2000" + " " * 120),  # over 127 bytes
    ],
)
def test_what_a_generation_refuses_comes_out_as_invalid_argument(
    tmp_path: Path, generation: str, kernel: str, command: str
) -> None:
    tree = machine(tmp_path, generation, kernel)
    before = shown(tree)
    with pytest.raises(OSError, match="Invalid argument"):
        od(tree, command)
    assert shown(tree) == before


def test_6_1_takes_a_level_that_is_not_there_and_does_nothing(tmp_path: Path) -> None:
    """smu7_hwmgr.c 6.1:5655-5658, vega10_hwmgr.c 6.1:5668-5671: a message in the log, and success."""
    tree = machine(tmp_path, "vega10", "6.1")
    before = shown(tree)
    od(tree, "s 9 900 900", "c")
    assert shown(tree) == before


def test_6_1_shows_an_empty_table_for_a_generation_that_it_can_not_tune(tmp_path: Path) -> None:
    """smu_v13_0_0_ppt.c of 6.1 has no od_edit_dpm_table; amdgpu_pm.c 6.1:834 prints one empty line then."""
    tree = machine(tmp_path, "navi31", "6.1")
    assert shown(tree) == "\n"
    od(tree, "s 1 2000", "c")
    assert shown(tree) == "\n"
    without = machine(tmp_path / "off", "navi31", overdrive=False)
    assert not (folder(without) / "pp_od_clk_voltage").exists()


@pytest.mark.parametrize("kernel", KERNELS)
def test_the_power_limit_is_kept_in_whole_watts_and_checked_at_the_ends_that_the_kernel_checks(
    tmp_path: Path, kernel: str
) -> None:
    tree = machine(tmp_path, "navi31", kernel)
    cap = "hwmon/hwmon3/power1_cap"
    put(tree, cap, "320900000")
    assert (folder(tree) / cap).read_text() == "320000000\n"
    with pytest.raises(OSError, match="Invalid argument"):
        put(tree, cap, "999000000")
    if kernel == "6.1":
        assert (folder(tree) / f"{cap}_min").read_text() == "0\n"
        put(tree, cap, "1000000")  # one watt is taken
    else:
        with pytest.raises(OSError, match="Invalid argument"):
            put(tree, cap, "200000000")


def test_a_sleeping_card_is_woken_by_a_read_and_by_a_later_kernel_not(tmp_path: Path) -> None:
    for kernel in ("6.12", "later"):
        tree = machine(tmp_path / kernel, "navi21", kernel)
        with tree.change(HOME) as state:
            state["runtime"] = "suspended"
        if kernel == "6.12":
            assert shown(tree)
        else:
            with pytest.raises(PermissionError):
                shown(tree)
            put(tree, "power/control", "on")
            assert shown(tree)


def test_a_reset_of_the_card_brings_the_makers_settings_at_the_chosen_level(tmp_path: Path) -> None:
    tree = machine(tmp_path, "navi21")
    put(tree, "power_dpm_force_performance_level", "manual")
    od(tree, "vo -40", "c")
    with tree.change(HOME) as state:
        lose_settings(Card("navi21"), state)
    assert tree.state(HOME)["firmware"]["vo"] == 0
    assert tree.state(HOME)["level"] == "manual"


def test_another_process_sees_the_same_machine(tmp_path: Path) -> None:
    tree = machine(tmp_path, "navi21")
    od(Tree.opened(tree.root), "vo -40", "c")
    assert tree.state(HOME)["firmware"]["vo"] == -40
    assert "-40mV" in (folder(tree) / "pp_od_clk_voltage").read_text()
    assert tree.all_writes() == ["pp_od_clk_voltage vo -40", "pp_od_clk_voltage c"]
