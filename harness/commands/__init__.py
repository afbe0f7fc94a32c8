"""The commands, by what they are about. Each module registers its own and calls the library."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from typing import Any

import pandas as pd


def add_command(
    commands: Any,
    name: str,
    call: Callable[[argparse.Namespace], int],
    *,
    summary: str,
    example: str,
    reports: bool = False,
) -> argparse.ArgumentParser:
    """Add a command; every help text has an example, every reporting command has ``--json``."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=f"{summary[0].upper()}{summary[1:]}.",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    if reports:
        parser.add_argument("--json", action="store_true", help="print one JSON document instead of text")
    parser.set_defaults(call=call)
    return parser


def print_json(value: Any) -> None:
    """One JSON document on standard output."""
    json.dump(value, sys.stdout, indent=2, sort_keys=True, default=str, allow_nan=False)
    sys.stdout.write("\n")


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a data frame as JSON values; NaN and NA become None."""
    return [
        {str(key): None if pd.isna(value) else value for key, value in record.items()}
        for record in table.to_dict("records")
    ]
