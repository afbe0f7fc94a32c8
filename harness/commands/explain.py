"""``explain``: the chain behind a published number: repeats, artifacts with their hashes, plan."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command
from harness.report.package.provenance import explain
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "explain",
        _explain,
        example="levelrig explain campaigns/first-night cell/slow-tide.default.two-threads/average_fps",
        reads_tables=True,
    )
    parser.add_argument("folder", type=Path, help="campaign folder with its report")
    parser.add_argument(
        "number_id", metavar="NUMBER-ID", help="id of the number, as the report shows it, or: answer"
    )


def _explain(arguments: argparse.Namespace) -> int:
    console().print(explain(arguments.folder, arguments.number_id), markup=False, soft_wrap=True)
    return 0
