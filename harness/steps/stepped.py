"""A title with its steps as one workload, whatever kind the title is of.

The title is ready once its steps say so, and its window begins and ends where they say. A step that fails is
a finding of the attempt under a reason of its own, with pictures of the screen and of what was wanted.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Final

from harness.clock import Clock
from harness.errors import HarnessError, StepFailed, UserFileError, WorkloadFailed
from harness.lines import LineFollower
from harness.newfiles import NewFiles
from harness.plan.placeholders import Value, fill, values_of
from harness.plan.schema import Cell
from harness.plan.steps_table import COMMANDS_NAME, LEAVE_WITHIN_S, StepSpec
from harness.processes import TitleProcess, family_of
from harness.programs import find_program, plan_folders, plan_path
from harness.rig import FrameLogSource, Launch, Workload, WorkloadState, measured
from harness.steps.desk import Desk
from harness.steps.evidence import Evidence
from harness.steps.likeness import Picture, load_picture
from harness.steps.opening import open_desk
from harness.steps.play import Program
from harness.steps.player import Player, Standing, Surroundings
from harness.steps.senses import Heard, Senses

_TEXTS: Final = ("text", "file", "in_file")
#: The rig's window may be over so much before the steps' own count, seconds.
_EARLY_S: Final = 0.1
#: Beyond what leaving may take, for the thread to end, seconds.
_MARGIN_S: Final = 2.0


def program_of(cell: Cell, values: Mapping[str, Value]) -> Program:
    """The cell's steps, placeholders filled in."""

    def filled(step: StepSpec) -> StepSpec:
        changed: dict[str, object] = {
            key: fill(text, values) for key in _TEXTS if (text := getattr(step, key)) is not None
        }
        if step.command is not None:
            changed["command"] = [fill(word, values) for word in step.command]
        return step.model_copy(update=changed)

    title = cell.title
    return Program(
        steps=tuple(filled(step) for step in title.steps),
        sequences={name: tuple(map(filled, steps)) for name, steps in title.sequences.items()},
        surprises=tuple(title.surprises),
        measure_s=title.measure_s,
    )


def picture_names(program: Program) -> list[str]:
    """Picture files that it names, each once."""
    steps = [*program.steps, *(step for steps in program.sequences.values() for step in steps)]
    named = [name for step in steps for name in step.pictures]
    return list(dict.fromkeys([*named, *(surprise.picture for surprise in program.surprises)]))


