"""What ``run`` and ``rehearse`` share: the arguments of both, and a campaign measured before one's eyes."""

from __future__ import annotations

import argparse
import contextlib
import os
from pathlib import Path

import pyarrow as pa

from harness import userfiles
from harness.analysis import AnalysisSettings
from harness.analysis.sequential import next_slots
from harness.commands.signals import Received, stop_on_signals
from harness.engine.campaign import (
    CampaignResult,
    Guarded,
    RunOptions,
    run_campaign,
)
from harness.engine.progress import GuardedObserver, Observer, Silent, StopSignal
from harness.engine.requests import SUPERVISED
from harness.engine.schedule import WantedCells
from harness.places import CAMPAIGNS as CAMPAIGNS
from harness.plan.schema import Plan
from harness.processes import kill_own_titles
from harness.rig import Rig
from harness.supervise.notify import Notifier
from harness.supervise.telling import TellingObserver
from harness.terminal import TerminalObserver, console
from harness.watch.beacon import Beacon


def campaign_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what both commands are given: the plan and the folder."""
    parser.add_argument("plan", type=Path, help="plan file (TOML)")
    parser.add_argument("--into", type=Path, metavar="FOLDER", help="campaign folder; default campaigns/PLAN")


def measure(
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
    """Run the campaign of a plan on a rig, with its progress on the terminal and its beacon in the folder."""
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
                missing=lambda: "the running attempt is ended and recorded, then the card is put back",
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
