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
FIGURES = (ROOT / "tests" / "bench" / "FIGURES.md").read_text(encoding="utf-8")


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


def test_developers_stays_short_and_leaves_measured_figures_to_their_page():
    assert len(DEVELOPERS.split()) <= 2150
    assert len(README.split()) <= 2000
    measured = re.findall(r"\d[\d.,]* ?(?:%|ms|µs|MiB|MB/s|GB)(?!\w)", DEVELOPERS)
    assert measured == [], "figures stand in tests/bench/FIGURES.md"


def test_every_module_and_test_that_the_documents_name_is_there():
    paths = r"`((?:harness|plugins|tests|plans)/[\w/.-]+\.(?:py|md|toml|txt))`"
    named = re.findall(paths, README + DEVELOPERS)
    missing = [name for name in named if not (ROOT / name).exists()]
    run = re.findall(r"(?:pytest|python) (tests/[\w/.-]+)", FIGURES)
    missing += [name for name in run if not (ROOT / name).exists()]
    assert named
    assert run
    assert missing == []


def test_every_local_link_leads_somewhere():
    pages = (ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "plans" / "README.md")
    for page in pages:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"
