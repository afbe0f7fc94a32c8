"""``summary``: the result of a campaign to paste into an article or a post."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.report.summarise import summarise
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    summary = add_command(
        commands,
        "summary",
        _summary,
        example="levelrig summary campaigns/first-night --into article",
        reports=True,
        reads_tables=True,
    )
    summary.add_argument("folder", type=Path, metavar="FOLDER", help="campaign folder")
    summary.add_argument(
        "--form",
        choices=("text", "markdown", "html"),
        default="markdown",
        help="what is printed: the paragraph alone, or with the table (default: markdown)",
    )
    summary.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        help="write all forms there as files, and the table as pictures, instead of printing one",
    )


def _summary(arguments: argparse.Namespace) -> int:
    made = summarise(arguments.folder, arguments.into)
    forms = {
        "text": made.summary.paragraph + "\n",
        "markdown": made.summary.markdown(),
        "html": made.summary.html(),
    }
    if arguments.json:
        print_json({**forms, "files": [str(path) for path in made.files]})
    elif arguments.into is not None:
        for path in made.files:
            console().print(str(path), markup=False, soft_wrap=True)
    else:
        print(forms[arguments.form], end="")
    return 0
