"""``verify``: what in a campaign folder is damaged, and what can still be trusted."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "verify",
        _verify,
        example="levelrig verify campaigns/first-night",
        reports=True,
    )
    parser.add_argument("folder", type=Path, help="campaign folder")


def _verify(arguments: argparse.Namespace) -> int:
    from harness.store.verify import verify

    report = verify(arguments.folder)
    if arguments.json:
        print_json({**dataclasses.asdict(report), "sound": report.sound})
    else:
        console().print("\n".join(report.lines()), markup=False)
    return 0 if report.sound else 1
