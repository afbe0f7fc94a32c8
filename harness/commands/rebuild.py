"""``rebuild``: a new journal for a campaign whose own is gone or can't be trusted."""

from __future__ import annotations

import argparse
import dataclasses
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness import userfiles
from harness.commands import add_command, print_json
from harness.plan.cells import expand
from harness.plan.load import load_plan
from harness.plan.order import arrange
from harness.plugins import PluginHost
from harness.store.opening import PlanInForce
from harness.store.rebuild import rebuild, require_plan
from harness.store.soundness import require_campaign
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "rebuild",
        _rebuild,
        example="levelrig rebuild campaigns/first-night",
        reports=True,
    )
    parser.add_argument("folder", type=Path, help="campaign folder; the old journal is kept in it, aside")
    parser.add_argument(
        "--plan", type=Path, metavar="PLAN", help="the plan that it ran; default: the folder's own plan.toml"
    )


def _rebuild(arguments: argparse.Namespace) -> int:
    require_campaign(arguments.folder)
    path = arguments.plan or require_plan(arguments.folder)
    plan = load_plan(path, PluginHost())
    cells = expand(plan)
    text = userfiles.read_text(path, "plan")
    in_force = PlanInForce(text, str(path), cells, arrange(plan, cells), plan.retries)
    found = rebuild(arguments.folder, in_force, datetime.now(UTC))
    if arguments.json:
        print_json(dataclasses.asdict(found))
        return 0
    out = console()
    for line in found.lines():
        out.print(line, markup=False, soft_wrap=True)
    out.print(
        f"{arguments.folder}: a new journal is built from what is on disk; "
        f"`levelrig verify {arguments.folder}` checks it, and the same run command goes on",
        markup=False,
        soft_wrap=True,
    )
    return 0
