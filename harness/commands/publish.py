"""``report`` and ``explain``: from measured data to what is published."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.commands.conclude import conclude
from harness.report import write_report
from harness.report.provenance import explain
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the commands of this module."""
    report = add_command(
        commands,
        "report",
        _report,
        summary="write the report of a campaign, or the comparison of several",
        example="levelrig report campaigns/first-night --charts",
        reports=True,
    )
    report.add_argument("folders", nargs="+", type=Path, metavar="FOLDER", help="campaign folder, or several")
    report.add_argument(
        "--charts", action="store_true", help="also write each chart as PNG and SVG in publication sizes"
    )
    chain = add_command(
        commands,
        "explain",
        _explain,
        summary="show the chain behind a published number: repeats, artifacts with hashes, plan",
        example="levelrig explain campaigns/first-night N12",
    )
    chain.add_argument("folder", type=Path, help="campaign folder with its report")
    chain.add_argument("number_id", metavar="NUMBER-ID", help="id of the number, as the report shows it")


def _report(arguments: argparse.Namespace) -> int:
    if len(arguments.folders) > 1:
        files = write_report(arguments.folders, charts=arguments.charts)
        if arguments.json:
            print_json({"report": str(files.page)})
        else:
            console().print(f"report: {files.page}", markup=False)
        return 0
    conclusion = conclude(arguments.folders[0], charts=arguments.charts)
    if arguments.json:
        print_json(conclusion.as_json())
    else:
        conclusion.print(console())
    return 0


def _explain(arguments: argparse.Namespace) -> int:
    console().print(explain(arguments.folder, arguments.number_id), markup=False, soft_wrap=True)
    return 0
