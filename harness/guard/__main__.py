"""``python -m harness.guard RECORD SECONDS``: the watch of a run, or, without ``--watch``, a single restore.

The restore happens as soon as standard input ends. Exit codes: 0 nothing is left to be restored, 1
something is, 3 a run that lives holds the hardware, so nothing was touched.
"""

from __future__ import annotations

import argparse
import contextlib
import queue
import signal
import sys
import threading
from pathlib import Path

from harness.errors import HardwareBusy, StoreError
from harness.guard.lock import LOCK_NAME, HardwareLock
from harness.guard.record import Content, RestoreRecord
from harness.guard.restore import opener
from harness.guard.times import growing_pauses_s
from harness.guard.watch import Sign, blocks_of, signs_of, watch_over
from harness.plugins import PluginHost
from harness.windows.calls import windows_calls
from harness.windows.console import end_last
from harness.windows.endsession import heard_session_end


def main(arguments: list[str] | None = None) -> int:
    """The process. Returns its exit code."""
    parser = argparse.ArgumentParser(prog="harness.guard", description=__doc__)
    parser.add_argument("record", type=Path)
    parser.add_argument(
        "seconds", type=float, help="silence that counts as a hang; without --watch, patience"
    )
    parser.add_argument("--watch", action="store_true", help="go on until the card is back")
    parser.add_argument("--lock", type=int, help="descriptor of the hardware's lock, inherited from the run")
    given = parser.parse_args(arguments)
    record = RestoreRecord(given.record)
    asked = threading.Event()
    signs: queue.SimpleQueue[Sign | Content] = queue.SimpleQueue()

    def let_go(*_: object) -> None:
        asked.set()

    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, let_go)

    def listen() -> None:
        try:
            for sign in signs_of(blocks_of(0)):
                signs.put(sign)
        finally:
            signs.put("gone")

    threading.Thread(target=listen, daemon=True).start()

    def wait() -> Sign | Content:
        try:
            return signs.get(timeout=given.seconds)
        except queue.Empty:
            return "silent"

    lock = None if given.lock is None else HardwareLock.inherited(record.path.parent / LOCK_NAME, given.lock)

    def take_over() -> None:
        nonlocal lock
        if lock is None:
            lock = HardwareLock.take("watch", state=record.path.parent, patience_s=given.seconds)
        lock.say("watch")

    over = threading.Event()
    try:
        with contextlib.ExitStack() as stack:
            if (calls := windows_calls()) is not None:  # at log off and shutdown the card is put back still
                end_last(calls)
                stack.enter_context(heard_session_end(calls, lambda name: signs.put("gone"), over.wait))
                stack.callback(over.set)
            done = watch_over(
                record,
                wait,
                opener(PluginHost()),
                pauses_s=growing_pauses_s() if given.watch else (),
                pause=asked.wait,
                take_over=take_over,
            )
    except HardwareBusy as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except StoreError as error:
        print(error, file=sys.stderr)
        return 1
    failed = [item for item in done if item.failure]
    for item in failed:
        print(f"{item.kind}: {item.failure}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
