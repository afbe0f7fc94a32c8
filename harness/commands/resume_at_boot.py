"""``resume-at-boot``: lets the system go on with a campaign after a reboot, or no longer."""

from __future__ import annotations

import argparse
import sys
import tomllib
from pathlib import Path
from typing import Any

from harness.commands import add_command
from harness.plaintext import plain
from harness.store.campaign import CampaignStore
from harness.supervise import boot
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the commands of this module."""
    resume = add_command(
        commands,
        "resume-at-boot",
        _resume_at_boot,
        example="levelrig resume-at-boot enable campaigns/tonight",
    )
    resume.add_argument("what", choices=("enable", "disable", "show"), help="show prints the unit, no more")
    resume.add_argument("folder", type=Path, help="campaign folder")
    resume.add_argument("--plan", type=Path, help="plan file to go on with; default: the one it began with")


def _resume_at_boot(arguments: argparse.Namespace) -> int:
    resumption = _resumption(arguments.folder.absolute(), arguments.plan)
    out = console()
    if arguments.what == "disable":
        boot.disable(resumption)
        out.print(f"{resumption.name}: the system no longer goes on with this campaign", markup=False)
    elif arguments.what == "enable":
        path = boot.enable(resumption)
        out.print(f"{path}: after a reboot the system restores the card and goes on{_when()}", markup=False)
    else:
        sys.stdout.write(plain(boot.shown(resumption)))
    return 0


def _resumption(folder: Path, plan: Path | None) -> boot.Resumption:
    store = CampaignStore.read(folder)
    try:
        began_with, text = Path(store.plan_source()), store.plan_text()
    finally:
        store.close()
    if plan is None:
        plan = began_with if began_with.is_file() else folder / "plan.toml"
    return boot.Resumption(
        folder,
        plan.absolute(),
        Path.cwd(),
        Path(sys.executable),
        boot.this_user(),
        changes_hardware=_changes_hardware(text),
    )


def _when() -> str:
    """What else a person must know of going on."""
    if sys.platform == "win32":
        return (
            " once you log on (whether Windows does that by itself is your own decision); who may write the "
            f"folder of {sys.executable} may then act as the machine, so keep it yours"
        )
    return ""


def _changes_hardware(plan_text: str) -> bool:
    """By the plan's own word; a plan that can't be read may."""
    try:
        return (
            tomllib.loads(plan_text.removeprefix("\ufeff"))["plan"].get("allow_hardware_changes", False)
            is True
        )
    except (ValueError, LookupError, AttributeError):
        return True
