"""``run``: starts or resumes a campaign, then analyses and reports."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness import inside, userfiles
from harness.awake import kept_awake
from harness.before_night.ask import night_needs, once_begun, problems_of, where
from harness.commands import add_command
from harness.commands.after_run import end_run
from harness.commands.hardware_claim import hold_hardware
from harness.commands.measure import CAMPAIGNS, campaign_arguments, measure
from harness.commands.signals import Received
from harness.commands.unattended import add_unattended_options, run_unattended
from harness.engine.campaign import (
    EXIT_INCOMPLETE,
    RunOptions,
    Unguarded,
)
from harness.engine.identify import measured_with_card
from harness.engine.requests import SUPERVISED
from harness.errors import PlanError
from harness.guard import left_changed
from harness.log import get_logger
from harness.places import state_folder
from harness.plan.cells import expand
from harness.plan.load import load_plan, older_spellings
from harness.plan.locate import LineIndex
from harness.plan.options import NO_CONTROL
from harness.plan.schema import Plan
from harness.plugins import PluginHost, PluginRig
from harness.store.journal import JOURNAL_NAME
from harness.store.records import longest_path_below
from harness.supervise.boot import campaign_is_over, system_ends_it
from harness.supervise.output import survive_lost_output
from harness.supervise.plan_copy import choose_plan
from harness.supervise.proof import prove_long_paths, prove_writable
from harness.supervise.telling import open_notifier
from harness.terminal import console

_COMPLETE = (0, EXIT_INCOMPLETE)
log = get_logger("levelrig.run")


def register(commands: Any) -> None:
    """Add the command of this module."""
    run = add_command(
        commands,
        "run",
        _run,
        example="levelrig run plans/first-night.toml --into campaigns/tonight",
        reports=True,
    )
    campaign_arguments(run)
    run.add_argument(
        "--discard-changed",
        action="store_true",
        help="go on although the plan changed and measured repeats of changed cells will be measured again",
    )
    run.add_argument(
        "--other-rig", action="store_true", help="go on in a folder that was begun on another machine"
    )
    add_unattended_options(run)


def _run(arguments: argparse.Namespace) -> int:
    survive_lost_output(lambda name: log.warning("output lost", stream=name))
    host = PluginHost()
    folder = arguments.into or CAMPAIGNS / arguments.plan.stem
    goes_on = arguments.goes_on is not None
    chosen = choose_plan(arguments.plan, folder, goes_on=goes_on)
    plan = load_plan(chosen.path, host, base=arguments.plan.parent)
    rig = PluginRig(host, plan)
    _require_card(rig, str(arguments.plan), folder)
    notifier = open_notifier(plan.notify)
    notices = chosen.notices
    if SUPERVISED not in os.environ and not goes_on:  # else whoever started the night was told
        notices += _require_needs(plan, host, rig, arguments.plan, folder)
    elsewhere = run_unattended(arguments, folder, notifier)
    if elsewhere is not None:
        return elsewhere

    def changes_hardware(kind: str) -> bool:
        return host.kind("control", kind).changes_hardware

    _prove_folders(plan, folder, changes_hardware)
    elapsed_s = None if goes_on and arguments.goes_on < 0 else arguments.goes_on or 0.0
    options = RunOptions(
        discard_changed=arguments.discard_changed,
        other_rig=arguments.other_rig,
        night_elapsed_s=elapsed_s,
        notices=(*notices, *older_spellings(chosen.path)),
    )
    received = Received()
    with contextlib.closing(hold_hardware(plan, host, folder)) as guard, kept_awake():
        if isinstance(guard, Unguarded):
            beside = tuple(f"{text}: what uses it is measured as it is" for text in left_changed())
            options = dataclasses.replace(options, notices=(*options.notices, *beside))
        result = measure(
            plan,
            arguments,
            rig,
            folder,
            options,
            guard,
            notifier,
            plan_text=chosen.text,
            received=received,
        )
    # A card that is not back is put back by the system after a reboot, before anything else.
    over = not system_ends_it(received.names) and not result.unrestored
    if over and campaign_is_over(folder) and result.exit_code not in _COMPLETE:
        console(stderr=True).print(
            f"resume-at-boot: switched off, as the run ended in order; "
            f"`levelrig resume-at-boot enable {folder}` switches it on again",
            markup=False,
            soft_wrap=True,
        )
    return end_run(result, arguments)


def _require_card(rig: PluginRig, source: str, folder: Path) -> None:
    """Which card the plan is about is clear before anything else happens. Raises PlanError.

    A card that the folder was measured on and that does not answer yet is waited for later.
    """
    try:
        rig.require_card(source)
    except PlanError as error:
        if not (all(problem.of_machine for problem in error.problems) and measured_with_card(folder)):
            raise


def _require_needs(
    plan: Plan, host: PluginHost, rig: PluginRig, source: Path, folder: Path
) -> tuple[str, ...]:
    """What a person should hear of what the night needs, a sentence each.

    Raises:
        PlanError: Something is missing. Nothing was started or written.
    """
    text = userfiles.read_text(source, "plan")
    needs = night_needs(plan, host, rig, folder)
    if inside.is_there(folder, folder / JOURNAL_NAME):
        needs = once_begun(needs)
    if problems := problems_of(needs, text):
        raise PlanError(str(source), problems)
    lines = LineIndex(text)
    return tuple(f"{where(n, lines)}: {n.what}; {n.remedy}" for n in needs if n.state == "doubtful")


def _prove_folders(plan: Plan, folder: Path, changes_hardware: Callable[[str], bool]) -> None:
    """The folders that the run depends on can be written. Raises NotWritable, DiskFull."""
    prove_writable(folder, "the campaign", "grant access, or name another folder with --into")
    prove_long_paths(folder, longest_path_below([cell.cell_id for cell in expand(plan)]))
    kinds = {profile.control for profile in plan.profiles if profile.control != NO_CONTROL}
    if plan.plan.allow_hardware_changes and any(changes_hardware(kind) for kind in kinds):
        prove_writable(
            state_folder(),
            "the machine's record of what is to be put back",
            "grant access, or run levelrig as a user who may write there",
        )
