"""The leading part of plans/README.md: the first plan and every recipe pass ``levelrig check``.

The programs that they name are made in an empty folder, as a reader has them.
"""

from __future__ import annotations

import os
import re
import sys
import tomllib
from pathlib import Path

import pytest
from PIL import Image

from harness.cli import main
from harness.plan.load import parse_plan
from harness.plugins import PluginHost
from tests.steps.desks import FakeDesk

PAGE = (Path(__file__).parents[2] / "plans" / "README.md").read_text(encoding="utf-8")
LEADING = PAGE.split('<a id="rules"></a>')[0]
RECIPES = re.findall(r"^```toml\n(.*?)^```$", LEADING, re.MULTILINE | re.DOTALL)
PARTS = {
    "plan": '[plan]\nquestion = "Is it as fast?"\nrepeats = 2\nreference = "factory"\n'
    "allow_hardware_changes = true\n",
    "profiles": '[[profiles]]\nname = "factory"\n',
    "titles": '[[titles]]\nname = "slow-tide"\nworkload = "scene"\nscene = "slow-tide"\nmeasure_s = 9\n',
}
#: Questions that a reader brings, in the words of the page.
ASKED = [
    "ends by itself",
    "never ends",
    "gives only a score",
    "starts through a launcher",
    "has menus",
    "writes no frame log",
    "on another drive",
    "several programs",
    "two resolutions",
]


def whole(recipe: str) -> str:
    """The plan around a recipe; the factory profile stands in each."""
    tables = tomllib.loads(recipe)
    text = recipe + "".join(part for name, part in PARTS.items() if name not in tables)
    if "factory" not in [profile["name"] for profile in tomllib.loads(text)["profiles"]]:
        text += PARTS["profiles"]
    return text


def make_programs(tables, folder: Path) -> None:
    for title in tables.get("titles", []):
        place = folder / title.get("working_folder", ".").replace("~", str(folder))
        place.mkdir(parents=True, exist_ok=True)
        beside = [word for companion in title.get("companions", []) for word in companion["command"]]
        for said in [*title.get("command", []), *beside]:
            word = said.replace("{plan_folder}", ".")
            path = (folder if "{plan_folder}" in said else place) / word
            if word.startswith("./") and not path.exists() and not (folder / word).exists():
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text("#!/bin/sh\n", encoding="utf-8")
                path.chmod(0o755)


def make_pictures(tables, folder: Path) -> None:
    """The pictures that steps name, each of some pixels that differ."""
    names = [
        value
        for title in tables.get("titles", [])
        for step in title.get("steps", [])
        for value in step.values()
        if isinstance(value, str) and value.endswith(".png")
    ]
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        Image.effect_noise((16, 8), 60).save(folder / name)


@pytest.mark.parametrize("number", range(len(RECIPES)))
def test_a_recipe_passes_check(number, tmp_path, monkeypatch, capsys):
    recipe = RECIPES[number]
    if ("\\" in recipe) != (sys.platform == "win32") and ("\\" in recipe or "./" in recipe):
        assert parse_plan(whole(recipe), "recipe", PluginHost().kinds).titles
        return
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "launcher").write_text("#!/bin/sh\n", encoding="utf-8")
    (tmp_path / "launcher").chmod(0o755)
    monkeypatch.setenv("PATH", os.pathsep.join([str(tmp_path), os.environ["PATH"]]))
    make_programs(tomllib.loads(recipe), tmp_path)
    make_pictures(tomllib.loads(recipe), tmp_path)
    monkeypatch.setattr("harness.before_night.steps.open_desk", FakeDesk)
    (tmp_path / "plan.toml").write_text(whole(recipe), encoding="utf-8")
    assert main(["check", "plan.toml"]) == 0, capsys.readouterr().err


def test_the_first_plan_is_whole_in_20_lines():
    assert whole(RECIPES[0]) == RECIPES[0]
    assert len([line for line in RECIPES[0].splitlines() if line.strip()]) <= 20


@pytest.mark.parametrize("words", ASKED)
def test_the_page_leads_with_what_readers_ask(words):
    assert words in LEADING.lower()


def test_paths_are_shown_for_both_systems():
    titles = [title for recipe in RECIPES for title in tomllib.loads(recipe).get("titles", [])]
    assert any("\\" in title.get("command", [""])[0] for title in titles)
    assert any(title.get("command", [""])[0].startswith("./") for title in titles)
