"""The self-test's pretend card, a file: a program that changes it and is killed, and the watch over it."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from harness.guard.record import RestoreRecord, make_state_folder
from harness.guard.watch import Sign, watch_over
from harness.isolated import python_command
from harness.rig import Control
from harness.testing import RecordingControl

FACTORY, TUNED = "factory", "tuned"


class PretendCard(RecordingControl):
    """A control whose card is a file with one word in it."""

    def __init__(self, file: Path) -> None:
        super().__init__("pretend", changes_hardware=True)
        self._file = file

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        self._file.write_text(snapshot["state"], encoding="ascii")


def change_and_wait(folder: Path) -> None:
    """The victim: notes the state found, starts a watch, changes the card, and waits to be killed."""
    record = _record(folder)
    make_state_folder(record.path.parent)
    card = folder / "card"
    card.write_text(FACTORY, encoding="ascii")
    record.save_snapshot("pretend", {"state": FACTORY})
    subprocess.Popen(
        python_command("harness.pretend", "watch", str(folder)),
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        start_new_session=sys.platform != "win32",
    )
    card.write_text(TUNED, encoding="ascii")
    print("changed", flush=True)
    time.sleep(60)


def watch(folder: Path) -> None:
    """The watch: waits until the victim's end of the pipe is gone, then puts the card back."""

    def wait() -> Sign:
        sys.stdin.buffer.read()
        return "gone"

    def open_control(kind: str) -> Control:
        return PretendCard(folder / "card")

    watch_over(_record(folder), wait, open_control)


def kill_and_see(folder: Path, limit_s: float) -> float:
    """Kill the victim; returns after how many seconds the card was back. Raises RuntimeError."""
    words = python_command("harness.pretend", "change", str(folder))
    victim = subprocess.Popen(words, stdout=subprocess.PIPE)
    try:
        assert victim.stdout is not None
        if victim.stdout.readline().strip() != b"changed":
            raise RuntimeError("the program that changes the card ended early")
        if (folder / "card").read_text("ascii") != TUNED:
            raise RuntimeError("the card was not changed")
    finally:
        victim.kill()
        victim.communicate()
    began_s = time.monotonic()
    while (folder / "card").read_text("ascii") != FACTORY or _record(folder).open_snapshots():
        if time.monotonic() - began_s > limit_s:
            raise RuntimeError(f"the card was not back {limit_s:.0f} s after the kill")
        time.sleep(0.02)
    return time.monotonic() - began_s


def _record(folder: Path) -> RestoreRecord:
    return RestoreRecord(folder / "state" / "restore.json")


if __name__ == "__main__":
    {"change": change_and_wait, "watch": watch}[sys.argv[1]](Path(sys.argv[2]))
