"""``watch``: serves a live page of a campaign, running, paused or finished."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from harness.commands import add_command
from harness.terminal import console
from harness.watch.server import DEFAULT_PORT, serve


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "watch",
        _watch,
        example="levelrig watch campaigns/first-night",
        reads_tables=True,
    )
    parser.add_argument("folder", type=Path, help="campaign folder; it may be running, paused or finished")
    parser.add_argument(
        "--host", default="127.0.0.1", help="address to listen on; beyond this machine a token is asked for"
    )
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"port (default {DEFAULT_PORT})")


def _watch(arguments: argparse.Namespace) -> int:
    out = console()
    serve(
        arguments.folder,
        host=arguments.host,
        port=arguments.port,
        announce=lambda address: out.print(f"live page: {address}  (Ctrl-C ends it)", markup=False),
    )
    return 0
