"""The harness's side of loads at given times: start their process, watch it, read its log."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from harness.card import GraphicsCard
from harness.clock import Clock
from harness.errors import WorkloadFailed
from harness.lines import LineFollower
from harness.power_sensor.course import Course
from harness.power_sensor.program import Program
from harness.processes import TitleProcess, end_dead_runs_titles

_GRACE_S = 3.0


class PulseLoadOnCard:
    """See :class:`harness.power_sensor.seam.PulseLoad`.

    Args:
        clock: The rig's.
        card: The card that is to work; None: the best adapter.
        adapter: Part of the name of an adapter; None: the card's.
    """

    def __init__(self, clock: Clock, card: GraphicsCard | None, adapter: str | None = None) -> None:
        self.what = "loads on the card"
        self._clock = clock
        self._card = card
        self._adapter = adapter
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: TitleProcess | None = None
        self._began_s: float | None = None
        self._done = False

    def start(self, program: Program) -> None:
        self.stop()
        end_dead_runs_titles()
        self._began_s, self._done = None, False
        self._folder = tempfile.TemporaryDirectory(prefix="levelrig-")
        folder = Path(self._folder.name)
        self._log = folder / "loads.csv"
        output = folder / "output.log"
        output.touch()
        planned = np.column_stack((program.begin_s, program.length_s))
        np.savetxt(folder / "program.csv", planned, fmt="%.7f", delimiter=",")
        words = [sys.executable, "-m", "harness_plugins.scene.pulse"]
        words += ["--program", str(folder / "program.csv"), "--log", str(self._log)]
        if self._card is not None and self._card.pci_id is not None:
            words += ["--card", "{:04x}:{:04x}".format(*self._card.pci_id)]
        if self._adapter is not None:
            words += ["--adapter", self._adapter]
        self._lines = LineFollower(output)
        self._process = TitleProcess(
            words,
            self._clock,
            cwd=folder,
            output_path=output,
            environment={"PYTHONUNBUFFERED": "1"},
            hold_stdin=True,
        )

    def began_s(self) -> float | None:
        self._look()
        return self._began_s

    def ended(self) -> bool:
        self._look()
        return self._done

    def course(self) -> Course:
        if not self._done:
            raise WorkloadFailed("the loads have not ended")
        rows = np.loadtxt(self._log, delimiter=",", ndmin=2)
        if len(rows) == 0:
            raise WorkloadFailed("no load was done in time; end what else keeps this machine busy")
        begin_s = rows[:, 0]
        end_s = np.minimum(rows[:, 1], np.append(begin_s[1:], np.inf))
        return Course(begin_s, end_s)

    def stop(self) -> None:
        if self._process is not None:
            self._process.end(_GRACE_S)
            self._process = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _look(self) -> None:
        if self._process is None or self._done:
            return
        exit_code = self._process.exit_code()
        for line in self._lines.new_lines(ended=exit_code is not None):
            if line.startswith("error "):
                raise WorkloadFailed(line.removeprefix("error "))
            if line.startswith("ready "):
                self.what = line.removeprefix("ready ")
            elif line.startswith("begins "):
                self._began_s = float(line.split()[1])
            elif line.startswith("done "):
                self._done = True
        if exit_code is not None and not self._done:
            tail = " / ".join(self._lines.tail(3)) or "it wrote nothing"
            raise WorkloadFailed(f"the loads' process ended with exit code {exit_code}: {tail}")
