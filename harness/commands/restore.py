"""``restore``: puts the card back: as a run found it, or to its factory state where no record tells.

It ends with 0 (all reads back as it should, also where there was no record), 3 (refused: a live run holds the
hardware, or the record is another user's or could have been written by others), 4 (done, not proven: the
record was damaged and is kept aside as ``restore.damaged-…json``, or a control can't read back), 5 (not
restored). Clock ceilings of NVML have no getter: they are always taken off, and where a run set them the
clocks under a short load are the proof.
"""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from rich.text import Text

from harness.card import choose_card
from harness.commands import add_command, print_json
from harness.errors import RecordNotOurs
from harness.guard import HardwareLock, restore_machine
from harness.guard.record import records_of_others
from harness.marks import end_dead_runs_titles
from harness.plugins import PluginHost
from harness.terminal import console


def register(commands: Any) -> None:
    """Add the command of this module."""
    restore = add_command(
        commands,
        "restore",
        _restore,
        example="levelrig restore\n\nexit codes:\n"
        "  0 all reads back as it should   3 refused: a run holds the hardware, or the record is another's\n"
        "  4 done, not proven: the record was damaged, or a control can't read back   5 not restored",
        reports=True,
    )
    restore.add_argument(
        "--card",
        metavar="CARD",
        help="PCI address, UUID or part of the name: with no record of what was changed, and several cards, "
        "the one to put to its factory state",
    )


def _restore(arguments: argparse.Namespace) -> int:
    others = records_of_others()
    if others:
        raise RecordNotOurs(
            others[0], "tells what another user's run changed, and only that user can put it back"
        )
    host = PluginHost()
    card = (
        None if arguments.card is None else choose_card(host.graphics_cards(), [("--card", arguments.card)])
    )
    ended = end_dead_runs_titles()  # nothing may load a card that is put back
    lock = HardwareLock.take("restore")
    try:
        done = restore_machine(host, card=card)
    finally:
        lock.release()
    if arguments.json:
        print_json({**dataclasses.asdict(done), "ended_programs": ended, "exit_code": done.exit_code})
    else:
        if ended:
            console().print(Text(f"Ended what a run that is no more had left running: {', '.join(ended)}."))
        for line in done.lines():
            console().print(Text(line))
    return done.exit_code
