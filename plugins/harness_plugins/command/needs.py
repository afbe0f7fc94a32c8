"""What titles that are commands need of the plan and of this machine."""

from __future__ import annotations

import os
import time
from collections.abc import Generator, Iterator, Mapping
from pathlib import Path
from typing import Final

from harness.needs.commands import ATTEMPT, command_needs, folder_need, slashes, variable_in
from harness.needs.lines import group_lacks_digits
from harness.needs.need import Need
from harness.needs.titles import length_need, pattern_needs, result_need
from harness.plan.captured import READER as CAPTURE
from harness.plan.cells import expand
from harness.plan.locate import Path as PlanPath
from harness.plan.placeholders import Value, fill, names_in, values_of
from harness.plan.schema import Cell, FrameLogSpec, Plan, rules_in_force
from harness_plugins.command.options import CommandOptions

#: Workloads of which it is known whether they give a score.
_KNOWN: Final = frozenset(("command", "scene"))
_LINES: Final = ("ready_line", "end_line", "fail_line", "pass_line", "score_line", "clock_line")


def title_needs(plan: Plan) -> list[Need]:
    """For all titles with ``workload = "command"``; each thing once."""
    places = {title.name: index for index, title in enumerate(plan.titles)}
    found: dict[Need, None] = {}
    for cell in expand(plan):
        if cell.title.workload == "command":
            index = places[cell.title.name]
            number = [s.name for s in cell.title.settings].index(cell.setting.name)
            found |= dict.fromkeys(_Asked(plan, cell, index, number).needs())
    return [*found, *_score_needs(plan)]


def _score_needs(plan: Plan) -> Iterator[Need]:
    """A verdict on scores needs a title that gives one; other workloads may bring their own."""
    cells = expand(plan)
    if any(_gives_score(cell) or cell.title.workload not in _KNOWN for cell in cells):
        return
    for number, metric in enumerate(plan.plan.primary_metrics):
        if metric == "score":
            what, remedy = (
                "no title of the plan gives a score",
                "add a score_line, or decide on another metric",
            )
            yield Need(("plan", "primary_metrics", number), "missing", what, remedy, of_plan=True)


def _gives_score(cell: Cell) -> bool:
    options = cell.workload_options
    return options.get("score_line") is not None or options.get("score_of") == "time"


