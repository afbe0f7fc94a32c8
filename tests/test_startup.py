"""What a command loads: the overview next to nothing, ``check`` and ``status`` no library for numbers."""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

import pytest

from harness.cli import build_parser, main
from harness.commands import COMMANDS

PLANS = Path(__file__).parents[1] / "plans"
#: What only measured data and their pictures need, and what only a run needs.
HEAVY = {"numpy", "pandas", "scipy", "pyarrow", "matplotlib", "vl_convert", "jinja2"}
FOR_A_RUN = {"wgpu", "pynvml", "tenacity", "structlog", "harness.engine.driver", "harness.telemetry.sampler"}
PROBE = """
import sys
from harness.cli import main
try:
    code = main(sys.argv[1:])
except SystemExit as ended:
    code = ended.code or 0
sys.stdout = sys.__stdout__
print("\\nloaded:", code, *sorted(sys.modules))
"""


#: Where a driver is, looking for cards loads its wrapper: what is asked is the same on every machine.
NO_NVIDIA_DRIVER = """
import harness_plugins.nvml
harness_plugins.nvml.library_is_here = lambda: False
"""


def loaded_by(*words: str, before: str = "") -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", before + PROBE, *words],
        capture_output=True,
        text=True,
        check=True,
        encoding="utf-8",
    )
    code, *names = done.stdout.rsplit("loaded:", 1)[1].split()
    assert code == "0", done.stderr
    return set(names)


@pytest.mark.parametrize("words", [["--help"], ["--version"]])
def test_the_overview_loads_nothing_but_the_command_line(words):
    loaded = loaded_by(*words)
    top = {name.split(".")[0] for name in loaded}
    assert not top & {"pandas", "numpy", "scipy", "pyarrow", "matplotlib", "pydantic", "rich", "structlog"}
    assert {name for name in loaded if name.startswith("harness")} == {
        "harness", "harness.cli", "harness.commands", "harness.errors", "harness.numerals",
        "harness.streams",
    }  # fmt: skip


def test_check_loads_what_it_computes_with_and_no_more():
    loaded = loaded_by("check", str(PLANS / "first-night.toml"), before=NO_NVIDIA_DRIVER)
    assert not loaded & (HEAVY | FOR_A_RUN)


def test_status_loads_what_it_reads_with_and_no_more(plan, tmp_path):
    night = tmp_path / "night"
    assert main(["rehearse", str(plan), "--into", str(night), "--json"]) == 0
    loaded = loaded_by("status", str(night))
    assert not loaded & (HEAVY | FOR_A_RUN)


def test_a_command_that_is_called_is_the_same_as_in_the_whole_command_line():
    """What the overview says of a command is what its module registers, and each is found in its module."""
    (whole,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    assert set(whole.choices) == set(COMMANDS)
    for name, summary in COMMANDS.items():
        (alone,) = (a for a in build_parser(name)._actions if isinstance(a, argparse._SubParsersAction))
        assert alone.choices[name].format_help() == whole.choices[name].format_help()
        assert list(alone.choices) == list(whole.choices)
        assert [a.help for a in alone._choices_actions] == [a.help for a in whole._choices_actions]
        assert summary in [a.help for a in whole._choices_actions]


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(
        "[plan]\nquestion = 'same?'\nrepeats = 1\nreference = 'a'\n[[profiles]]\nname = 'a'\n"
        "[[titles]]\nname = 't'\nworkload = 'scene'\nscene = 'slow-tide'\nmeasure_s = 10\n",
        encoding="utf-8",
    )
    return path
