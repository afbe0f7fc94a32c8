"""The documentation says what is there."""

from __future__ import annotations

import argparse
import inspect
import re
from pathlib import Path

from harness.cli import build_parser
from harness.hookspecs import HarnessSpec

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_readme_opens_with_the_job_in_one_paragraph():
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# levelrig"
    assert paragraph.startswith("levelrig ")
    assert "\n" not in paragraph


def test_every_command_is_in_the_readme():
    (action,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    missing = [name for name in action.choices if f"`levelrig {name}" not in README]
    assert missing == []


def test_every_hook_has_a_contract_and_is_named_in_developers():
    for name, hook in inspect.getmembers(HarnessSpec, inspect.isfunction):
        assert inspect.getdoc(hook), name
        assert f"`{name}`" in DEVELOPERS, name


def test_every_local_link_leads_somewhere():
    for document in (README, DEVELOPERS, (ROOT / "plans" / "README.md").read_text(encoding="utf-8")):
        for target in re.findall(r"\]\(([^)#:]+)\)", document):
            assert (ROOT / target).exists() or (ROOT / "plans" / target).exists(), target