class _Asked:
    """One cell, and where its keys stand in the plan."""

    def __init__(self, plan: Plan, cell: Cell, index: int, number: int) -> None:
        self._plan, self._cell = plan, cell
        self._title: PlanPath = ("titles", index)
        self._setting: PlanPath = ("titles", index, "settings", number)
        self._options = CommandOptions.model_validate(cell.workload_options)
        self._values: Mapping[str, Value] = values_of(cell, ATTEMPT)

    def _at(self, key: str) -> PlanPath:
        """Where the key stands: in the setting, if it states another value than its title."""
        own = self._cell.setting.options.get(key) != self._cell.title.options.get(key)
        stated = key in self._cell.title.options
        return (*(self._setting if own and stated else self._title), key)

    def needs(self) -> Iterator[Need]:
        cell, options = self._cell, self._options
        log = cell.setting.frame_log or cell.title.frame_log
        yield from result_need(self._title, cell.title, frames=log is not None, score=options.gives_score)
        folder = yield from self._working_folder(log)
        yield from self._program(folder)
        if log is not None and log.reader != CAPTURE:
            yield from self._frame_log(log, folder)
        yield from self._patterns()
        yield from self._watch_file(folder)
        yield from self._unused()
        ready_s = options.ready_after_s if options.ready_line is None else None
        if ready_s is not None and ready_s >= cell.title.deadline_s:
            what = f"deadline_s = {cell.title.deadline_s:g} ends the title before it counts as ready"
            remedy = f"set deadline_s well above {ready_s:g}"
            yield Need(self._at("ready_after_s"), "missing", what, remedy, of_plan=True)
        if options.end_after_s is not None:
            place = self._at("end_after_s")
            yield from length_need(place, self._plan, cell.title, options.end_after_s, "end_after_s")
        for stage, rule in rules_in_force(self._plan.conditions, cell.title):
            passes = getattr(rule, "passes", None)
            if passes is not None and options.pass_line is None:
                what = f"{stage.word} waits for {passes} passes, and the title counts none"
                remedy = "give pass_line, or wait for seconds"
                yield Need((*self._title, "command"), "missing", what, remedy, of_plan=True)
        if options.process_name is not None:
            yield from _running_already(options.process_name, self._at("process_name"))

    def _working_folder(self, log: FrameLogSpec | None) -> Generator[Need, None, Path | None]:
        """Complaints; gives the folder, or None where it is the attempt's own or is not there."""
        text = self._options.working_folder
        if text is None:
            return None
        place = self._at("working_folder")
        path = yield from folder_need(fill(text, self._values), self._cell.title.base, place)
        writes = log is not None and not Path(log.path).expanduser().is_absolute() and log.companion is None
        if path is not None and writes and not os.access(path, os.W_OK):
            what = f"{path} can't be written by this user, so the title can't leave its log there"
            yield Need(place, "doubtful", what, "grant the right, or choose another")
        return path

    def _program(self, folder: Path | None) -> Iterator[Need]:
        options = self._options
        if options.working_folder is not None and folder is None:
            return  # it was told, and where scripts would lie is not known
        words = [fill(word, self._values) for word in (*options.command, *options.arguments)]
        base, place = self._cell.title.base, self._at("command")
        yield from command_needs(words, folder, base, place, placeholders=True)

    def _frame_log(self, log: FrameLogSpec, folder: Path | None) -> Iterator[Need]:
        own = self._cell.setting.frame_log is not None
        place: PlanPath = (*(self._setting if own else self._title), "frame_log", "path")
        text = fill(log.path, self._values)
        if slashes(text):
            yield Need(place, "missing", f"{log.path!r} matches no file{slashes(text)}", "fix the path")
            return
        if (variable := variable_in(text)) is not None:
            what = f"{variable} in {log.path!r} is not filled in here, so it matches no file"
            yield Need(place, "missing", what, "write the path itself, or ~ for the home folder")
            return
        if text.endswith(("/", os.sep)):
            what = f"{log.path!r} is a folder, no file"
            yield Need(
                place, "missing", what, f"name the file in it, or write '{log.path}*.csv'", of_plan=True
            )
            return
        if ATTEMPT.name in text:
            return
        path = Path(text).expanduser()
        if not path.is_absolute():
            if folder is None or log.companion is not None:
                return
            path = folder / path
        if path.is_dir():
            remedy = f"name the file in it, or write '{log.path}/*.csv'"
            yield Need(place, "missing", f"{path} is a folder, no file", remedy)
            return
        parts = path.parts
        plain = [part for part in parts[:-1] if not set(part) & set("*?[")]
        if len(plain) == len(parts) - 1 and not Path(*plain).is_dir():
            what = f"there is no folder {Path(*plain)}"
            yield Need(place, "doubtful", what, "fix the path, unless the title makes the folder itself")
            return
        root = Path(*plain) if len(plain) == len(parts) - 1 else None
        if root is None or "**" in text:  # a search through whole trees takes too long
            return
        there = [match for match in root.glob(parts[-1]) if match.is_file()]
        if there:
            newest = max(there, key=lambda match: match.stat().st_mtime)
            when = time.strftime("%d %b %Y %H:%M", time.localtime(newest.stat().st_mtime))
            count = "a file matches" if len(there) == 1 else f"{len(there)} files match"
            what = f"{count} already ({newest.name}, {when}); only what a run writes or changes is read"
            remedy = "move old logs away, above all where the title adds to the same file"
            yield Need(place, "doubtful", what, remedy)

    def _watch_file(self, folder: Path | None) -> Iterator[Need]:
        text = self._options.watch_file
        if text is None or ATTEMPT.name in (text := fill(text, self._values)):
            return
        if slashes(text):
            what = f"{text!r} is no path{slashes(text)}"
            yield Need(self._at("watch_file"), "missing", what, "fix the path")
            return
        path = Path(text) if folder is None else folder / text
        if path.is_absolute() and not path.parent.is_dir():
            what, remedy = (
                f"there is no folder {path.parent}",
                "fix the path, unless the title makes the folder",
            )
            yield Need(self._at("watch_file"), "doubtful", what, remedy)

    def _unused(self) -> Iterator[Need]:
        """What the plan varies from cell to cell and the title never sees."""
        options, cell = self._options, self._cell
        texts = [*options.command, *options.arguments, *options.environment.values()]
        texts += [text for text in (options.working_folder, options.watch_file) if text is not None]
        for companion in cell.title.companions:
            texts += [*companion.command, *companion.environment.values()]
        used = {name for text in texts for name in names_in(text)}
        for name in sorted(set(options.values) - used):
            what = f"nothing in title {cell.title.name} uses the value {{{name}}}"
            remedy = f"put {{{name}}} into its command, arguments or environment, or leave the value out"
            yield Need(self._at("values"), "doubtful", what, remedy, of_plan=True)
        number = next(i for i, p in enumerate(self._plan.profiles) if p.name == cell.profile.name)
        if cell.profile.options.get("thread_count") is not None and not {"thread_count", "profile"} & used:
            what = f"title {cell.title.name} never sees the thread_count of profile {cell.profile.name}"
            remedy = "put {thread_count} into its command, arguments or environment, or use affinity"
            yield Need(("profiles", number, "thread_count"), "doubtful", what, remedy, of_plan=True)

    def _patterns(self) -> Iterator[Need]:
        options = self._options
        lines = {key: text for key in _LINES if (text := getattr(options, key)) is not None}
        for need in pattern_needs((), lines):
            key = str(need.path[0])
            yield Need(self._at(key), need.state, need.what, need.remedy, of_plan=True)
        for key in ("score_line", "clock_line"):
            if key in lines and group_lacks_digits(lines[key]):
                what = f"the group of {lines[key]!r} can't hold a number"
                remedy = f"write it as '{key[:5]}: ([0-9.]+)'"
                yield Need(self._at(key), "missing", what, remedy, of_plan=True)


def _running_already(name: str, place: PlanPath) -> Iterator[Need]:
    import psutil

    for process in psutil.process_iter(["name"]):
        if process.info["name"] == name and process.pid != os.getpid():
            what = f"{name} runs already (process {process.pid}): a night starts it by itself"
            yield Need(place, "missing", what, "end it before the night")
            return
