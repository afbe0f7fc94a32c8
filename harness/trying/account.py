"""Follows the one attempt of a try through the engine's acts, and says each step as it comes."""

from __future__ import annotations

import contextlib
import shlex
import shutil
import signal
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol

from harness.boundary import note_fault
from harness.clock import Clock
from harness.engine.attempt import Running
from harness.engine.attempt_acts import STOP_GRACE_S
from harness.engine.messages import (
    ApplyProfile,
    BeginAttempt,
    CloseTitle,
    CommitAttempt,
    Event,
    Failed,
    GateTimedOut,
    HoldGate,
    IngestAndJudge,
    Instruction,
    Launched,
    LaunchTitle,
    MeasureWindow,
    ProfileInForce,
    Restored,
    StopRequested,
    WindowEnded,
)
from harness.engine.progress import Progress
from harness.errors import HarnessError
from harness.plan.schema import Cell
from harness.processes import TitleProcess, started_titles
from harness.rig import FrameLogSource, WorkloadState
from harness.stages.stage import word_of
from harness.terminal import duration, readings_line
from harness.trying.outputs import text_of
from harness.watch.rate import RunningRate

#: A file of the attempt's folder above this size is not kept beside the account, and so many at most.
_MOST_KEPT_BYTES: Final = 256 << 20
_MOST_KEPT: Final = 200
#: Time between two lines that say what is still waited for, seconds.
_STILL_S: Final = 10.0
_WIDTH: Final = 90
_KILLED: Final = -9
#: How the attempt's own folder is called in a plan.
WORK_FOLDER: Final = "{work_folder}"


class Screen(Protocol):
    """Where an account is told."""

    def say(self, step: str, text: str, *, style: str = "") -> None:
        """A step; an empty name goes on with the one before."""

    def glance(self, text: str, *, keep: bool) -> None:
        """What is so now; ``keep``: also where nobody looks on, in a pipe."""


@dataclass
class Found:
    """What an account has come to.

    Attributes:
        programs: What was started, in order.
        ready_after_s, ready_by: From the title's start to ready, and what told so.
        window_s: Length of the window.
        ended: How the title ended, in words.
        verdict, reason_code, reason: Of the attempt; None where none was made.
        output: The title's output, its beginning and end.
        began_unix_s: When the title was started.
        source: The frame log, where there was one.
        log: Where it lies now.
        running: The attempt.
        steps: Everything said.
        live_fps: Frame rate while it ran, by second of the window.
    """

    programs: list[dict[str, Any]] = field(default_factory=list)
    ready_after_s: float | None = None
    ready_by: str = ""
    window_s: float | None = None
    ended: str = ""
    verdict: str | None = None
    reason_code: str | None = None
    reason: str | None = None
    output: str = ""
    began_unix_s: float = 0.0
    source: FrameLogSource | None = None
    log: Path | None = None
    running: Running | None = None
    steps: list[dict[str, str]] = field(default_factory=list)
    live_fps: list[tuple[float, float]] = field(default_factory=list)


