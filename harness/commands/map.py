"""``map``: looks at a frame log and proposes the lines that tell a plan how to read it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "map",
        _map,
        example="levelrig map frames.csv",
        reports=True,
    )
    parser.add_argument(
        "file", type=Path, help="frame log: CSV of any kind, Parquet, JSON; compressed or not"
    )


def _map(arguments: argparse.Namespace) -> int:
    from harness.frames.propose import propose_mapping

    proposal = propose_mapping(arguments.file)
    if arguments.json:
        print_json(proposal.as_dict())
    else:
        console().print(proposal.as_text(), markup=False, soft_wrap=True)
    return 0
