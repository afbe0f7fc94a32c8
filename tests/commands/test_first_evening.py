"""From an empty folder to a first result: new, check, try, rehearse, run; two scenes and an own title."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

#: A title that writes a frame log as it runs, and never ends by itself.
TITLE = """
import time
print("demo begins", flush=True)
begun = last = time.perf_counter()
with open("frames.csv", "w", buffering=1) as log:
    log.write("frame,dt,shown_at\\n")
    for number in range(1_000_000):
        time.sleep(0.008)
        now = time.perf_counter()
        log.write(f"{number},{(now - last) * 1000:.3f},{(now - begun) * 1000:.3f}\\n")
        last = now
"""
#: The temperature is asked only where a card is found: given, so that the answers fit every machine.
NEW = ("new", "night.toml", "--core-temp-limit-c", "0")
#: What a person types, a line an answer: the profile, two scenes, the title, the night.
ANSWERS = [
    "one-thread", "processor", "", "1", "", "",
    "slow-tide", "cpu", "3", "ember-swarm", "cpu", "3",
    "Harbour Lights", f'"{Path(sys.executable).as_posix()}" title.py', "", "", "demo begins", "3",
    "log", "frames.csv", "sample.csv", "", "",
    "0:05", "3",
]  # fmt: skip


@pytest.fixture
def levelrig(tmp_path):
    (tmp_path / "title.py").write_text(TITLE, encoding="utf-8")
    rows = (f"{n},{8 + n % 5 / 8},{n * 8.25}\n" for n in range(500))
    (tmp_path / "sample.csv").write_text("frame,dt,shown_at\n" + "".join(rows), encoding="utf-8")

    def call(*words: str, answers: str = "", ends: tuple[int, ...] = (0,)) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "harness.cli", *words],
            cwd=tmp_path, input=answers, capture_output=True, text=True, encoding="utf-8", timeout=900,
        )  # fmt: skip
        assert done.returncode in ends, done.stdout + done.stderr
        return done.stdout

    return call


def test_a_plan_made_of_piped_answers_is_what_check_wants(levelrig):
    said = levelrig(*NEW, answers="\n".join(ANSWERS) + "\n")
    assert "levelrig try night.toml harbour-lights" in said
    assert len(json.loads(levelrig("check", "night.toml", "--json"))["cells"]) == 6


@pytest.mark.endurance
def test_the_whole_evening_ends_with_a_report(levelrig, tmp_path):
    """Measured by hand at a terminal too; see the page of figures."""
    levelrig(*NEW, answers="\n".join(ANSWERS) + "\n")
    levelrig("check", "night.toml")
    # on a busy machine the account may say that a night would not count it; it is an account all the same
    account = levelrig("try", "night.toml", "harbour-lights", "--seconds", "3", "--json", ends=(0, 4))
    assert json.loads(account)
    levelrig("rehearse", "night.toml")
    levelrig("run", "night.toml", "--into", "night", ends=(0, 4))
    assert "Harbour Lights" in (tmp_path / "night" / "report" / "index.html").read_text(encoding="utf-8")