class Account:
    """Observer and listener of a try (:mod:`harness.engine.progress`).

    Args:
        cell: What is tried.
        clock: The rig's clock.
        folder: The try's own folder.
        screen: Where it is told.
        changes_hardware: Whether the profile does.
    """

    def __init__(
        self, cell: Cell, clock: Clock, folder: Path, screen: Screen, *, changes_hardware: bool
    ) -> None:
        self._cell = cell
        self._changes_hardware = changes_hardware
        self._clock = clock
        self._folder = folder
        self._screen = screen
        self._act_s = self._launch_s = clock.now_s()
        self._told: set[int] = set()
        self._still_s = 0.0
        self._rate = RunningRate()
        self._run: Running | None = None
        self.found = Found()

    def say(self, step: str, text: str, *, style: str = "") -> None:
        """Say a step and keep it; the attempt's own folder by its placeholder, as its path is long."""
        if self._run is not None:
            text = text.replace(str(self._run.work_folder.absolute()), WORK_FOLDER)
        self.found.steps.append({"step": step or self.found.steps[-1]["step"], "text": text})
        self._screen.say(step, text, style=style)

    # --- observer -----------------------------------------------------------------------------------------

    def on_progress(self, progress: Progress) -> None:
        self._tell_started()
        text = f"{'window' if progress.phase == 'measure' else progress.phase} {duration(progress.phase_s)}"
        if progress.phase_left_s is not None:
            text += f", {duration(progress.phase_left_s)} left"
        fps = self._running_fps(progress)
        shown = [] if fps is None else [f"{fps:.1f} FPS"]
        readings = readings_line({**progress.readings}, 60)
        in_window = progress.phase == "measure"
        if in_window and fps is not None:
            self.found.live_fps.append((progress.phase_s, fps))
        if progress.phase == "launch":
            shown.append(self._waits_for())
        elif readings:
            shown.append(readings)
        if progress.detail and progress.phase != "launch":
            shown.append(progress.detail)
        now_s = self._clock.now_s()
        keep = in_window or now_s - self._still_s >= _STILL_S
        if keep:
            self._still_s = now_s
        self._screen.glance("   ".join([text, *shown]), keep=keep)

    def on_attempt(self, cell_id: str, which: str, attempt: int, verdict: str, reason: str | None) -> None:
        """Said from the commit."""

    def on_message(self, level: str, message: str) -> None:
        self.say("note", message, style="yellow" if level != "info" else "")

    def _running_fps(self, progress: Progress) -> float | None:
        """Frame rate of the last two seconds, where the title writes its log as it runs."""
        log = progress.frame_log
        if log is None and self._run is not None and self._run.workload is not None:
            log = self._run.workload.growing_log()  # the engine looks for it less often
        if log is None:
            return None
        named = {"path": str(log.path.absolute()), "spec": log.spec.model_dump(mode="json")}
        return self._rate.look(named, time.monotonic())

    def _waits_for(self) -> str:
        if self._run is None:
            return ""
        options = self._cell.workload_options
        awaited = options.get("ready_line")
        last = text_of(self._run.output_path, 4096).rstrip().rpartition("\n")[2].strip()[:60]
        said = f"last line: {last}" if last else "no output yet"
        return f"waits for {awaited!r}; {said}" if awaited else said

    # --- listener -----------------------------------------------------------------------------------------

    def begins(self, act: Instruction, running: Running | None) -> None:
        self._act_s = self._clock.now_s()
        if running is not None:
            self._run = self.found.running = running
        match act:
            case LaunchTitle():
                self._launch_s = self._still_s = self._act_s
                self.found.began_unix_s = time.time()
            case CommitAttempt():
                self._keep_files()

    def ended(self, act: Instruction, event: Event, running: Running | None) -> None:
        if running is not None:
            self._run = self.found.running = running
        took_s = self._clock.now_s() - self._act_s
        failed = event.reason if isinstance(event, Failed | StopRequested) else None
        match act:
            case BeginAttempt():
                pass
            case ApplyProfile():
                self._tell_profile(failed, in_force=isinstance(event, ProfileInForce))
            case HoldGate(gate):
                self._tell_gate(gate, event, failed)
            case LaunchTitle():
                self._tell_launch(failed, launched=isinstance(event, Launched))
            case MeasureWindow():
                self._tell_window(event, failed)
            case CloseTitle():
                self._tell_end(took_s, failed)
            case IngestAndJudge():
                self._note_log()
            case CommitAttempt(verdict, code, reason):
                self.found.verdict, self.found.reason_code, self.found.reason = verdict, code, reason
        if isinstance(event, Restored):
            self._tell_restored(event)

    def _tell_profile(self, failed: str | None, *, in_force: bool) -> None:
        profile = self._cell.profile
        if not in_force:
            self.say("profile", f"{profile.name} is not in force: {failed}", style="red")
            return
        values = self._run.read_back if self._run is not None else {}
        plain = {key: value for key, value in values.items() if value not in (None, {}, [])}
        shown = ", ".join(f"{key} {value}" for key, value in plain.items() if not isinstance(value, dict))
        self.say("profile", f"{profile.name} (control {profile.control})" + (f": {shown}" if shown else ""))

    def _tell_gate(self, gate: str, event: Event, failed: str | None) -> None:
        if gate == "cooldown":
            self.say("cooldown", "skipped in a try; a night waits here by its rule")
            return
        result = None if self._run is None else self._run.gates.get(gate)
        if isinstance(event, GateTimedOut):
            self.say(word_of(gate), f"timed out: {event.detail}", style="yellow")
        elif failed is not None:
            self.say(word_of(gate), f"ended: {failed}", style="red")
        elif result is not None and result.ended_by != "none":
            why = {"time": "its time", "reached": "its rule is met"}.get(result.ended_by, result.ended_by)
            self.say(word_of(gate), f"{result.waited_s:.1f} s, over by {why}")

    def _tell_started(self) -> None:
        """Say what was started since the last look."""
        for title in started_titles(self._launch_s):
            if title.pid not in self._told:
                self._told.add(title.pid)
                self._tell_program(title)

    def _tell_program(self, title: TitleProcess) -> None:
        who = title.output_name.removeprefix("output.").removesuffix("log").strip(".")
        self.found.programs.append(
            {
                "companion": who or None,
                "command": list(title.arguments),
                "folder": str(title.cwd),
                "process_id": title.pid,
            }
        )
        after_s = title.started_s - self._launch_s
        words = shlex.join(title.arguments)
        words = words if len(words) <= 6 * _WIDTH else words[: 6 * _WIDTH] + "…"
        self.say("companion" if who else "start", f"{who}: {words}" if who else words)
        when = f", {after_s:.1f} s later" if after_s >= 0.1 else ""
        own = self._run is not None and title.cwd.absolute() == self._run.work_folder.absolute()
        folder = f"{WORK_FOLDER}, the attempt's own folder" if own else str(title.cwd)
        self.say("", f"in {folder}; process {title.pid}{when}")

    def _tell_launch(self, failed: str | None, *, launched: bool) -> None:
        self._tell_started()
        programs = started_titles(self._launch_s)
        if not programs and self._run is not None and self._run.workload is not None:
            process_id = self._run.workload.process_id()
            self.say("start", "by its workload" + (f"; process {process_id}" if process_id else ""))
        own = next((title for title in programs if title.output_name == "output.log"), None)
        since_s = self._launch_s if own is None else own.started_s
        after_s = self._clock.now_s() - since_s
        if not launched:
            self.say("ready", f"not ready after {after_s:.1f} s: {failed}", style="red")
            return
        self.found.ready_after_s = round(after_s, 2)
        self.found.ready_by = self._state().ready_by
        by = f", by {self.found.ready_by}" if self.found.ready_by else ""
        self.say("ready", f"after {after_s:.1f} s{by}")

    def _state(self) -> WorkloadState:
        """The title's state, where it can be told."""
        workload = None if self._run is None else self._run.workload
        with contextlib.suppress(HarnessError):
            if workload is not None:
                return workload.poll()
        return WorkloadState(running=False)

    def _tell_window(self, event: Event, failed: str | None) -> None:
        run = self._run
        if run is None:
            return
        if isinstance(event, WindowEnded) and run.measured_s is not None:
            self.found.window_s = run.measured_s
            state = self._state()
            by = f", by {state.finished_by}" if state.finished_by else ""
            planned_s = self._cell.title.measure_s
            over = planned_s is not None and run.measured_s >= planned_s - 0.01
            how = "as planned" if over else f"ended as the title was done{by}"
            self.say("window", f"{run.measured_s:.1f} s, {how}")
        else:
            self.say("window", f"broken off: {failed}", style="red")

    def _tell_end(self, took_s: float, failed: str | None) -> None:
        run = self._run
        if failed is not None:
            self.found.ended = failed
            self.say("end", failed, style="red")
            return
        code = None if run is None else run.exit_code
        how = "" if code is None else f"; {_exit_words(code)}"
        self.found.ended = f"ended within {took_s:.1f} s{how}"
        if code == _KILLED and took_s >= STOP_GRACE_S - 0.5:  # else something else killed it
            self.found.ended = f"killed, as it did not end within {STOP_GRACE_S:g} s after it was asked"
        self.say("end", self.found.ended)

    def _tell_restored(self, event: Restored) -> None:
        control = self._cell.profile.control
        if event.failure is not None:
            self.say("restore", f"THE CARD IS NOT BACK: {event.failure}", style="bold red")
        elif event.doubt is not None:
            self.say("restore", f"put back, but not proven: {event.doubt}", style="yellow")
        elif self._changes_hardware:
            self.say("restore", f"control {control}: the state that was found is back, as read back")

    # --- what is left -------------------------------------------------------------------------------------

    def _note_log(self) -> None:
        workload = None if self._run is None else self._run.workload
        with contextlib.suppress(HarnessError):
            if workload is not None:
                self.found.source = workload.frame_log()
                self.found.log = None if self.found.source is None else self.found.source.path

    def _keep_files(self) -> None:
        """Copy what the attempt's folder holds to where it stays, and note the output."""
        run = self._run
        if run is None:
            return
        self.found.output = text_of(run.output_path)
        kept = self._folder / "title"
        try:
            for path in _files_below(run.work_folder):
                target = kept / path.relative_to(run.work_folder)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(path, target)
                if self.found.log is not None and path.resolve() == self.found.log.resolve():
                    self.found.log = target
        except OSError as error:
            note_fault("keeping a try's files", error)


def _exit_words(code: int) -> str:
    if code < 0 and sys.platform != "win32":
        with contextlib.suppress(ValueError):
            return f"by signal {signal.Signals(-code).name}"
    return f"exit code {code}"


def _files_below(folder: Path) -> list[Path]:
    """Regular files that are not too large, no link followed."""
    found = [path for path in sorted(folder.rglob("*")) if path.is_file() and not path.is_symlink()]
    return [path for path in found if path.stat().st_size <= _MOST_KEPT_BYTES][:_MOST_KEPT]
