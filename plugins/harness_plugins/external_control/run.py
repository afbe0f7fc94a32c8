"""Run a short command to its end, or to its limit."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import WorkloadFailed
from harness.guard.changers import end_changers, mark, note_command
from harness.processes import TitleProcess
from harness.programs import NoProgram, find_program, plan_folders

_POLL_S = 0.02
#: A command that prints more than this is ended: none that sets a card has so much to say.
_MOST_OUTPUT_BYTES = 16 << 20
_ROOM_BYTES = 1 << 20
_IN_MEMORY = "/dev/shm"


@dataclass(frozen=True)
class Outcome:
    """How a command ended: exit code (None: it was ended at its limit) and what it printed."""

    exit_code: int | None
    output: str

    @property
    def tail(self) -> str:
        """The last lines, for a message."""
        return " / ".join(line.strip() for line in self.output.splitlines() if line.strip())[-400:]


def working_folder() -> Path:
    """The working folder; the top one where that was removed."""
    try:
        return Path.cwd()
    except OSError:
        return Path(os.sep)


def _with_room() -> str | None:
    """Folder for output; memory where the usual disk is full, for the card must be put back all the same."""
    with contextlib.suppress(OSError):
        if shutil.disk_usage(tempfile.gettempdir()).free >= _ROOM_BYTES:
            return None
    return _IN_MEMORY if Path(_IN_MEMORY).is_dir() else None


def resolved(words: Sequence[str], base: Path | None = None) -> tuple[str, ...]:
    """The command with its program as an absolute path; as it is where there is no such program.

    Args:
        words: The command.
        base: Folder of the plan that states it.
    """
    try:
        return (str(find_program(words[0], plan_folders(base))), *words[1:])
    except NoProgram:
        return tuple(words)


def run_command(
    words: Sequence[str], limit_s: float, folder: Path | None = None, *, changes: bool = False
) -> Outcome:
    """Run it without a shell, standard error with its output.

    Its whole tree is ended at the limit, and by whatever interrupts the wait for it, such as a second Ctrl-C.

    Args:
        words: The command.
        limit_s: It may take this long.
        folder: Its working folder; default: this process's.
        changes: It changes the hardware: all that it started, also what it detached, carries a mark by which
            it is found and ended before a restore (:mod:`harness.guard.changers`).
    Raises:
        OSError, WorkloadFailed: It can't be started.
    """
    program = find_program(words[0], plan_folders(None))
    clock = SystemClock()
    with tempfile.TemporaryDirectory(prefix="levelrig-", dir=_with_room()) as own_folder:
        output = Path(own_folder) / "output.log"
        exit_code: int | None = None
        process: TitleProcess | None = None
        size = 0
        try:
            process = TitleProcess(
                [str(program), *words[1:]],
                clock,
                cwd=folder or working_folder(),
                output_path=output,
                environment=mark() if changes else None,
                marked=False,
            )
            if changes:
                note_command(process.pid, output)
            end_s = clock.now_s() + limit_s
            while (exit_code := process.exit_code()) is None and clock.now_s() < end_s:
                size = output.stat().st_size
                if size > _MOST_OUTPUT_BYTES:
                    break
                clock.sleep_s(_POLL_S)
        finally:
            if exit_code is None:
                if process is not None:
                    process.end(1.0)
                if changes:
                    end_changers()
        if size > _MOST_OUTPUT_BYTES:
            raise WorkloadFailed(f"it printed over {_MOST_OUTPUT_BYTES} bytes and was ended")
        with output.open("rb") as file:
            return Outcome(exit_code, file.read(_MOST_OUTPUT_BYTES).decode("utf-8", "replace"))
