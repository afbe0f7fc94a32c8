"""``report``: writes the report of a campaign, or the comparison of several."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.commands.after_run import conclude
from harness.errors import UserFileError
from harness.numerals import counted
from harness.report import ReportFiles, write_report
from harness.report.charts.publish import Pictures
from harness.terminal import console, print_table


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
        "--charts",
        action="store_true",
        help="also write each chart as PNG and SVG for video (1080p, 2160p), article and phone",
    )
    report.add_argument(
        "--theme",
        choices=("light", "dark", "both"),
        help="ground of the pictures, and of a film (default: the plan's)",
    )
    report.add_argument(
        "--transparent", action="store_true", help="pictures without a ground, to lay over a film"
    )
    report.add_argument(
        "--film",
        action="store_true",
        help="also film each title's frame times, all profiles over the same time (extra `film`)",
    )
    report.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        help="where to write the comparison of several (comparison/ beside the first of them, if not given)",
    )


def _report(arguments: argparse.Namespace) -> int:
    pictures = _pictures(arguments)
    if len(arguments.folders) > 1:
        files = write_report(arguments.folders, charts=pictures, into=arguments.into)
        if arguments.json:
            print_json({"report": str(files.page), "warnings": list(files.damage), "charts": _listed(files)})
        else:
            for text in files.damage:
                console().print(f"note: {text}", style="yellow", markup=False)
            console().print(f"report: {files.page}", markup=False)
            _print_charts(files)
        return 0
    if arguments.into is not None:
        raise UserFileError(
            arguments.into, "one folder's report stands in that folder", "leave --into out, or name several"
        )
    conclusion = conclude(arguments.folders[0], charts=pictures)
    if arguments.json:
        print_json({**conclusion.as_json(), "charts": _listed(conclusion.files)})
    else:
        conclusion.print(console())
        _print_charts(conclusion.files)
    return 0


def _pictures(arguments: argparse.Namespace) -> Pictures | None:
    """What is asked for; any of the options that say how asks for pictures, too."""
    if not (arguments.charts or arguments.theme or arguments.transparent or arguments.film):
        return None
    themes = ("light", "dark") if arguments.theme == "both" else (arguments.theme,) if arguments.theme else ()
    return Pictures(themes, arguments.transparent, arguments.film)


def _listed(files: ReportFiles) -> list[dict[str, str]]:
    return [{"file": str(made.path), "heading": made.heading, "shows": made.shows} for made in files.charts]


def _print_charts(files: ReportFiles) -> None:
    """Where the pictures lie, and what each shows; the sizes of one picture share a line."""
    if not files.charts:
        return
    shown = {made.name: made for made in files.charts}
    folder = files.charts[0].path.parent
    console().print(f"charts: {folder} ({counted(len(files.charts), 'file')})", markup=False)
    rows = [[name, made.heading] for name, made in shown.items()]
    print_table(console(), "", ["chart", "what it shows"], rows)
