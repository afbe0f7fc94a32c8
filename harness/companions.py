"""Companions: programs started and ended with a title, as a frame logger or a recorder.

A title and its companions are one workload (:class:`Accompanied`), whatever kind the title is of. Companions
carry the mark of titles (:mod:`harness.marks`): they count as the night's own load, and end with a run that
was killed. One that fails is a finding of the attempt, under a reason of its own: it speaks of neither title
nor profile. The title is ended first, so that nothing heats the card while a companion takes its time; then
all companions at once, each in its own way and time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from harness import inside
from harness.clock import Clock
from harness.errors import CompanionFailed, FrameLogError, WorkloadFailed
from harness.log import get_logger
from harness.newfiles import NewFiles
from harness.patterns import Pattern
from harness.plan.companion_table import CompanionSpec
from harness.plan.placeholders import PROCESS_ID, Value, fill, values_of
from harness.plan.schema import Cell
from harness.processes import Ending, TitleProcess, end_dead_runs_titles
from harness.programs import find_program, plan_folders, plan_path
from harness.rig import FrameLogSource, Launch, Workload, WorkloadState, measured, stages_over

#: A companion's own file above this size is not kept, bytes.
MOST_FILE_BYTES: Final = 512 << 20
#: Longest wait for the end of the threads that end companions, beyond what each may take, seconds.
_END_S: Final = 15.0
_COPY_BYTES: Final = 1 << 20
#: What a companion's mark begins with.
_CODE: Final = "companion"

log = get_logger("levelrig.companions")


class Accompanied:
    """A title with its companions, as one workload. See :class:`harness.rig.Workload`.

    Args:
        workload: The title's own; not started yet.
        cell: Its cell, with the companions.
        clock: The rig's clock.
    """

    def __init__(self, workload: Workload, cell: Cell, clock: Clock) -> None:
        self._workload = workload
        self._cell = cell
        self._clock = clock
        self._launch: Launch | None = None
        self._title_started = False
        self._companions = [_Companion(spec, clock, cell.title.base) for spec in cell.title.companions]
        self._ended = threading.Event()

    def start(self, launch: Launch) -> None:
        end_dead_runs_titles()
        self._launch = launch
        values = values_of(self._cell, launch.work_folder, launch.thread_count)
        for companion in self._companions:
            path = self._log_path(companion)
            companion.prepare(launch, values, None if path is None else fill(path, values))
        self._start_title()

    def _log_path(self, companion: _Companion) -> str | None:
        spec = self._cell.title.frame_log
        return spec.path if spec is not None and spec.companion == companion.spec.name else None

    def _start(self, when: str) -> bool:
        """Start those of that time; whether all of them are ready."""
        ready = True
        for companion in self._companions:
            if companion.spec.starts == when and not self._ended.is_set():
                companion.start(self.process_id())
                ready = companion.ready() and ready
        return ready

    def _start_title(self) -> None:
        """Start the title once those before it are ready."""
        if not self._start("before") or self._launch is None or self._ended.is_set():
            return
        self._title_started = True
        self._workload.start(self._launch)
        if self._ended.is_set():  # it was given up meanwhile
            self._workload.stop(0.0)
        self._start("with")

    def poll(self) -> WorkloadState:
        if not self._title_started and not self._ended.is_set():
            self._see_that_all_live()
            self._start_title()
            if not self._title_started:
                return WorkloadState(running=True, ready=False)
        state = self._workload.poll() if self._title_started else WorkloadState(running=False, ready=False)
        remarks = tuple(remark for companion in self._companions for remark in companion.remarks)
        if self._ended.is_set() or state.failure is not None or state.finished or not state.running:
            return dataclasses.replace(state, remarks=(*state.remarks, *remarks))
        ready = self._start("with")
        if state.ready:
            ready = self._start("when-ready") and ready
        self._see_that_all_live()
        return dataclasses.replace(state, ready=state.ready and ready, remarks=(*state.remarks, *remarks))

    def _see_that_all_live(self) -> None:
        for companion in self._companions:
            companion.see_that_it_lives()

    def stages_over(self) -> None:
        """See :func:`harness.rig.stages_over`."""
        stages_over(self._workload)

    def measured(self, begin_s: float, end_s: float) -> None:
        """See :func:`harness.rig.measured`."""
        measured(self._workload, begin_s, end_s)

    def process_id(self) -> int | None:
        return self._workload.process_id() if self._title_started else None

    def stop(self, grace_s: float) -> None:
        self._ended.set()
        process_id = self.process_id()
        try:
            if self._title_started:
                self._workload.stop(grace_s)
        finally:
            enders = [
                threading.Thread(target=one.end, args=(grace_s > 0, process_id), daemon=True)
                for one in self._companions
            ]
            for ender in enders:
                ender.start()
            longest_s = max(one.spec.end_within_s for one in self._companions) + _END_S
            for ender in enders:
                ender.join(longest_s)

    def growing_log(self) -> FrameLogSource | None:
        writer = self._writer()
        if writer is None:
            return self._workload.growing_log() if self._title_started else None
        newest = None if writer.log is None else writer.log.newest_now()
        spec = self._cell.title.frame_log
        return None if newest is None or spec is None else FrameLogSource(newest, spec)

    def frame_log(self) -> FrameLogSource | None:
        writer, spec = self._writer(), self._cell.title.frame_log
        if writer is None or spec is None:
            return self._workload.frame_log()
        newest = None if writer.log is None else writer.log.newest()
        if newest is not None:
            return FrameLogSource(newest, spec)
        there = "it was not started" if writer.log is None else writer.log.what_is_there()
        raise FrameLogError(
            f"companion {writer.spec.name} wrote no file in this run that matches the frame_log path "
            f"{spec.path!r} in {writer.folder} ({there}); {writer.last_words()}; look where it puts its log",
            permanent=writer.log is not None and writer.log.folder_is_missing(),
        )

    def _writer(self) -> _Companion | None:
        """The companion that writes the frame log."""
        spec = self._cell.title.frame_log
        name = None if spec is None else spec.companion
        return next((one for one in self._companions if one.spec.name == name), None)

    def score(self) -> float | None:
        return self._workload.score()


class _Companion:
    """One companion in one run of its title.

    Attributes:
        spec: What the plan says of it.
        folder: Its working folder.
        log: Finds the frame log that it writes; None where it writes none.
        remarks: What was unusual, as marks of the attempt.
    """

    def __init__(self, spec: CompanionSpec, clock: Clock, base: Path | None) -> None:
        self.spec = spec
        self._base = base
        self.folder = Path()
        self.log: NewFiles | None = None
        self.remarks: list[str] = []
        self._clock = clock
        self._ready_line = None if spec.ready_line is None else Pattern(spec.ready_line)
        self._said_ready = threading.Event()
        self._starting = threading.Lock()
        self._process: TitleProcess | None = None
        self._started_s = 0.0
        self._was_ready = self._gone = self._ended = False
        self._own: NewFiles | None = None

    def prepare(self, launch: Launch, values: Mapping[str, Value], log_path: str | None) -> None:
        """Look at what is there before anything is started. Raises CompanionFailed."""
        self._values: dict[str, Value] = dict(values)
        self._output_folder = launch.output_path.parent
        self.folder = launch.work_folder
        if self.spec.working_folder is not None:
            self.folder = plan_path(fill(self.spec.working_folder, self._early()), self._base)
            if not self.folder.is_dir():
                raise self._failed(
                    f"its working_folder {self.folder} does not exist; make it or fix the plan", for_good=True
                )
        folders = (self.folder, launch.work_folder)
        self.log = None if log_path is None else NewFiles(log_path, folders)
        if self.spec.file is not None:
            self._own = NewFiles(fill(self.spec.file, self._early()), folders)

    def _early(self) -> dict[str, Value]:
        return {PROCESS_ID: "*", **self._values}

    def start(self, title_id: int | None) -> None:
        """Start it, once. Raises CompanionFailed."""
        with self._starting:
            if self._process is not None or self._ended:
                return
            self._values = {PROCESS_ID: title_id or 0, **self._values}
            self._started_s = self._clock.now_s()
            self._process = self._run(self.spec.command, "")
            log.info("companion started", companion=self.spec.name, process=self._process.pid)

    def _run(self, command: list[str], what: str) -> TitleProcess:
        try:
            words = [fill(word, self._values) for word in command]
            words[0] = str(find_program(words[0], [*plan_folders(self._base), self.folder]))
            return TitleProcess(
                words,
                self._clock,
                cwd=self.folder,
                output_path=self._output_folder / f"{self.spec.output_stem}{what}.log",
                environment={k: fill(text, self._values) for k, text in self.spec.environment.items()},
                hold_stdin=not what and self.spec.end == "input",
                take=None if what or self._ready_line is None else self._take,
            )
        except WorkloadFailed as error:
            raise self._failed(str(error), for_good=error.permanent) from error

    def _take(self, block: bytes, since_s: float, now_s: float) -> None:
        if self._ready_line is not None and self._ready_line.matches(block):
            self._said_ready.set()

    def ready(self) -> bool:
        """Whether it does its work. Raises CompanionFailed where that takes too long."""
        if self._was_ready:
            return True
        spec, for_s = self.spec, self._clock.now_s() - self._started_s
        by_time = for_s >= spec.ready_after_s if spec.ready_after_s is not None else spec.ready_line is None
        self._was_ready = by_time or self._said_ready.is_set()
        if not self._was_ready and for_s > spec.ready_within_s:
            awaited = (
                f"the line {spec.ready_line!r}" if spec.ready_line is not None else "the time to be ready"
            )
            raise self._failed(
                f"{awaited} did not come within {spec.ready_within_s:g} s: {self.last_words()}; fix its "
                "ready_line, or raise ready_within_s"
            )
        return self._was_ready

    def see_that_it_lives(self) -> None:
        """Raises CompanionFailed where it ended although it must not."""
        process = self._process
        if process is None or self._gone or self._ended:
            return
        exit_code = process.exit_code()
        if exit_code is None or (exit_code == 0 and process.alive()):  # it went on elsewhere by itself
            return
        self._gone = True
        lasted_s = self._clock.now_s() - self._started_s
        how = f"it ended by itself with exit code {exit_code} after {lasted_s:.1f} s"
        if self.spec.must_live:
            raise self._failed(
                f"{how}, before the title: {self.last_words()}; fix it, or set must_live = false"
            )
        self._was_ready = True
        if exit_code != 0:
            self._remark(f"{how}: {self.last_words()}")

    def end(self, politely: bool, title_id: int | None) -> None:
        """End it with all that it started, and keep its file. Never raises: what goes wrong is a remark."""
        with self._starting:
            self._ended = True
        process, spec = self._process, self.spec
        if process is None:
            return
        try:
            until_s = self._clock.now_s() + (spec.end_within_s if politely else 0.0)
            how: Ending = "wait" if spec.end == "input" else spec.end
            if politely and spec.end_command is not None:
                self._values[PROCESS_ID] = title_id or 0
                self._run_end_command(spec.end_command, until_s)
                how = "wait"
            left_s = max(0.0, until_s - self._clock.now_s())
            if not process.end(left_s, how) and politely:
                self._remark(f"it did not end within {spec.end_within_s:g} s and was killed")
            if politely:
                self._keep_file()
        except Exception as error:
            self._remark(f"it could not be ended in order: {error}")
            with contextlib.suppress(Exception):
                process.end(0.0)

    def _run_end_command(self, command: list[str], until_s: float) -> None:
        try:
            run = self._run(command, ".end")
        except CompanionFailed as error:
            self._remark(f"its end_command failed: {error}")
            return
        while run.exit_code() is None and self._clock.now_s() < until_s:
            self._clock.sleep_s(0.05)
        exit_code = run.exit_code()
        if exit_code is None:
            self._remark("its end_command did not end in time and was killed")
        elif exit_code != 0:
            self._remark(f"its end_command ended with exit code {exit_code}")
        run.end(0.0)

    def _keep_file(self) -> None:
        """Copy its file to where the attempt's evidence is taken from."""
        newest = None if self._own is None else self._own.newest()
        if self._own is None:
            return
        if newest is None:
            self._remark(f"it wrote no file that matches {self._own.pattern!r} ({self._own.what_is_there()})")
        elif (size := newest.stat().st_size) > MOST_FILE_BYTES:
            self._remark(f"its file {newest} has {size >> 20} MiB, which is too much to keep; left there")
        else:
            target = self._output_folder / self.spec.kept_name
            part = target.with_name(target.name + ".part")  # half a file is never kept
            descriptor = inside.create(part.parent, part)
            with newest.open("rb") as source, os.fdopen(descriptor, "wb") as copy:
                while data := source.read(_COPY_BYTES):
                    copy.write(data)
            inside.replace(target.parent, part, target)

    def last_words(self) -> str:
        """The last of what it printed, in words."""
        words = [] if self._process is None else self._process.last_words()
        return f"it said: {' / '.join(words)[:300]}" if words else "it printed nothing"

    def _failed(self, what: str, *, for_good: bool = False) -> CompanionFailed:
        return CompanionFailed(f"companion {self.spec.name}: {what}", permanent=for_good)

    def _remark(self, what: str) -> None:
        self.remarks.append(f"{_CODE}: {self.spec.name}: {what}")
