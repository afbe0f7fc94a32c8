"""``report``: from measured data to what is published."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.commands.conclude import conclude
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the commands of this module."""
    report = add_command(
        commands,
        "report",
        _report,
        summary="analyse a campaign folder and write its report",
        example="levelrig report campaigns/first-night",
        reports=True,
    )
    report.add_argument("folder", type=Path, help="campaign folder")


def _report(arguments: argparse.Namespace) -> int:
    conclusion = conclude(arguments.folder)
    if arguments.json:
        print_json(conclusion.as_json())
    else:
        conclusion.print(console())
    return 0
