"""``rehearse``: runs the whole plan on the simulated rig, a night in seconds."""

from __future__ import annotations

import argparse
import dataclasses
import itertools
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness import userfiles
from harness.commands import add_command
from harness.commands.after_run import end_run
from harness.commands.measure import CAMPAIGNS, campaign_arguments, measure
from harness.engine.campaign import CampaignResult, RunOptions
from harness.hookspecs import RehearsalRequest
from harness.plan.documents import parse_toml
from harness.plan.forecast import plan_calendar
from harness.plan.load import load_plan
from harness.plugins import PluginHost
from harness.rehearsal_folder import make_room
from harness.rehearse import as_rehearsed, outlook, through_losses, without_unknown_limits
from harness.report.folder import read_campaign
from harness.rig import Rig


def register(commands: Any) -> None:
    """Add the command of this module."""
    rehearse = add_command(
        commands,
        "rehearse",
        _rehearse,
        example="levelrig rehearse plans/ten-titles.toml --seed 7",
        reports=True,
    )
    campaign_arguments(rehearse)
    rehearse.add_argument(
        "--assume", type=Path, metavar="FILE", help="settings of the simulated rig: ambient, faults (TOML)"
    )
    rehearse.add_argument("--seed", type=int, default=1, help="same seed, same night (default 1)")
    rehearse.add_argument(
        "--model", type=Path, help="a card model, as `levelrig doctor --characterise` writes it"
    )


def _rehearse(arguments: argparse.Namespace) -> int:
    host = PluginHost()
    whole = load_plan(arguments.plan, host)
    plan = as_rehearsed(whole)
    request = RehearsalRequest(plan=plan, seed=arguments.seed, model_path=arguments.model)
    if arguments.assume:
        text = userfiles.read_text(arguments.assume, "file of assumptions")
        name = str(arguments.assume)
        request = dataclasses.replace(request, options=parse_toml(text, name), options_from=(name, text))
    rig = host.open_rehearsal(request)
    plan = without_unknown_limits(plan, rig)
    folder = arguments.into or CAMPAIGNS / f"{arguments.plan.stem}-rehearsal"
    make_room(folder)
    elapsed_s = itertools.chain([0.0], itertools.repeat(None))  # after a loss of the rig the night goes on

    def run_or_resume(rig: Rig) -> CampaignResult:
        options = RunOptions(night_elapsed_s=next(elapsed_s), lasting=False)
        return measure(plan, arguments, rig, folder, options)

    result, losses = through_losses(rig, run_or_resume)
    attempts = read_campaign(folder).attempts
    seen = outlook(plan, attempts, wanted=result.wanted, machine_crashes=losses) if len(attempts) else None
    nights = None if seen is None else plan_calendar(whole, seen.expected_s, datetime.now(UTC))
    return end_run(result, arguments, seen, nights)
