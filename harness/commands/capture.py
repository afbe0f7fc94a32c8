"""``capture``: builds the native part of the capture, and tries it on one program."""

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
        "capture",
        _capture,
        example="levelrig capture --seconds 10 --to frames.csv -- ./titles/harbour --demo",
        reports=True,
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--display", action="store_true", help="go by times of display, where the device offers them"
    )
    how.add_argument("--window", action="store_true", help="watch its windows from outside, through X")
    parser.add_argument(
        "--seconds", type=float, metavar="S", help="end the program after this time; default: its own end"
    )
    parser.add_argument("--to", type=Path, metavar="FILE", help="keep the captured log there")
    parser.add_argument(
        "program", nargs="*", help="program and arguments, after --; without one the capture is only built"
    )


def _capture(arguments: argparse.Namespace) -> int:
    from harness.capture.build import library
    from harness.capture.one_program import capture_program

    if not arguments.program:
        path = library()
        if arguments.json:
            print_json({"library": str(path)})
        else:
            console().print(f"built: {path}", markup=False, soft_wrap=True)
        return 0
    found = capture_program(
        arguments.program,
        way="capture-display" if arguments.display else "capture-window" if arguments.window else "capture",
        ends_after_s=arguments.seconds,
        keep=arguments.to,
    )
    if arguments.json:
        print_json(found.as_dict())
    else:
        console().print(found.as_text(), markup=False, soft_wrap=True)
    return 0
