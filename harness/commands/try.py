"""``try``: one title, once, now, with an account of each step. Nothing is counted."""

from __future__ import annotations

import argparse
import contextlib
import math
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from harness import heldfiles, userfiles
from harness.before_night.ask import problems_of, where
from harness.before_night.one_title import gives_no_result, title_needs
from harness.commands import add_command, print_json
from harness.commands.hardware_claim import hold_for_try
from harness.commands.signals import stop_on_signals
from harness.engine.campaign import CampaignResult, Guarded, run_campaign
from harness.engine.progress import StopSignal
from harness.errors import PlanError, UserFileError
from harness.plan.cells import expand
from harness.plan.load import load_plan, older_spellings
from harness.plan.locate import LineIndex
from harness.plan.schema import Plan
from harness.plugins import PluginHost, PluginRig
from harness.processes import kill_own_titles
from harness.terminal import console
from harness.trying.account import Account
from harness.trying.choose import Chosen, choose
from harness.trying.closing import close_account
from harness.trying.screen import Mute, Teller
from harness.trying.show import show

#: Where the engine keeps the attempt, as a campaign keeps its own.
ATTEMPT_FOLDER = "attempt"


def register(commands: Any) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands,
        "try",
        _try,
        example="levelrig try plans/first-night.toml slow-tide --seconds 5",
        reports=True,
    )
    parser.add_argument("plan", type=Path, help="plan file (TOML)")
    parser.add_argument("title", help="name of the title")
    parser.add_argument("--setting", metavar="NAME", help="its setting; default: its first")
    parser.add_argument(
        "--profile",
        metavar="NAME",
        help="the profile, also one that changes the card; default: one that changes nothing on it",
    )
    parser.add_argument(
        "--seconds", type=_seconds, metavar="N", help="length of the measured window; default: the plan's"
    )
    parser.add_argument(
        "--into",
        type=Path,
        metavar="FOLDER",
        help="where the account's files go; default: a temporary folder",
    )
    parser.add_argument(
        "--beside", action="store_true", help="go on although another run measures on this machine"
    )


def _seconds(text: str) -> float:
    with contextlib.suppress(ValueError):
        value = float(text)
        if math.isfinite(value) and 0 < value <= 86_400:
            return value
    raise argparse.ArgumentTypeError("give a time above 0 and up to a day, in seconds")


def _try(arguments: argparse.Namespace) -> int:
    host = PluginHost()
    plan = load_plan(arguments.plan, host)

    def changes_hardware(kind: str) -> bool:
        return host.kind("control", kind).changes_hardware

    chosen = choose(
        plan,
        str(arguments.plan),
        title=arguments.title,
        setting=arguments.setting,
        profile=arguments.profile,
        seconds=arguments.seconds,
        changes_hardware=changes_hardware,
    )
    rig = PluginRig(host, chosen.plan)
    rig.require_card(str(arguments.plan))
    notes = (*older_spellings(arguments.plan), *_needs(plan, chosen, host, arguments.plan))
    folder = _folder(arguments.into)
    with Mute() if arguments.json else Teller(console()) as screen:
        (cell,) = expand(chosen.plan)
        account = Account(
            cell, rig.clock, folder, screen, changes_hardware=changes_hardware(chosen.profile.control)
        )
        try:
            with contextlib.closing(
                hold_for_try(chosen.plan, host, folder, beside=arguments.beside)
            ) as guard:
                _begin(account, chosen, notes)
                result = _run(chosen, arguments, rig, folder, account, guard)
        except BaseException:
            if arguments.into is None and account.found.running is None:  # nothing to be looked at
                heldfiles.remove_tree(folder)
            raise
        closing = close_account(account, chosen.plan, cell, result, folder)
        show(closing, cell, screen)
    if arguments.json:
        print_json(closing.as_json())
    return closing.exit_code


def _folder(into: Path | None) -> Path:
    """The try's own folder: empty."""
    if into is None:
        return Path(tempfile.mkdtemp(prefix="levelrig-try-"))
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise UserFileError(into, "it is there and not empty", "name a new folder for what the try leaves")
    into.mkdir(parents=True, exist_ok=True)
    return into


def _needs(plan: Plan, chosen: Chosen, host: PluginHost, source: Path) -> list[str]:
    """What is doubtful of what the try needs, a sentence each. Raises PlanError for what is missing."""
    names = {"title": chosen.title.name, "setting": chosen.setting.name, "profile": chosen.profile.name}
    needs = title_needs(plan, host, **names)
    text = userfiles.read_text(source, "plan")
    if problems := problems_of([need for need in needs if not gives_no_result(need)], text):
        raise PlanError(str(source), problems)
    lines = LineIndex(text)
    return [f"{where(need, lines)}: {need.what}; {need.remedy}" for need in needs]


def _begin(account: Account, chosen: Chosen, notes: Sequence[str]) -> None:
    title, setting, profile = chosen.title, chosen.setting, chosen.profile
    account.say("try", f"{title.name} · {setting.name} · {profile.name}, once; nothing is counted")
    for note in chosen.notes:
        account.say("", note)
    for note in notes:
        account.say("note", note, style="yellow")


def _run(
    chosen: Chosen,
    arguments: argparse.Namespace,
    rig: PluginRig,
    folder: Path,
    account: Account,
    guard: Guarded,
) -> CampaignResult:
    stop = StopSignal()
    with stop_on_signals(
        stop,
        missing=lambda: "the title is ended, then the card is put back where it was changed",
        end_titles=kill_own_titles,
        then="nothing was counted",
    ):
        return run_campaign(
            plan=chosen.plan,
            plan_text=userfiles.read_text(arguments.plan, "plan"),
            plan_source=str(arguments.plan),
            rig=rig,
            folder=folder / ATTEMPT_FOLDER,
            observer=account,
            stop=stop,
            guard=guard,
            listener=account,
        )
