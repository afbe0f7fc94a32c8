"""``report``: writes the report of a campaign, or the comparison of several."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.commands.after_run import conclude
from harness.errors import UserFileError
from harness.report import write_report
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    report = add_command(
        commands,
        "report",
        _report,
        example="levelrig report campaigns/first-night --charts",
        reports=True,
        reads_tables=True,
    )
    report.add_argument("folders", nargs="+", type=Path, metavar="FOLDER", help="campaign folder, or several")
    report.add_argument(
        "--charts", action="store_true", help="also write each chart as PNG and SVG in publication sizes"
    )
    report.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        help="where to write the comparison of several (comparison/ beside the first of them, if not given)",
    )


def _report(arguments: argparse.Namespace) -> int:
    if len(arguments.folders) > 1:
        files = write_report(arguments.folders, charts=arguments.charts, into=arguments.into)
        if arguments.json:
            print_json({"report": str(files.page), "warnings": list(files.damage)})
        else:
            for text in files.damage:
                console().print(f"note: {text}", style="yellow", markup=False)
            console().print(f"report: {files.page}", markup=False)
        return 0
    if arguments.into is not None:
        raise UserFileError(
            arguments.into, "one folder's report stands in that folder", "leave --into out, or name several"
        )
    conclusion = conclude(arguments.folders[0], charts=arguments.charts)
    if arguments.json:
        print_json(conclusion.as_json())
    else:
        conclusion.print(console())
    return 0
