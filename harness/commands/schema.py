"""``schema``: the JSON Schema of plan files, for completion in an editor."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from harness import userfiles
from harness.commands import add_command, print_json
from harness.plan.schema_json import plan_schema
from harness.plugins import PluginHost


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "schema",
        _schema,
        example="levelrig schema --into plan.schema.json",
    )
    parser.add_argument(
        "--into",
        type=Path,
        metavar="FILE",
        help="write it there, in UTF-8, instead of printing it (a redirection may write another encoding)",
    )
    parser.set_defaults(json=True)


def _schema(arguments: argparse.Namespace) -> int:
    schema = plan_schema(PluginHost().kinds)
    if arguments.into is None:
        print_json(schema)
    else:
        text = json.dumps(schema, indent=2, sort_keys=True) + "\n"
        userfiles.write_whole(arguments.into, text.encode(), replace=True)
    return 0
