"""The commands, by what they are about. Each module registers its own and calls the library.

A module is imported only when a command of it is called; what the overview says of all of them stands here.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    import pandas as pd


class Listed(NamedTuple):
    """A command in the overview: the module of this package that registers it, and what it does."""

    module: str
    summary: str


COMMANDS: Final = {
    "check": Listed(
        "planning", "validate a plan; show its cells, their order and the forecast; change nothing"
    ),
    "schema": Listed("planning", "print the JSON Schema of plan files, for completion in an editor"),
    "run": Listed("campaign", "start or resume a campaign, then analyse and report"),
    "rehearse": Listed(
        "campaign",
        "run the whole plan on the simulated rig, a night in seconds: what to expect of the real one",
    ),
    "status": Listed("evidence", "where a campaign stands, what is left, when it ends"),
    "verify": Listed("evidence", "check a campaign folder: what is damaged, and what can still be trusted"),
    "map": Listed("evidence", "look at a frame log and propose the lines that tell a plan how to read it"),
    "analyse": Listed(
        "gather", "comparison tables from one or many campaigns, or from Parquet files of any origin"
    ),
    "report": Listed("publish", "write the report of a campaign, or the comparison of several"),
    "explain": Listed(
        "publish", "show the chain behind a published number: repeats, artifacts with hashes, plan"
    ),
    "watch": Listed(
        "publish", "serve a live page of a campaign: cells, readings, end time, log, pause and stop"
    ),
    "rebuild": Listed(
        "rebuild",
        "build a new journal from a campaign folder's files, where the old one is gone or damaged",
    ),
    "doctor": Listed(
        "card", "what on this machine can be read, controlled and run, and what is missing for the rest"
    ),
    "restore": Listed("card", "put the card back to its factory state, whatever happened before"),
    "resume-at-boot": Listed(
        "unattended", "let the system go on with a campaign after a reboot, or no longer"
    ),
    "stop": Listed(
        "stop", "stop a running campaign safely, detached or not, and say what state the card is in"
    ),
}


def add_command(
    commands: Any,
    name: str,
    call: Callable[[argparse.Namespace], int],
    *,
    example: str,
    reports: bool = False,
) -> argparse.ArgumentParser:
    """Add a command; every help text has an example, every reporting command has ``--json``."""
    summary = COMMANDS[name].summary
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
    import pandas as pd

    return [
        {str(key): None if pd.isna(value) else value for key, value in record.items()}
        for record in table.to_dict("records")
    ]
