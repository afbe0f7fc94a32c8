"""``stop``: ask a running campaign to stop safely, wait for it, and say what state the card is in."""

from __future__ import annotations

import argparse
import contextlib
import os
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.commands import add_command, print_json
from harness.commands.signals import card_state
from harness.engine.requests import Request, ask, drop_request
from harness.errors import HarnessError, StoreError
from harness.guard import RestoreRecord
from harness.numerals import out_of
from harness.store.campaign import CampaignStore
from harness.store.lock import LOCK_NAME
from harness.supervise.runners import find_runners
from harness.terminal import console, duration

#: The run has ended and nothing is left changed.
STOPPED: Final = 0
#: It still runs after the time limit.
STILL_RUNS: Final = 3
#: It has ended, but the card may still be changed.
STILL_CHANGED: Final = 5
_NOW_AT_MOST_S: Final = 300.0
_AFTER_ATTEMPT_AT_MOST_S: Final = 7200.0
_POLL_S: Final = 0.25
_EXIT_CODES: Final = """exit codes: 0 nothing runs any more and nothing is left changed   3 it still runs
5 it has ended, but the card may still be changed"""


def register(commands: Any) -> None:
    """Add the command of this module."""
    stop = add_command(
        commands,
        "stop",
        _stop,
        example="levelrig stop campaigns/tonight --after-attempt",
        reports=True,
    )
    stop.add_argument("folder", type=Path, help="campaign folder")
    stop.epilog = f"{stop.epilog}\n\n{_EXIT_CODES}"
    stop.add_argument(
        "--after-attempt",
        action="store_true",
        help="let the running attempt end first; otherwise it is ended now and measured again later",
    )
    stop.add_argument(
        "--timeout-s",
        type=float,
        metavar="S",
        help=f"wait at most this long (default {_NOW_AT_MOST_S:.0f}, "
        f"with --after-attempt {_AFTER_ATTEMPT_AT_MOST_S:.0f}); 0 asks and does not wait",
    )


@dataclass(frozen=True)
class Stopped:
    """What became of the request.

    Attributes:
        asked: Processes that were asked; empty where nobody worked on the folder.
        runs: Processes that still work on it.
        waited_s: Time until they had ended, or that was waited for.
        left_changed: Controls that the machine's record says are not put back; None where it can't be read.
        accepted: Repeats measured in the whole campaign.
        wanted: Repeats wanted in the whole campaign.
    """

    asked: tuple[int, ...]
    runs: tuple[int, ...]
    waited_s: float
    left_changed: tuple[str, ...] | None
    accepted: int
    wanted: int

    @property
    def exit_code(self) -> int:
        if self.runs:
            return STILL_RUNS
        return STOPPED if self.left_changed == () else STILL_CHANGED


def stop_campaign(
    folder: Path,
    *,
    after_attempt: bool,
    timeout_s: float,
    waiting: Callable[[tuple[int, ...]], None] = lambda pids: None,
) -> Stopped:
    """Ask whoever works on the folder to stop, and wait.

    Args:
        folder: The campaign folder.
        after_attempt: Let the running attempt end first.
        timeout_s: Wait at most this long.
        waiting: Called once with the processes that were asked.
    Raises:
        StoreError: No campaign there, the request can't be written, or who runs it can't be told.
    """
    CampaignStore.read(folder).close()
    lock = folder / LOCK_NAME
    if inside.is_there(folder, lock) and not os.access(lock, os.R_OK):
        raise StoreError(
            f"{folder}: another user began this campaign, so whether it runs can't be told from here and "
            f"nothing was asked to stop; `levelrig status {folder}` shows it; stop it as that user"
        )
    began_s = time.monotonic()
    asked = find_runners(folder).pids
    runs = asked
    if asked:
        wish = "pause-after-attempt" if after_attempt else "stop"
        try:
            ask(folder, Request(wish, asked))
        except OSError as error:
            raise StoreError(
                f"{folder}: the request can't be written ({error.strerror}); "
                f"end process {min(asked)} by a signal, then run `levelrig restore`"
            ) from error
        waiting(tuple(sorted(asked)))
        while (runs := find_runners(folder).pids & asked) and time.monotonic() - began_s < timeout_s:
            time.sleep(_POLL_S)
    if not runs:
        drop_request(folder)
    with contextlib.closing(CampaignStore.read(folder)) as store:
        standing = store.standing()
        accepted, wanted = standing.accepted_count, standing.wanted_count
    changed: tuple[str, ...] | None
    try:
        changed = tuple(sorted(RestoreRecord().open_snapshots()))
    except HarnessError:
        changed = None
    return Stopped(
        tuple(sorted(asked)), tuple(sorted(runs)), time.monotonic() - began_s, changed, accepted, wanted
    )


def _stop(arguments: argparse.Namespace) -> int:
    timeout_s = arguments.timeout_s
    if timeout_s is None:
        timeout_s = _AFTER_ATTEMPT_AT_MOST_S if arguments.after_attempt else _NOW_AT_MOST_S
    out = console()

    def waiting(pids: tuple[int, ...]) -> None:
        if not arguments.json:
            when = "after the running attempt" if arguments.after_attempt else "now"
            wait = f"; waiting for at most {duration(timeout_s)}" if timeout_s > 0 else ""
            out.print(
                f"{arguments.folder}: process {pids[0]} was asked to stop {when}{wait}",
                markup=False,
                soft_wrap=True,
            )

    found = stop_campaign(
        arguments.folder, after_attempt=arguments.after_attempt, timeout_s=timeout_s, waiting=waiting
    )
    if arguments.json:
        print_json({**asdict(found), "exit_code": found.exit_code})
        return found.exit_code
    for line in _lines(arguments.folder, found):
        out.print(line, markup=False, soft_wrap=True)
    return found.exit_code


def _lines(folder: Path, found: Stopped) -> list[str]:
    if not found.asked:
        state = f"{folder}: nothing runs here"
    elif found.runs and found.waited_s < _POLL_S:
        state = f"{folder}: process {found.runs[0]} has not ended yet; `levelrig status` shows it"
    elif found.runs:
        state = (
            f"{folder}: process {found.runs[0]} still runs after {duration(found.waited_s)}; the request "
            "stays. Wait and look with `levelrig status`, or end the process by a signal (its watch then "
            "puts the card back) and run `levelrig restore`"
        )
    else:
        state = f"{folder}: stopped after {duration(found.waited_s)}"
    measured = f"{out_of(found.accepted, found.wanted, 'repeat', 'is')} measured"
    measured += "." if found.accepted == found.wanted else "; the same run command goes on."
    return [state, card_state(), measured]
