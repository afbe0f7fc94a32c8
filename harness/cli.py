"""Command line: parse, call one command, map errors to exit codes. Commands: ``harness.commands``."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

import shtab

from harness import __version__, log
from harness.commands import campaign, card, evidence, gather, planning, publish, rebuild, stop, unattended
from harness.errors import HarnessError, Interrupted
from harness.terminal import console

EXIT_CODES = """exit codes:
  0 done   2 the plan or the command line is wrong   3 conditions could not be met
  4 some repeats are missing   5 safety stop, or the card is not proven to be back
  6 the supervisor gave up   130 interrupted, resumable by the same command"""


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(
        prog="levelrig",
        description="Runs a graphics card's tuning profiles through a night of titles under equal conditions "
        "and decides, with stated error, what changed.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"levelrig {__version__}")
    parser.add_argument("--verbose", action="store_true", help="print the structured log to standard error")
    shtab.add_argument_to(
        parser, ["--print-completion"], help="print a completion script for bash, zsh or tcsh and end"
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for module in (planning, campaign, evidence, gather, publish, rebuild, card, unattended, stop):
        module.register(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point of ``levelrig``; returns the exit code."""
    arguments = build_parser().parse_args(argv)
    log.configure(verbose=arguments.verbose)
    try:
        return int(arguments.call(arguments))
    except HarnessError as error:
        console(stderr=True).print(str(error), style="red", markup=False, soft_wrap=True)
        return error.exit_code
    except KeyboardInterrupt:
        return Interrupted.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
