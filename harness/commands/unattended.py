"""``run --supervised`` and ``run --detach``: a night without anybody there."""

from __future__ import annotations

import argparse
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Final

from harness.commands import print_json
from harness.engine.requests import SUPERVISED
from harness.supervise import boot
from harness.supervise.detach import detach
from harness.supervise.notify import Message, Notifier, Occasion, send_within
from harness.supervise.supervisor import supervise
from harness.terminal import console

#: What a supervisor's message is about, for its title.
_TROUBLE: Final = {
    "restarted": "trouble with the campaign",
    "gave-up": "given up",
    "stopped": "stopped",
    "stuck": "stuck, the machine needs a restart",
}
#: A message that takes longer to deliver is left behind, seconds.
_TELL_AT_MOST_S: Final = 45.0


def add_unattended_options(run: argparse.ArgumentParser) -> None:
    """Add ``--supervised`` and ``--detach`` to the ``run`` command."""
    run.add_argument(
        "--supervised",
        action="store_true",
        help="run under a supervisor, which ends a hung run, restores the card and starts it again; goes on "
        "when its terminal is closed",
    )
    run.add_argument(
        "--detach",
        action="store_true",
        help="start it supervised in the background and return once it runs; `levelrig stop FOLDER` ends it",
    )
    # What a supervisor adds at its further starts, and the system after a reboot.
    run.add_argument("--goes-on", nargs="?", type=float, const=-1.0, metavar="S", help=argparse.SUPPRESS)


def run_unattended(arguments: argparse.Namespace, folder: Path, notifier: Notifier | None) -> int | None:
    """The exit code of a detached or supervised campaign; None if this process is to run it itself."""
    if SUPERVISED in os.environ or not (arguments.supervised or arguments.detach):
        return None
    words = ["--verbose"] if arguments.verbose else []
    words += ["run", str(arguments.plan), "--into", str(folder)]
    words += [
        f"--{name.replace('_', '-')}"
        for name in ("discard_changed", "other_rig", "json")
        if getattr(arguments, name)
    ]
    if arguments.detach:
        return _detach([word for word in words if word != "--json"], folder, as_json=arguments.json)
    goes_on = arguments.goes_on
    return supervise(
        [*words, *([] if goes_on is None else ["--goes-on", f"{goes_on:.0f}"])],
        folder,
        goes_on=() if goes_on is not None else ("--goes-on",),
        tell=lambda kind, sentence: _tell(notifier, folder, kind, sentence),
    )


def _detach(words: list[str], folder: Path, *, as_json: bool) -> int:
    started = detach([*words, "--supervised"], folder)
    if as_json:
        print_json(
            {
                "pid": started.pid,
                "folder": str(folder.absolute()),
                "output": str(started.output),
                "running": started.running,
                "exit_code": started.exit_code,
            }
        )
        return started.exit_code or 0
    out = console(stderr=started.exit_code not in (None, 0))
    if started.exit_code is not None:
        out.print(started.said, markup=False, soft_wrap=True)
        return started.exit_code
    how = "runs in the background" if started.running else "is still starting in the background"
    for line in (
        f"{folder}: {how}, supervised by process {started.pid}; it goes on when this terminal is closed",
        f"  look:   levelrig status {_word(folder)}",
        f"  output: {started.output}",
        f"  stop:   levelrig stop {_word(folder)}   (or with --after-attempt)",
    ):
        out.print(line, markup=False, soft_wrap=True)
    return 0


def _word(folder: Path) -> str:
    return subprocess.list2cmdline([str(folder)]) if sys.platform == "win32" else shlex.quote(str(folder))


def _tell(notifier: Notifier | None, folder: Path, kind: str, sentence: str) -> None:
    failures = []
    if kind == "stopped" and not boot.system_ends_it(["SIGTERM"]):
        boot.campaign_is_over(folder)  # the campaign, which does this otherwise, did not live to do it
    if notifier is not None:
        occasion: Occasion = "restart" if kind == "restarted" else "stop"
        message = Message(occasion, f"{folder.name}: {_TROUBLE[kind]}", sentence)
        failures = send_within(notifier, message, _TELL_AT_MOST_S)
    for line in (sentence, *failures):
        console(stderr=True).print(f"supervisor: {line}", markup=False, soft_wrap=True)
