"""The JSON Schema accepts what the loader accepts and refuses misspelled keys, plugin keys included."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from harness.plan.load import load_plan
from harness.plan.schema_json import plan_schema
from harness.plugins import PluginHost

PLANS = sorted((Path(__file__).parents[2] / "plans").glob("*.toml"))


@pytest.fixture(scope="module")
def host() -> PluginHost:
    return PluginHost()


@pytest.fixture(scope="module")
def validator(host: PluginHost) -> jsonschema.protocols.Validator:
    schema = plan_schema(host.kinds)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def first_night() -> dict[str, Any]:
    return tomllib.loads((PLANS[0].parent / "first-night.toml").read_text(encoding="utf-8"))


def test_there_are_example_plans():
    assert {path.name for path in PLANS} >= {"first-night.toml", "ten-titles.toml"}


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_every_example_plan_passes_loader_and_schema(path: Path, host: PluginHost, validator: Any):
    load_plan(path, host)
    validator.validate(tomllib.loads(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("plan", "repets"), 3),
        (("plan", "order"), "blanced"),
        (("profiles", 0, "thred_count"), 3),
        (("profiles", 0, "control"), "procesor"),
        (("titles", 0, "sceen"), "x"),
        (("titles", 0, "workload"), "sceene"),
        (("titles", 0, "settings"), [{"name": "a", "sceen": 1}]),
        (("titles", 0, "settings"), []),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(path: tuple[Any, ...], value: Any, validator: Any):
    raw = first_night()
    place: Any = raw
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(raw)


def test_the_schema_offers_each_plugins_keys_with_their_descriptions(host: PluginHost):
    schema = plan_schema(host.kinds)
    branches = schema["$defs"]["TitleSpec"]["allOf"]
    scene = next(b for b in branches if b["if"]["properties"]["workload"]["const"] == "scene")
    assert scene["then"]["properties"]["resolution"]["description"]
