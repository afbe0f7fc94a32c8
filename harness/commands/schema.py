"""``schema``: prints the JSON Schema of plan files, for completion in an editor."""

from __future__ import annotations

import argparse
from typing import Any

from harness.commands import add_command, print_json
from harness.plan.schema_json import plan_schema
from harness.plugins import PluginHost


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "schema",
        _schema,
        example="levelrig schema > plan.schema.json",
    )
    parser.set_defaults(json=True)


def _schema(arguments: argparse.Namespace) -> int:
    print_json(plan_schema(PluginHost().kinds))
    return 0
