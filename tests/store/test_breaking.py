"""The store is broken at each of its effects, one after the other, and resumed. See ``break_campaign.py``."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="breaks a forked process")
SCRIPT = Path(__file__).with_name("break_campaign.py")
SYSCALLS = Path(__file__).with_name("break_syscalls.py")
NIGHT = Path(__file__).with_name("break_night.py")


def explore(*options: str, script: Path = SCRIPT) -> dict[str, Any]:
    ended = subprocess.run(
        [sys.executable, str(script), *options], capture_output=True, text=True, check=False
    )
    assert ended.stdout, ended.stderr
    result: dict[str, Any] = json.loads(ended.stdout)
    return result


def assert_nothing_lost(result: dict[str, Any]) -> None:
    assert result["failed"] == []
    bad = ("lost", "duplicated", "different", "damaged", "left_over")
    assert {key: result[key] for key in bad} == dict.fromkeys(bad, 0)


@pytest.mark.parametrize("how", [pytest.param("kill", marks=pytest.mark.endurance), "kill-within"])
def test_whatever_effect_of_the_store_is_broken_the_resumed_run_ends_with_the_undisturbed_tables(how):
    result = explore("--how", how, "--repeats", "1", "--profiles", "1")
    assert_nothing_lost(result)
    effects = sum(result["effects_of_one_run"].values())
    assert result["points"] == (result["effects_of_one_run"]["write"] if how == "kill-within" else effects)
    if how == "kill":
        assert result["breaks"] == result["points"]


def test_at_whatever_effect_of_the_store_a_kill_or_an_error_strikes_nothing_is_lost():
    ways = ["--how", "kill", "--how", "eio", "--how", "enospc", "--in-turns"]
    result = explore(*ways, "--repeats", "1", "--profiles", "1")
    assert_nothing_lost(result)
    assert result["points"] == sum(result["effects_of_one_run"].values())


@pytest.mark.endurance
@pytest.mark.parametrize("mode", [[], ["--twice"]])
def test_every_effect_broken_in_every_way_also_while_resuming(mode):
    assert_nothing_lost(explore("--repeats", "1", *mode))


@pytest.mark.endurance
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_ten_thousand_random_kills_lose_nothing(seed):
    ways = ["--how", "kill", "--how", "kill-within", "--how", "kill-after"]
    result = explore(*ways, "--random", "2500", "--seed", str(seed))
    assert_nothing_lost(result)
    assert result["breaks"] >= 2500


@pytest.mark.endurance
@pytest.mark.parametrize("how", ["kill", "kill-within", "eio", "enospc"])
def test_a_whole_night_of_the_engine_ends_with_the_undisturbed_tables_wherever_it_is_broken(how):
    result = explore("--how", how, script=NIGHT)
    assert (result["failed"], result["lost"], result["duplicated"], result["different"]) == ([], 0, 0, 0)


@pytest.mark.endurance
def test_in_two_hundred_simulated_nights_with_rig_losses_every_surviving_cell_is_complete():
    result = explore("--nights", "200", script=NIGHT)
    assert (result["failed"], result["lost"], result["duplicated"]) == ([], 0, 0)
    assert result["machine_crashes"] > 100
    assert result["set_aside"] > 0


@pytest.mark.endurance
@pytest.mark.skipif(sys.platform != "linux" or shutil.which("cc") is None, reason="needs Linux and cc")
@pytest.mark.parametrize("mode", ["kill", "kill-within", "eio", "enospc", "power-cut"])
def test_whatever_system_call_is_broken_or_last_before_a_power_cut_nothing_acknowledged_is_lost(mode):
    result = explore("--mode", mode, script=SYSCALLS)
    assert (result["failed"], result["lost"], result["duplicated"]) == ([], 0, 0)
    assert result["points"] >= 50
