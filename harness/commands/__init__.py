"""The commands: each in the module of its name, which registers it and calls the library.

A module is imported only when its command is called; what the overview says of all of them stands here.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import pandas as pd


#: Each command with what it does, as the overview tells it. A command stands in the module of its name.
COMMANDS: Final = {
    "new": "write a plan by asking, or from a spreadsheet; add a title or a profile to one",
    "check": "validate a plan; show its cells, their order and the forecast; change nothing",
    "schema": "write the JSON Schema of plan files, for completion in an editor",
    "try": "run one title once, now, with a live account of each step; count nothing",
    "run": "start or resume a campaign, then analyse and report",
    "rehearse": "run the whole plan on the simulated rig, a night in seconds: what to expect of the real one",
    "status": "where a campaign stands, what is left, when it ends",
    "verify": "check a campaign folder: what is damaged, and what can still be trusted",
    "map": "look at a frame log and propose the lines that tell a plan how to read it",
    "capture": "build what records the frames of titles that write no log, and try it on a program",
    "analyse": "comparison tables from one or many campaigns, or from Parquet and CSV files of any origin",
    "report": "write the report of a campaign, or the comparison of several",
    "summary": "the result in a paragraph and a table, to paste into an article or a post",
    "explain": "show the chain behind a published number: repeats, artifacts with hashes, plan",
    "watch": "serve a live page of a campaign: cells, readings, end time, log, pause and stop",
    "rebuild": "build a new journal from a campaign folder's files, where the old one is gone or damaged",
    "doctor": "what on this machine can be read, controlled and run, and what is missing for the rest",
    "restore": "put the card back: as a run found it, or to its factory state where no record tells",
    "resume-at-boot": "let the system go on with a campaign after a reboot, or no longer",
    "stop": "stop a running campaign safely, detached or not, and say what state the card is in",
}


def module_of(command: str) -> str:
    """Name of the module that registers a command."""
    return f"{__name__}.{command.replace('-', '_')}"


def add_command(
    commands: Any,
    name: str,
    call: Callable[[argparse.Namespace], int],
    *,
    example: str,
    reports: bool = False,
    reads_tables: bool = False,
) -> argparse.ArgumentParser:
    """Add a command; every help text has an example, every reporting command has ``--json``.

    One that ``reads_tables`` of a campaign, and builds no rig, is called when what plugins bring to them is
    known: metrics and stages.
    """
    summary = COMMANDS[name]
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=f"{summary[0].upper()}{summary[1:]}.",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    if reports:
        parser.add_argument("--json", action="store_true", help="print one JSON document instead of text")
    parser.set_defaults(call=partial(_with_plugins, call) if reads_tables else call)
    return parser


def _with_plugins(call: Callable[[argparse.Namespace], int], arguments: argparse.Namespace) -> int:
    from harness.plugins import PluginHost

    PluginHost()
    return call(arguments)


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
