"""``run``, ``rehearse`` and ``status``."""

from __future__ import annotations

import argparse
import contextlib
import tomllib
from pathlib import Path
from typing import Any

import pyarrow as pa

from harness.analysis import AnalysisSettings
from harness.analysis.sequential import next_slots
from harness.commands import add_command, print_json
from harness.commands.conclude import conclude
from harness.commands.holding import hold_hardware
from harness.commands.outlook import make_room, print_outlook
from harness.commands.signals import stop_on_signals
from harness.commands.unattended import add_supervised_option, run_supervised
from harness.engine.campaign import (
    EXIT_INCOMPLETE,
    CampaignResult,
    Guarded,
    RunOptions,
    run_campaign,
)
from harness.engine.progress import Observer, Silent, StopSignal
from harness.engine.schedule import WantedCells
from harness.errors import PlanError, PluginError, Problem
from harness.hookspecs import RehearsalRequest
from harness.plan.load import load_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost, PluginRig
from harness.rehearse import Outlook, as_rehearsed, outlook, through_losses
from harness.report.folder import read_campaign
from harness.rig import Rig
from harness.supervise.boot import campaign_is_over
from harness.supervise.notify import Notifier
from harness.supervise.telling import TellingObserver, open_notifier
from harness.terminal import TerminalObserver, console
from harness.watch.beacon import Beacon

CAMPAIGNS = Path("campaigns")


def register(commands: Any) -> None:
    """Add the commands of this module."""
    run = add_command(
        commands,
        "run",
        _run,
        summary="start or resume a campaign, then analyse and report",
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
    add_supervised_option(run)
    rehearse = add_command(
        commands,
        "rehearse",
        _rehearse,
        summary="run the whole plan on the simulated rig, a night in seconds: what to expect of the real one",
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
    host = PluginHost()
    plan = load_plan(arguments.plan, host)
    folder = arguments.into or CAMPAIGNS / arguments.plan.stem
    notifier = open_notifier(plan.notify)
    supervised = run_supervised(arguments, folder, notifier)
    if supervised is not None:
        return supervised
    options = RunOptions(discard_changed=arguments.discard_changed, other_rig=arguments.other_rig)
    with contextlib.closing(hold_hardware(plan, host, folder)) as guard:
        result = _night(plan, arguments, PluginRig(host, plan), folder, options, guard, notifier)
    if result.exit_code in (0, EXIT_INCOMPLETE):
        campaign_is_over(folder)
    return _end(result, arguments)


def _rehearse(arguments: argparse.Namespace) -> int:
    host = PluginHost()
    plan = as_rehearsed(load_plan(arguments.plan, host))
    assumed = _assumptions(arguments.assume) if arguments.assume else {}
    request = RehearsalRequest(plan=plan, seed=arguments.seed, model_path=arguments.model, options=assumed)
    rig: Rig | None = host.manager.hook.open_rehearsal(request=request)
    if rig is None:
        raise PluginError("no installed plugin offers a rehearsal; reinstall levelrig")
    folder = arguments.into or CAMPAIGNS / f"{arguments.plan.stem}-rehearsal"
    make_room(folder)
    result, losses = through_losses(rig, lambda rig: _night(plan, arguments, rig, folder, RunOptions()))
    attempts = read_campaign(folder).attempts
    seen = outlook(plan, attempts, wanted=result.wanted, rig_losses=losses) if len(attempts) else None
    return _end(result, arguments, seen)


def _assumptions(path: Path) -> dict[str, Any]:
    """Settings of the simulated rig from a TOML file. Raises PlanError."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise PlanError(str(path), [Problem("file", str(error), "see plans/README.md")]) from error


def _night(
    plan: Plan,
    arguments: argparse.Namespace,
    rig: Rig,
    folder: Path,
    options: RunOptions,
    guard: Guarded | None = None,
    notifier: Notifier | None = None,
) -> CampaignResult:
    stop = StopSignal()
    name = plan.plan.name or arguments.plan.stem
    with contextlib.ExitStack() as stack:
        observer: Observer = Silent()
        if not arguments.json:
            observer = stack.enter_context(TerminalObserver(name, console()))
        teller: TellingObserver | None = None
        if notifier is not None:
            observer = teller = stack.enter_context(TellingObserver(name, folder, notifier, observer))
        beacon = stack.enter_context(contextlib.closing(Beacon(folder, observer)))
        stack.enter_context(stop_on_signals(stop))
        result = run_campaign(
            plan=plan,
            plan_text=arguments.plan.read_text(encoding="utf-8"),
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


def _end(result: CampaignResult, arguments: argparse.Namespace, seen: Outlook | None = None) -> int:
    conclusion = conclude(result.folder)
    if arguments.json:
        print_json(
            {
                "folder": str(result.folder),
                "exit_code": result.exit_code,
                "reason": result.reason,
                "accepted": result.accepted,
                "wanted": result.wanted,
                **conclusion.as_json(),
                **({} if seen is None else {"outlook": seen.as_json()}),
            }
        )
        return result.exit_code
    conclusion.print(console(), result.reason)
    if seen is not None:
        print_outlook(console(), seen)
    return result.exit_code
