"""plans/README.md names every key that a plan can have, and its examples are right."""

from __future__ import annotations

import re
import tomllib
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from harness.checks.judge import CODES
from harness.hookspecs import RehearsalRequest
from harness.plan.load import load_plan, parse_plan
from harness.plan.placeholders import BUILT_IN
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.tables import QUANTITIES
from harness_plugins.simulated.options import SimulatedOptions, parse_options
from harness_plugins.simulated.titles import TitleCharacter

PLANS = Path(__file__).parents[2] / "plans"
TEXT = (PLANS / "README.md").read_text(encoding="utf-8")
HOST = PluginHost()
BLOCKS = re.findall(r"^```toml\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
SECTIONS = dict(
    re.findall(
        r'<a id="([a-z_]+)"></a>\n(.*?)(?=^##|\Z)',
        re.sub(r"^```.*?^```$", "", TEXT, flags=re.MULTILINE | re.DOTALL),
        re.MULTILINE | re.DOTALL,
    )
)
#: Where else the keys of a table's inner tables stand.
FURTHER = {"plan": ["adaptive"], "titles": ["frame_log", "companions", "files", "steps", "conditions"]}
SECTION_OF_ROLE = {"sensor": "sensors", "control": "profiles", "workload": "titles", "reader": "frame_log"}

HEAD = """
[plan]
question = "Is it as fast?"
repeats = 3
reference = "factory"
allow_hardware_changes = true
"""
FACTORY = """
[[profiles]]
name = "factory"
"""
TITLE = """
[[titles]]
name = "tarn-ridge"
workload = "scene"
scene = "tarn-ridge"
measure_s = 7
"""


def named_in(*sections: str) -> set[str]:
    """What stands in backticks in those sections, quotes taken off."""
    spans = [span for name in sections for span in re.findall(r"`([^`\n]+)`", SECTIONS[name])]
    return {span.strip('"') for span in spans}


def models(annotation: Any) -> Iterator[type[BaseModel]]:
    """The models inside a type."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in typing.get_args(annotation):
        yield from models(argument)


def keys_of(model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """(model, key) of it and of all models inside."""
    for name, field in model.model_fields.items():
        if name != "options" and not field.exclude:
            yield model.__name__, field.alias or name
        for inner in models(field.annotation):
            yield from keys_of(inner)


def words_of(annotation: Any) -> Iterator[str]:
    """The words that a type allows."""
    for argument in typing.get_args(annotation):
        if isinstance(argument, str):
            yield argument
        else:
            yield from words_of(argument)


def choices_of(model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """(key, word) for every key of it and of all models inside that allows only certain words."""
    for name, field in model.model_fields.items():
        for word in words_of(field.annotation):
            yield name, word
        for inner in models(field.annotation):
            yield from choices_of(inner)


def is_plan(block: str) -> bool:
    return {"plan", "profiles", "titles"} <= tomllib.loads(block).keys()


def is_assumption(block: str) -> bool:
    return bool(
        (SimulatedOptions.model_fields.keys() - Plan.model_fields.keys()) & tomllib.loads(block).keys()
    )


def plan_around(fragment: str) -> str:
    """A whole plan that the fragment is a part of."""
    tables = tomllib.loads(fragment)
    parts = [fragment]
    if "plan" not in tables:
        parts.append(HEAD)
    if "factory" not in [profile["name"] for profile in tables.get("profiles", [])]:
        parts.append(FACTORY)
    if "titles" not in tables:
        parts.append(TITLE)
    return "".join(parts)


@pytest.mark.parametrize("table", Plan.model_fields)
def test_a_table_s_section_names_every_key_and_every_word_that_it_allows(table):
    named = named_in(table, *FURTHER.get(table, []))
    for model in models(Plan.model_fields[table].annotation):
        assert [(name, key) for name, key in keys_of(model) if key not in named] == []
        assert [(key, word) for key, word in choices_of(model) if word not in named] == []


@pytest.mark.parametrize("kind", HOST.kinds.values(), ids=lambda kind: f"{kind.role}-{kind.name}")
def test_a_plugin_s_section_names_it_and_every_key_and_word_of_it(kind):
    named = named_in(SECTION_OF_ROLE[kind.role])
    assert kind.name in named
    if (kind.role, kind.name) == ("workload", "simulated"):
        named |= named_in("rehearsal")
    if kind.options is not None:
        assert [key for _, key in keys_of(kind.options) if key not in named] == []
        assert [(key, word) for key, word in choices_of(kind.options) if word not in named] == []


@pytest.mark.parametrize("model", [SimulatedOptions, TitleCharacter])
def test_the_section_on_rehearsals_names_every_assumption(model):
    named = named_in("rehearsal")
    assert [key for _, key in keys_of(model) if key not in named] == []
    assert [(key, word) for key, word in choices_of(model) if word not in named] == []


def test_the_page_names_every_check_quantity_and_placeholder():
    assert set(CODES) <= named_in("checks")
    assert set(QUANTITIES) <= named_in("sensors")
    assert {f"{{{name}}}" for name in BUILT_IN} <= named_in("titles")


def test_the_page_opens_with_a_complete_plan():
    assert is_plan(BLOCKS[0])
    assert len([line for line in BLOCKS[0].splitlines() if line.strip()]) <= 20


@pytest.mark.parametrize("block", BLOCKS)
def test_every_example_of_the_page_is_right(block):
    """Whole plans as they stand, fragments inside a small plan, assumptions as a rehearsal reads them."""
    if is_assumption(block):
        plan = parse_plan((PLANS / "ten-titles.toml").read_text("utf-8"), "plan", HOST.kinds)
        assert parse_options(RehearsalRequest(plan, 1, options=tomllib.loads(block))).model_fields_set
    else:
        text = block if is_plan(block) else plan_around(block)
        assert parse_plan(text, "plans/README.md", HOST.kinds).titles


@pytest.mark.parametrize("path", sorted(PLANS.glob("*.toml")), ids=lambda path: path.name)
def test_every_plan_beside_the_page_loads_and_is_linked(path):
    assert load_plan(path, HOST).titles
    assert f"({path.name})" in TEXT
