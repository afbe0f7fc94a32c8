"""``run``, ``rehearse`` and ``status``."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import itertools
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
from rich.text import Text

from harness import userfiles
from harness.analysis import AnalysisSettings
from harness.analysis.sequential import next_slots
from harness.boundary import told
from harness.commands import add_command, print_json
from harness.commands.conclude import Conclusion, conclude
from harness.commands.holding import hold_hardware
from harness.commands.outlook import print_outlook
from harness.commands.planning import plan_calendar
from harness.commands.signals import Received, stop_on_signals
from harness.commands.unattended import add_unattended_options, run_unattended
from harness.engine.campaign import (
    EXIT_INCOMPLETE,
    CampaignResult,
    Guarded,
    RunOptions,
    Unguarded,
    run_campaign,
)
from harness.engine.progress import GuardedObserver, Observer, Silent, StopSignal
from harness.engine.requests import SUPERVISED
from harness.engine.schedule import WantedCells
from harness.errors import DiskFull, Interrupted, ReportMissing
from harness.guard import left_changed
from harness.hookspecs import RehearsalRequest
from harness.log import get_logger
from harness.places import state_folder
from harness.plan.documents import parse_toml
from harness.plan.hours import Calendar
from harness.plan.load import load_plan
from harness.plan.options import NO_CONTROL
from harness.plan.schema import Plan
from harness.plugins import PluginHost, PluginRig
from harness.processes import kill_own_titles
from harness.rehearsal_folder import make_room
from harness.rehearse import Outlook, as_rehearsed, outlook, through_losses, without_unknown_limits
from harness.report.folder import read_campaign
from harness.rig import Rig
from harness.supervise.boot import campaign_is_over, system_ends_it
from harness.supervise.notify import Notifier
from harness.supervise.output import survive_lost_output
from harness.supervise.plan_copy import choose_plan
from harness.supervise.proof import prove_writable
from harness.supervise.telling import TellingObserver, open_notifier
from harness.terminal import TerminalObserver, console
from harness.watch.beacon import Beacon

CAMPAIGNS = Path("campaigns")
_COMPLETE = (0, EXIT_INCOMPLETE)
log = get_logger("levelrig.run")


def register(commands: Any) -> None:
    """Add the commands of this module."""
    run = add_command(
        commands,
        "run",
        _run,
        example="levelrig run plans/first-night.toml --into campaigns/tonight",
        reports=True,
    )
    _campaign_arguments(run)
    run.add_argument(
        "--discard-changed",
        action="store_true",
        help="go on although the plan changed and measured repeats of changed cells will be measured again",
    )
    run.add_argument(
        "--other-rig", action="store_true", help="go on in a folder that was begun on another machine"
    )
    add_unattended_options(run)
    rehearse = add_command(
        commands,
        "rehearse",
        _rehearse,
        example="levelrig rehearse plans/ten-titles.toml --seed 7",
        reports=True,
    )
    _campaign_arguments(rehearse)
    rehearse.add_argument(
        "--assume", type=Path, metavar="FILE", help="settings of the simulated rig: ambient, faults (TOML)"
    )
    rehearse.add_argument("--seed", type=int, default=1, help="same seed, same night (default 1)")
    rehearse.add_argument(
        "--model", type=Path, help="a card model, as `levelrig doctor --characterise` writes it"
    )


def _campaign_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("plan", type=Path, help="plan file (TOML)")
    parser.add_argument("--into", type=Path, metavar="FOLDER", help="campaign folder; default campaigns/PLAN")


def _run(arguments: argparse.Namespace) -> int:
    survive_lost_output(lambda name: log.warning("output lost", stream=name))
    host = PluginHost()
    folder = arguments.into or CAMPAIGNS / arguments.plan.stem
    goes_on = arguments.goes_on is not None
    chosen = choose_plan(arguments.plan, folder, goes_on=goes_on)
    plan = load_plan(chosen.path, host)
    notifier = open_notifier(plan.notify)
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
        notices=chosen.notices,
    )
    received = Received()
    with contextlib.closing(hold_hardware(plan, host, folder)) as guard:
        if isinstance(guard, Unguarded):
            beside = tuple(f"{text}: what uses it is measured as it is" for text in left_changed())
            options = dataclasses.replace(options, notices=(*options.notices, *beside))
        result = _night(
            plan,
            arguments,
            PluginRig(host, plan),
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
    return _end(result, arguments)


def _prove_folders(plan: Plan, folder: Path, changes_hardware: Callable[[str], bool]) -> None:
    """The folders that the run depends on can be written. Raises NotWritable, DiskFull."""
    prove_writable(folder, "the campaign", "grant access, or name another folder with --into")
    kinds = {profile.control for profile in plan.profiles if profile.control != NO_CONTROL}
    if plan.plan.allow_hardware_changes and any(changes_hardware(kind) for kind in kinds):
        prove_writable(
            state_folder(),
            "the machine's record of what is to be put back",
            "grant access, or run levelrig as a user who may write there",
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
    result, losses = through_losses(
        rig, lambda rig: _night(plan, arguments, rig, folder, RunOptions(night_elapsed_s=next(elapsed_s)))
    )
    attempts = read_campaign(folder).attempts
    seen = outlook(plan, attempts, wanted=result.wanted, rig_losses=losses) if len(attempts) else None
    nights = None if seen is None else plan_calendar(whole, seen.expected_s)
    return _end(result, arguments, seen, nights)


def _night(
    plan: Plan,
    arguments: argparse.Namespace,
    rig: Rig,
    folder: Path,
    options: RunOptions,
    guard: Guarded | None = None,
    notifier: Notifier | None = None,
    plan_text: str | None = None,
    received: Received | None = None,
) -> CampaignResult:
    stop = StopSignal()
    name = plan.plan.name or arguments.plan.stem
    with contextlib.ExitStack() as stack:
        observer: Observer = Silent()
        if not arguments.json:
            observer = GuardedObserver(stack.enter_context(TerminalObserver(name, console())))
        teller: TellingObserver | None = None
        if notifier is not None:
            teller = stack.enter_context(
                TellingObserver(name, folder, notifier, observer, alive_every_s=plan.notify.alive_every_s)
            )
            observer = GuardedObserver(teller)
        beacon = stack.enter_context(contextlib.closing(Beacon(folder, observer)))
        signals = stack.enter_context(
            stop_on_signals(
                stop,
                outlives_terminal=SUPERVISED in os.environ,
                missing=lambda: "the running attempt is ended and put down, then the card is put back",
                end_titles=kill_own_titles,
            )
        )
        if received is not None:
            signals.names = received.names
        result = run_campaign(
            plan=plan,
            plan_text=plan_text if plan_text is not None else userfiles.read_text(arguments.plan, "plan"),
            plan_source=str(arguments.plan),
            rig=rig,
            folder=folder,
            observer=beacon,
            stop=stop,
            options=options,
            guard=guard,
            wanted_cells=adaptive_rule(plan) if plan.plan.adaptive else None,
        )
        if teller is not None:
            teller.ended(result.exit_code, result.reason, result.accepted, result.wanted)
        return result


def adaptive_rule(plan: Plan) -> WantedCells:
    """The rule of a plan with adaptive repeats, for the engine: cells that are not decided yet."""
    settings = AnalysisSettings.from_plan(plan)
    groups = [(title.name, setting.name) for title in plan.titles for setting in title.settings]

    def wanted(repeats: pa.Table) -> frozenset[str]:
        return frozenset(".".join(key) for key in next_slots(repeats.to_pandas(), settings, groups))

    return wanted


def _conclude(result: CampaignResult) -> Conclusion:
    """Analysis and report; whatever stands in their way, the measurements are safe, and it is said so.

    Raises:
        ReportError: They could not be made.
        Interrupted: Ctrl-C.
    """
    safe = (
        f"{result.accepted} of {result.wanted} repeats are measured and safe in {result.folder} "
        f"(ended: {result.reason})"
    )
    again = f"`levelrig report {result.folder}` writes it"
    try:
        return conclude(result.folder)
    except KeyboardInterrupt:
        raise Interrupted(f"the report was not written; {safe}; {again}") from None
    except Exception as error:
        room = "make room, then " if isinstance(error, OSError | DiskFull) else ""
        missing = ReportMissing(f"the report could not be written ({told(error)}); {safe}; {room}{again}")
        missing.exit_code = result.exit_code or missing.exit_code  # how the night ended matters more
        raise missing from error


def _end(
    result: CampaignResult,
    arguments: argparse.Namespace,
    seen: Outlook | None = None,
    nights: Calendar | None = None,
) -> int:
    conclusion = _conclude(result)
    if arguments.json:
        print_json(
            {
                "folder": str(result.folder),
                "exit_code": result.exit_code,
                "reason": result.reason,
                "accepted": result.accepted,
                "wanted": result.wanted,
                "unrestored": result.unrestored,
                **conclusion.as_json(),
                **({} if seen is None else {"outlook": seen.as_json()}),
                **({} if nights is None else {"night": dataclasses.asdict(nights)}),
            }
        )
        return result.exit_code
    conclusion.print(console(), result.reason)
    if seen is not None:
        print_outlook(console(), seen)
    if nights is not None:
        console().print(nights.sentence, markup=False, soft_wrap=True)
    if result.unrestored:
        warning = "THE CARD IS NOT BACK in the state that was found: run `levelrig restore`"
        console().print(Text(warning, style="bold red"))
    return result.exit_code
