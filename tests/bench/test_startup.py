"""Start-up of the commands that a person types often, beside a bare interpreter's. Run with ``-m bench -s``.

Processor time (user and system) of the child, least of seven, so that other work on the machine counts less;
the goals are stated for a machine whose bare interpreter takes 12 ms.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from harness.cli import main

pytestmark = pytest.mark.bench
PLAN = Path(__file__).parents[2] / "plans" / "first-night.toml"
ROUNDS = 7
#: Goal, s, where a bare interpreter takes this long.
BARE_S = 0.012
GOALS_S = {"--help": 0.25, "status": 0.6, "check": 0.6}


def seconds(words: list[str], kept: Path) -> float:
    """Processor time with compiled modules kept in a folder, as an installed program has them."""
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    own["PYTHONPYCACHEPREFIX"] = str(kept)
    best = float("inf")
    for _ in range(ROUNDS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], check=True, capture_output=True, env=own)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        best = min(best, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    return best


def test_start_up_beside_a_bare_interpreter(tmp_path):
    night = tmp_path / "night"
    assert main(["rehearse", str(PLAN), "--into", str(night), "--json"]) == 0
    bare_s = seconds(["-c", "pass"], tmp_path / "kept")
    print(f"\nbare interpreter {1000 * bare_s:.0f} ms")
    calls = {"--help": [], "status": [str(night)], "check": [str(PLAN)]}
    missed = []
    for name, words in calls.items():
        took_s = seconds(["-m", "harness.cli", name, *words], tmp_path / "kept")
        ratio, goal = took_s / bare_s, GOALS_S[name] / BARE_S
        print(f"{name:8} {1000 * took_s:5.0f} ms = {ratio:5.1f} interpreters (goal {goal:.0f})")
        if ratio > goal:
            missed.append(name)
    assert missed == []
