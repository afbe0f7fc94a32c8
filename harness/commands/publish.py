"""``report``, ``explain`` and ``watch``: from measured data to what is seen of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command, print_json
from harness.commands.conclude import conclude
from harness.report import write_report
from harness.report.provenance import explain
from harness.terminal import console
from harness.watch.server import DEFAULT_PORT, serve


def register(commands: Any) -> None:
    """Add the commands of this module."""
    report = add_command(
        commands,
        "report",
        _report,
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
        example="levelrig explain campaigns/first-night cell/slow-tide.default.two-threads/average_fps",
    )
    chain.add_argument("folder", type=Path, help="campaign folder with its report")
    chain.add_argument("number_id", metavar="NUMBER-ID", help="id of the number, as the report shows it")
    page = add_command(
        commands,
        "watch",
        _watch,
        example="levelrig watch campaigns/first-night",
    )
    page.add_argument("folder", type=Path, help="campaign folder; it may be running, paused or finished")
    page.add_argument(
        "--host", default="127.0.0.1", help="address to listen on; beyond this machine a token is asked for"
    )
    page.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"port (default {DEFAULT_PORT})")


def _watch(arguments: argparse.Namespace) -> int:
    out = console()
    serve(
        arguments.folder,
        host=arguments.host,
        port=arguments.port,
        announce=lambda address: out.print(f"live page: {address}  (Ctrl-C ends it)", markup=False),
    )
    return 0


def _report(arguments: argparse.Namespace) -> int:
    if len(arguments.folders) > 1:
        files = write_report(arguments.folders, charts=arguments.charts)
        if arguments.json:
            print_json({"report": str(files.page), "warnings": list(files.damage)})
        else:
            for text in files.damage:
                console().print(f"note: {text}", style="yellow", markup=False)
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
