"""The page that explains the plan file explains every key that a plan may have."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest
from pydantic import BaseModel

from harness.checks import CHECKS
from harness.plan import schema
from harness.plugins import PluginHost

PAGE = (Path(__file__).parents[2] / "plans" / "README.md").read_text(encoding="utf-8")
NOT_IN_A_FILE = {"Cell", "Slot", "Part", "OpenPart"}
TABLES = [
    model
    for name, model in inspect.getmembers(schema, inspect.isclass)
    if issubclass(model, schema.Part) and name not in NOT_IN_A_FILE
]


def unexplained(model: type[BaseModel]) -> list[str]:
    keys = [f.alias or n for n, f in model.model_fields.items() if n != "options" and not f.exclude]
    return [key for key in keys if f"`{key}`" not in PAGE]


@pytest.mark.parametrize("model", TABLES, ids=lambda model: model.__name__)
def test_every_key_of_a_table_is_explained(model: type[BaseModel]):
    names = [name for name in unexplained(model) if f"`[{name}]`" not in PAGE and f"`[[{name}]]`" not in PAGE]
    assert names == []


def test_every_key_of_every_plugin_is_explained():
    missing = {
        f"{role} {name}": keys
        for (role, name), kind in PluginHost().kinds.items()
        if kind.options is not None and (keys := unexplained(kind.options))
    }
    assert missing == {}


def test_every_check_is_named():
    assert [check.code for check in CHECKS if f"`{check.code}`" not in PAGE] == []
