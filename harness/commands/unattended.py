"""``resume-at-boot``, and ``run --supervised``: a night without anybody there."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from harness.commands import add_command
from harness.store.campaign import CampaignStore
from harness.supervise import boot
from harness.supervise.notify import Message, Notifier
from harness.supervise.supervisor import SUPERVISED, supervise
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the commands of this module."""
    resume = add_command(
        commands,
        "resume-at-boot",
        _resume_at_boot,
        summary="let the system go on with a campaign after a reboot, or no longer",
        example="levelrig resume-at-boot enable campaigns/tonight",
    )
    resume.add_argument("what", choices=("enable", "disable", "show"), help="show prints the unit, no more")
    resume.add_argument("folder", type=Path, help="campaign folder")
    resume.add_argument("--plan", type=Path, help="plan file to go on with; default: the one it began with")


def add_supervised_option(run: argparse.ArgumentParser) -> None:
    """Add ``--supervised`` to the ``run`` command."""
    run.add_argument(
        "--supervised",
        action="store_true",
        help="run under a supervisor, which ends a hung run, restores the card and starts it again",
    )


def run_supervised(arguments: argparse.Namespace, folder: Path, notifier: Notifier | None) -> int | None:
    """The exit code of the supervised campaign; None if this process is to run it itself."""
    if not arguments.supervised or SUPERVISED in os.environ:
        return None
    words = ["--verbose"] if arguments.verbose else []
    words += ["run", str(arguments.plan), "--into", str(folder)]
    words += [
        f"--{name.replace('_', '-')}"
        for name in ("discard_changed", "other_rig", "json")
        if getattr(arguments, name)
    ]
    return supervise(words, folder, tell=lambda kind, sentence: _tell(notifier, folder, sentence))


def _tell(notifier: Notifier | None, folder: Path, sentence: str) -> None:
    failures = []
    if notifier is not None:
        failures = notifier.send(Message("restart", f"{folder.name}: trouble with the campaign", sentence))
    for line in (sentence, *failures):
        console(stderr=True).print(f"supervisor: {line}", markup=False)


def _resume_at_boot(arguments: argparse.Namespace) -> int:
    resumption = _resumption(arguments.folder.absolute(), arguments.plan)
    out = console()
    if arguments.what == "disable":
        boot.disable(resumption)
        out.print(f"{resumption.name}: the system no longer goes on with this campaign", markup=False)
    elif arguments.what == "enable":
        path = boot.enable(resumption)
        out.print(f"{path}: after a reboot the system restores the card and goes on", markup=False)
    else:
        text = boot.task_xml(resumption) if sys.platform == "win32" else boot.systemd_unit(resumption)
        sys.stdout.write(text)
    return 0


def _resumption(folder: Path, plan: Path | None) -> boot.Resumption:
    store = CampaignStore.read(folder)
    try:
        began_with = Path(store.plan_source())
    finally:
        store.close()
    if plan is None:
        plan = began_with if began_with.is_file() else folder / "plan.toml"
    return boot.Resumption(folder, plan.absolute(), Path.cwd(), Path(sys.executable))
