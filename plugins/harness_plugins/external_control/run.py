"""Run a short command to its end, or to its limit."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.clock import SystemClock
from harness.errors import WorkloadFailed
from harness.processes import TitleProcess

_POLL_S = 0.02
#: A command that prints more than this is ended: none that sets a card has so much to say.
_MOST_OUTPUT_BYTES = 16 << 20


@dataclass(frozen=True)
class Outcome:
    """How a command ended: exit code (None: it was ended at its limit) and what it printed."""

    exit_code: int | None
    output: str

    @property
    def tail(self) -> str:
        """The last lines, for a message."""
        return " / ".join(line.strip() for line in self.output.splitlines() if line.strip())[-400:]


def find_program(word: str) -> Path | None:
    """The program that the word means: on the search path, or a path from here."""
    found = shutil.which(word)
    return None if found is None else Path(found).absolute()


def run_command(words: Sequence[str], limit_s: float) -> Outcome:
    """Run it without a shell, standard error with its output; its whole tree is ended at the limit.

    Raises:
        OSError, WorkloadFailed: It can't be started.
    """
    program = find_program(words[0])
    if program is None:
        raise FileNotFoundError(f"there is no program {words[0]!r}")
    clock = SystemClock()
    with tempfile.TemporaryDirectory(prefix="levelrig-") as folder:
        output = Path(folder) / "output.log"
        process = TitleProcess(
            [str(program), *words[1:]], clock, cwd=Path.cwd(), output_path=output, marked=False
        )
        end_s = clock.now_s() + limit_s
        size = 0
        while (exit_code := process.exit_code()) is None and clock.now_s() < end_s:
            size = output.stat().st_size
            if size > _MOST_OUTPUT_BYTES:
                break
            clock.sleep_s(_POLL_S)
        if exit_code is None:
            process.end(1.0)
        if size > _MOST_OUTPUT_BYTES:
            raise WorkloadFailed(f"it printed over {_MOST_OUTPUT_BYTES} bytes and was ended")
        with output.open("rb") as file:
            return Outcome(exit_code, file.read(_MOST_OUTPUT_BYTES).decode("utf-8", "replace"))
