"""What a title gives to hear and see beside its picture: lines, files, programs, the card's load."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from typing import Final

import psutil

from harness.lines import LineFollower
from harness.newfiles import NewFiles
from harness.patterns import Pattern
from harness.plan.steps_table import StepSpec
from harness.steps.play import Seen

#: Lines that are kept for a step that asks for them later, bytes; of more the last.
MOST_KEPT_BYTES: Final = 1 << 20


class Heard:
    """Lines of one stream since the last act: what was said before it answers an earlier one. Thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept = b""

    def take(self, block: bytes) -> None:
        """Take whole lines."""
        with self._lock:
            self._kept = (self._kept + block)[-MOST_KEPT_BYTES:]

    def forget(self) -> None:
        """An act begins: only what comes from now on counts."""
        with self._lock:
            self._kept = b""

    def found(self, pattern: Pattern) -> bool:
        """Whether a line matches; it and those before it are used up then."""
        with self._lock:
            match = next(pattern.in_block(self._kept), None)
            if match is None:
                return False
            line = match.line.encode("utf-8", "replace")
            _, _, self._kept = self._kept.partition(line)
            return True

    def last(self) -> str:
        """The last line, for a message."""
        with self._lock:
            lines = self._kept.strip().splitlines()
        return lines[-1].decode("utf-8", "replace")[:200] if lines else ""


class Senses:
    """Answers the waits that need no screen.

    Args:
        output: The title's lines.
        followers: Log files that steps name -> who follows them.
        files: Patterns of files that steps name -> who knows what was there before.
        load_pct: The card's load now, %; None where it is not read.
        process_ids: The title's processes now.
    """

    def __init__(
        self,
        output: Heard,
        followers: Mapping[str, LineFollower],
        files: Mapping[str, NewFiles],
        load_pct: Callable[[], float | None],
        process_ids: Callable[[], Collection[int]],
    ) -> None:
        self.output = output
        self._followers = {name: (follower, Heard()) for name, follower in followers.items()}
        self._files = files
        self._load_pct = load_pct
        self._process_ids = process_ids
        self._patterns: dict[str, Pattern] = {}

    def act_begins(self) -> None:
        """What was said until now does not answer what is done now."""
        self.output.forget()
        for follower, heard in self._followers.values():
            follower.new_block()
            heard.forget()

    def look(self, step: StepSpec) -> Seen:
        """Whether what the step waits for is so."""
        match step.way:
            case "line":
                return self._line(step)
            case "process":
                there = self._has_process(step.process or "")
                return Seen(there != step.gone, "" if there else "it does not run")
            case "file":
                files = self._files[step.file or ""]
                return Seen(files.newest_now() is not None, files.what_is_there())
            case _:
                return self._load(step)

    def _line(self, step: StepSpec) -> Seen:
        pattern = self._patterns.setdefault(step.line or "", Pattern(step.line or ""))
        heard = self.output
        if step.in_file is not None:
            follower, heard = self._followers[step.in_file]
            heard.take(follower.new_block())
        if heard.found(pattern):
            return Seen(True)
        last = heard.last()
        return Seen(False, f"the last line was {last!r}" if last else "no line came")

    def _has_process(self, name: str) -> bool:
        for process_id in self._process_ids():
            try:
                if psutil.Process(process_id).name() == name:
                    return True
            except psutil.Error:
                continue
        return False

    def _load(self, step: StepSpec) -> Seen:
        load_pct = self._load_pct()
        if load_pct is None:
            return Seen(False, "the load of the card is not read")
        above, below = step.load_above_pct, step.load_below_pct
        met = load_pct > above if above is not None else below is not None and load_pct < below
        return Seen(met, f"it was {load_pct:.0f} %")
