"""A title that is any executable: start, follow its output, end its whole process tree."""

from __future__ import annotations

import contextlib
import math
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil

from harness.clock import Clock
from harness.errors import FrameLogError, WorkloadFailed
from harness.lines import LineFollower, LineTimes
from harness.newfiles import NewFiles
from harness.plan.placeholders import fill, values_of
from harness.plan.schema import Cell, FrameLogSpec
from harness.processes import TitleProcess, end_dead_runs_titles
from harness.programs import find_program, plan_folders, plan_path
from harness.rig import FrameLogSource, Launch, WorkloadState
from harness_plugins.command.options import CommandOptions
from harness_plugins.command.story import Score, Story

#: What a person should try where a command leaves early.
LAUNCHER_HINT = (
    "if it only starts the title and leaves, name the title's own program with process_name, so that it is "
    "watched and ended"
)
#: A title that is ready is looked at again within this time, seconds.
_LOOK_S = 1.0
#: When this program first launched a title with that process_name, seconds since 1970.
_FIRST_LAUNCHES: dict[str, float] = {}


class CommandWorkload:
    """One run of a command. See :class:`harness.rig.Workload`."""

    def __init__(self, cell: Cell, clock: Clock) -> None:
        self._cell = cell
        self._options = CommandOptions.model_validate(cell.workload_options)
        self._clock = clock
        self._process: TitleProcess | None = None
        self._folder = self._work_folder = Path()
        self._logs: NewFiles | None = None
        self._watched: list[Path] = []
        self._followers: list[tuple[LineFollower, LineTimes]] = []
        self._started_s = 0.0
        self._title: psutil.Process | None = None
        self._ending = False
        self._looked_s = -1e9
        self._story = Story(self._options)
        self._listen: Callable[[bytes], None] | None = None
        self._window: tuple[float, float] | None = None

    def start(self, launch: Launch) -> None:
        options, values = self._options, values_of(self._cell, launch.work_folder, launch.thread_count)
        end_dead_runs_titles()
        self._folder = self._work_folder = launch.work_folder
        if options.working_folder is not None:
            self._folder = plan_path(fill(options.working_folder, values), self._cell.title.base)
            if not self._folder.is_dir():
                raise WorkloadFailed(
                    f"working_folder {self._folder} does not exist; make it or fix the plan", permanent=True
                )
        words = [fill(word, values) for word in (*options.command, *options.arguments)]
        folders = [*plan_folders(self._cell.title.base), self._folder]
        words[0] = str(find_program(words[0], folders))
        if options.process_name is not None:
            end_earlier_copies(options.process_name)
        if options.watch_file is not None:
            self._watched = [self._folder / fill(options.watch_file, values)]
        self._followers = [(LineFollower(path), LineTimes(self._clock.now_s())) for path in self._watched]
        for follower, _ in self._followers:
            follower.skip()  # what an earlier run left in it is not this run's
        spec = self._log_spec()
        places = self._folder, self._work_folder
        self._logs = None if spec is None else NewFiles(fill(spec.path, values), places)
        self._listen = launch.listen
        self._started_s = self._clock.now_s()
        self._process = TitleProcess(
            words,
            self._clock,
            cwd=self._folder,
            output_path=launch.output_path,
            environment={
                **launch.environment,
                **{name: fill(text, values) for name, text in options.environment.items()},
            },
            affinity=launch.affinity,
            priority=launch.priority,
            take=self._take,
            keep=self._cell.title.expect_lines,
            dated=options.clock_line is not None,
            terminal=options.terminal,
            plainly=True,
        )

    def _take(self, block: bytes, since_s: float, now_s: float) -> None:
        """Lines of its output, on the thread that reads them."""
        self._story.take(block, since_s, now_s)
        if self._listen is not None:
            self._listen(block)

    def poll(self) -> WorkloadState:
        process, options, story = self._process, self._options, self._story
        if process is None:
            return WorkloadState(running=False, ready=False, failure="the title was not started")
        exit_code = process.exit_code()
        now_s = self._clock.now_s()
        self._look_for_title(process, now_s)
        # A launcher may end with success while the title that it started goes on, or is still to come.
        awaited = options.process_name is not None and self._title is None
        running = exit_code is None or (exit_code in options.ok_exit_codes and (awaited or process.alive()))
        self._follow(ended=not running)
        if story.ready_s is None and self._is_ready_by_time(now_s):
            story.ready_s = now_s
        if story.ready_s is not None and options.end_after_s is not None:
            story.finished |= now_s - story.ready_s >= options.end_after_s
        if not running:
            self._note_exit(exit_code, now_s)
        return WorkloadState(
            running=running,
            ready=story.ready_s is not None,
            finished=story.finished,
            exit_code=exit_code,
            passes=story.passes if options.pass_line is not None else None,
            last_sign_s=process.last_sign_s(self._watched),
            failure=story.failure,
            ready_by="" if story.ready_s is None else self._ready_by(),
            finished_by=self._finished_by() if story.finished else "",
            said=" / ".join(process.last_words(1))[:300],
            remarks=tuple(f"title-survived: {said}" for said in process.survivors),
        )

    def _ready_by(self) -> str:
        if self._story.ready_by:
            return f"ready_line, which this line matches: {self._story.ready_by}"
        after_s = self._options.ready_after_s
        return "neither ready_line nor ready_after_s" if after_s is None else f"ready_after_s = {after_s:g}"

    def _finished_by(self) -> str:
        if self._story.finished_by:
            return f"end_line, which this line matches: {self._story.finished_by}"
        after_s = self._options.end_after_s
        return "its own end" if after_s is None else f"end_after_s = {after_s:g}, or its own end"

    def _follow(self, *, ended: bool) -> bool:
        """Take what the watched files gained; whether that was anything."""
        found = False
        for follower, times in self._followers:
            begun_s = self._clock.now_s()
            block = follower.new_block(ended=ended)
            self._story.take(block, times.since_s, self._clock.now_s())
            times.looked(begun_s, lines=bool(block), unfinished=follower.unfinished, emptied=follower.at_end)
            found = found or bool(block)
        return found

    def _look_for_title(self, process: TitleProcess, now_s: float) -> None:
        name = self._options.process_name
        if name is not None and self._title is None and now_s - self._looked_s >= 0.5:
            self._looked_s = now_s
            self._title = process.adopt(name)

    def _is_ready_by_time(self, now_s: float) -> bool:
        options = self._options
        if options.ready_after_s is not None:
            return now_s - self._started_s >= options.ready_after_s
        return options.ready_line is None

    def _note_exit(self, exit_code: int | None, now_s: float) -> None:
        if self._ending or self._story.finished or self._story.failure is not None:
            return
        lasted_s = now_s - self._started_s
        if exit_code in self._options.ok_exit_codes and self._options.end_line is None:
            if self._story.ready_s is None:
                self._story.failure = (
                    f"the command ended with success after {lasted_s:.1f} s, before the title was ready"
                )
                if self._options.process_name is None:
                    self._story.failure += f"; {LAUNCHER_HINT}"
                return
            self._story.finished = True
            return
        how = _exit_words(exit_code)
        if exit_code in self._options.ok_exit_codes:
            how += f" without the line {self._options.end_line!r}"
        words = [] if self._process is None else self._process.last_words()
        tail = " / ".join(words) or "it wrote nothing"
        self._story.failure = f"the title ended with {how} after {lasted_s:.1f} s: {tail}"
        if exit_code in self._options.ok_exit_codes and self._options.process_name is None:
            self._story.failure += f"; {LAUNCHER_HINT}"

    def process_id(self) -> int | None:
        if self._title is not None:
            return self._title.pid
        return None if self._process is None else self._process.pid

    def stop(self, grace_s: float) -> None:
        if self._process is None:
            return
        self._ending = True
        if self._options.process_name is not None:  # also one that came up after all
            self._process.adopt(self._options.process_name)
        self._process.end(grace_s)
        while self._follow(ended=True):
            pass

    def growing_log(self) -> FrameLogSource | None:
        spec = self._log_spec()
        newest = None if self._logs is None else self._logs.newest_now()
        return None if newest is None or spec is None else FrameLogSource(newest, spec)

    def frame_log(self) -> FrameLogSource | None:
        spec = self._log_spec()
        if spec is None or self._logs is None:
            return None
        newest = self._logs.newest()
        if newest is not None:
            return FrameLogSource(newest, spec, clock_markers=tuple(self._story.markers))
        raise FrameLogError(
            f"this run wrote no file that matches the frame_log path {spec.path!r} in {self._folder} "
            f"({self._logs.what_is_there()}); check where the title writes its log",
            permanent=self._logs.folder_is_missing(),
        )

    def _log_spec(self) -> FrameLogSpec | None:
        return self._cell.setting.frame_log or self._cell.title.frame_log

    def measured(self, begin_s: float, end_s: float) -> None:
        """See :func:`harness.rig.measured`."""
        self._window = begin_s, end_s

    def score(self) -> float | None:
        options, window = self._options, self._window
        if options.score_of == "time":
            return None if window is None else window[1] - window[0]
        if options.score_line is None:
            return None
        given, counting = self._story.scores, self._counting()
        if not counting:
            before = f", but {len(given)} before its window began" if given else ""
            what = "no line of the title matched" if not given else "no line inside the window matched"
            raise WorkloadFailed(f"{what} score_line {options.score_line!r}{before}")
        if options.score_of == "last":
            counting = counting[-1:]
        values = [self._number(score) for score in counting]
        total = math.fsum(values)
        return total / len(values) if options.score_of == "mean" else total

    def _counting(self) -> list[Score]:
        """Scores that the window gave: not those from before it began."""
        if self._window is None:
            return self._story.scores
        ready_s = self._started_s if self._story.ready_s is None else self._story.ready_s
        # A window that begins as soon as the title is ready is opened a look later.
        since_s = self._window[0] if self._window[0] - ready_s > _LOOK_S else ready_s
        found = [score for score in self._story.scores if score.at_s >= since_s]
        if self._options.score_of == "last":  # it may stand below the run, as in a summary
            return found
        return [score for score in found if score.at_s <= self._window[1] + _LOOK_S]

    def _number(self, score: Score) -> float:
        """Raises WorkloadFailed."""
        if score.cut_from:
            raise WorkloadFailed(
                f"score_line took {score.text!r} out of the number {score.cut_from!r}; "
                "have the group hold the whole number (a thousands sign is not understood), or say in the "
                "pattern what comes after it"
            )
        try:
            value = float(score.text)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value > 0):  # it is compared as a ratio
            raise WorkloadFailed(
                f"score_line found {score.text[:80]!r}, which is no number above 0; fix "
                "the pattern's group, or look at what the title printed"
            )
        return value


def end_earlier_copies(name: str) -> None:
    """End what earlier launches of this run left under that name, so that copies don't pile up.

    Raises:
        WorkloadFailed: One runs that was there before, and so is not ours to end.
    """
    first_s = _FIRST_LAUNCHES.setdefault(name, time.time())
    for process in psutil.process_iter(["name", "create_time"]):
        if process.info["name"] != name or process.pid == os.getpid():
            continue
        if (process.info["create_time"] or 0.0) < first_s - 1.0:
            raise WorkloadFailed(
                f"{name} runs already (process {process.pid}), not started by this run; end it first"
            )
        with contextlib.suppress(psutil.Error):
            process.kill()
            process.wait(timeout=5.0)


def _exit_words(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0 and sys.platform != "win32":
        import signal

        try:
            return f"signal {signal.Signals(-exit_code).name}"
        except ValueError:
            pass
    return f"exit code {exit_code}"