class Stepped:
    """A title with steps. See :class:`harness.rig.Workload`.

    Args:
        workload: The title's own; not started yet.
        cell: Its cell, with the steps.
        clock: The rig's clock.
        opens: Opens the desk.
    """

    def __init__(
        self, workload: Workload, cell: Cell, clock: Clock, opens: Callable[[], Desk] = open_desk
    ) -> None:
        self._workload = workload
        self._cell = cell
        self._clock = clock
        self._opens = opens
        self._player: Player | None = None
        self._last: WorkloadState | None = None
        self._stopped = threading.Event()

    def start(self, launch: Launch) -> None:
        values = values_of(self._cell, launch.work_folder, launch.thread_count)
        program = program_of(self._cell, values)
        base = self._cell.title.base
        pictures = {name: load_from_plan(name, base) for name in picture_names(program)}
        steps = [*program.steps, *(step for some in program.sequences.values() for step in some)]
        folder = launch.work_folder
        if isinstance(own := self._cell.workload_options.get("working_folder"), str):
            folder = plan_path(fill(own, values), base)
        followers = {s.in_file: LineFollower(folder / s.in_file) for s in steps if s.in_file is not None}
        for follower in followers.values():
            follower.skip()
        files = {s.file: NewFiles(s.file, (folder, launch.work_folder)) for s in steps if s.file is not None}
        heard = Heard()
        load = launch.latest

        def run_command(step: StepSpec) -> None:
            self._run(step, folder, launch)

        around = Surroundings(
            open_desk=self._opens,
            process_ids=self._process_ids,
            senses=Senses(
                heard,
                followers,
                files,
                lambda: None if load is None else load("gpu_load_pct"),
                self._process_ids,
            ),
            run_command=run_command,
            end_title=lambda: self._workload.stop(0.0),
            pictures=pictures,
            still_at_most_s=self._cell.title.still_at_most_s,
        )
        self._workload.start(dataclasses.replace(launch, listen=heard.take))
        self._player = Player(program, around, Evidence(launch.output_path.parent), self._clock)
        if not self._stopped.is_set():
            self._player.start()

    def _process_ids(self) -> Collection[int]:
        process_id = self._workload.process_id()
        return () if process_id is None else family_of(process_id)

    def _run(self, step: StepSpec, folder: Path, launch: Launch) -> None:
        """Run a step's command to its end. Raises WorkloadFailed."""
        words = list(step.command or [])
        words[0] = str(find_program(words[0], [*plan_folders(self._cell.title.base), folder]))
        run = TitleProcess(
            words, self._clock, cwd=folder, output_path=launch.output_path.with_name(COMMANDS_NAME)
        )
        until_s = self._clock.now_s() + step.within_s
        try:
            while (code := run.exit_code()) is None:
                if self._clock.now_s() >= until_s:
                    raise WorkloadFailed(f"it did not end within {step.within_s:g} s")
                self._clock.sleep_s(0.05)
        finally:
            run.end(0.0)
        if code != 0:
            said = " / ".join(run.last_words())
            raise WorkloadFailed(f"it ended with exit code {code}" + (f": {said[:300]}" if said else ""))

    def poll(self) -> WorkloadState:
        state = self._last = self._workload.poll()
        player = self._player
        if player is None:
            return dataclasses.replace(state, ready=False)
        standing = player.standing()
        remarks = (*state.remarks, *standing.marks)
        if standing.failure and not standing.spoilt:
            remarks = (*remarks, f"not-left-as-planned: {standing.failure}; the title was ended by force")
        if not state.running:
            player.title_gone()
        if state.failure is not None:
            player.title_failed(state.failure)
            failure = f"{state.failure} (at {standing.place})"
            return dataclasses.replace(state, failure=failure, remarks=remarks)
        if standing.spoilt and not self._stopped.is_set():
            raise (WorkloadFailed if standing.no_desk else StepFailed)(standing.failure)
        done = standing.end_s is not None
        ready = state.ready and standing.ready
        return dataclasses.replace(
            state,
            ready=ready,
            finished=state.finished or done,
            ready_by=f"its steps, at {standing.place}" if ready else "",
            finished_by="its step end" if done else state.finished_by,
            remarks=remarks,
            doing=standing.place,
            steps=True,
            begin_s=standing.begin_s,
            end_s=standing.end_s,
        )

    def stages_over(self) -> None:
        """The rig's stages are over: the steps may go on to the window."""
        if self._player is not None:
            self._player.stages_over()

    def measured(self, begin_s: float, end_s: float) -> None:
        """See :func:`harness.rig.measured`."""
        measured(self._workload, begin_s, end_s)

    def process_id(self) -> int | None:
        return self._workload.process_id()

    def stop(self, grace_s: float) -> None:
        self._stopped.set()
        player = self._player
        before = Standing() if player is None else player.standing()
        try:
            if player is not None and grace_s > 0 and not before.failure and self._was_measured(before):
                player.leave(LEAVE_WITHIN_S + _MARGIN_S)
            elif player is not None:
                player.quit()
        finally:
            self._workload.stop(grace_s)
        after = before if player is None else player.standing()
        if after.failure and not before.failure and after.spoilt:
            raise StepFailed(after.failure)

    def _was_measured(self, standing: Standing) -> bool:
        """Whether the window came to its end: a title that is stopped for another reason, as a limit that is
        exceeded, is not left step by step."""
        if standing.end_s is not None:
            return True
        measure_s = self._cell.title.measure_s
        if standing.begin_s is None or measure_s is None:
            return False
        return self._clock.now_s() >= standing.begin_s + measure_s - _EARLY_S

    def growing_log(self) -> FrameLogSource | None:
        return self._workload.growing_log()

    def frame_log(self) -> FrameLogSource | None:
        return self._workload.frame_log()

    def score(self) -> float | None:
        return self._workload.score()


def load_from_plan(name: str, base: Path | None) -> Picture:
    """A picture that a plan names. Raises StepFailed."""
    path = plan_path(name, base)
    try:
        return load_picture(path)
    except UserFileError as error:
        raise StepFailed(str(error), permanent=True) from error
    except HarnessError as error:
        raise StepFailed(str(error), permanent=True) from error
