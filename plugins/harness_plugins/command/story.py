"""What the lines of a title tell: readiness, passes, end, failure, score, times of its own clock."""

from __future__ import annotations

import threading
from typing import NamedTuple

from harness.patterns import Match, Pattern
from harness.rig import ClockMarker
from harness_plugins.command.options import CommandOptions

#: Most times of the title's clock that are kept; a line of it in each second is enough for a day.
_MOST_MARKERS = 100_000
#: Most scores that are kept.
_MOST_SCORES = 100_000


class Score(NamedTuple):
    """A score that a line gave.

    Attributes:
        text: What the pattern's group held.
        cut_from: The longer number of which it took a part only; else empty.
        at_s: When the line came, by the rig's clock.
    """

    text: str
    cut_from: str
    at_s: float


class Story:
    """Takes a title's lines in blocks, from whatever thread reads them, and keeps what they told.

    Attributes:
        ready_s, finished, failure, passes, scores, markers: As the patterns of the plan found them; of the
            scores those after the line that said ready.
        ready_by, finished_by: The lines that told so; empty while none did.
    """

    def __init__(self, options: CommandOptions) -> None:
        self._lock = threading.Lock()
        self._ready, self._end, self._fail, self._pass, self._score, self._clock = (
            None if text is None else Pattern(text)
            for text in (
                options.ready_line,
                options.end_line,
                options.fail_line,
                options.pass_line,
                options.score_line,
                options.clock_line,
            )
        )
        self.ready_s: float | None = None
        self.finished = False
        self.ready_by = self.finished_by = ""
        self.failure: str | None = None
        self.passes = 0
        self.scores: list[Score] = []
        self.markers: list[ClockMarker] = []

    def take(self, block: bytes, since_s: float, now_s: float) -> None:
        """Take whole lines that were begun and ended between these two times of the rig's clock."""
        if not block:
            return
        with self._lock:
            if self._ready is not None and self.ready_s is None:
                said = next(self._ready.in_block(block), None)
                if said is not None:
                    self.ready_s, self.ready_by = now_s, _line(said)
            if self._end is not None and not self.finished:
                said = next(self._end.in_block(block), None)
                if said is not None:
                    self.finished, self.finished_by = True, _line(said)
            if self._fail is not None and self.failure is None:
                said = next(self._fail.in_block(block), None)
                self.failure = None if said is None else f"the title said: {_line(said)}"
            if self._pass is not None:
                self.passes += sum(1 for _ in self._pass.in_block(block))
            if self._score is not None:
                said_ready = self.ready_by if self.ready_s == now_s else ""
                for match in self._score.in_block(_after(block, said_ready)):
                    if self._ready is None or self.ready_s is not None:
                        self._keep_score(Score(match.groups[0] or "", match.cut_number, now_s))
            if self._clock is not None and len(self.markers) < _MOST_MARKERS:
                for match in self._clock.in_block(block):
                    self._mark_clock(match, since_s, now_s)

    def _keep_score(self, score: Score) -> None:
        if len(self.scores) >= _MOST_SCORES:
            del self.scores[len(self.scores) // 2]  # the first and the last are kept
        self.scores.append(score)

    def _mark_clock(self, match: Match, since_s: float, now_s: float) -> None:
        """The line was begun since that look, and so most likely in the middle of that time."""
        log_s = match.groups[0]
        try:
            self.markers.append(ClockMarker(float(log_s or ""), (since_s + now_s) / 2, now_s - since_s))
        except ValueError:
            self.failure = f"clock_line found {log_s!r}, which is no number; fix the pattern's group"


def _line(said: Match) -> str:
    return said.line.strip()[:300]


def _after(block: bytes, line: str) -> bytes:
    """What of a block follows that line; the whole block without one."""
    if not line:
        return block
    before, found, after = block.partition(line.encode("utf-8", "replace"))
    return after.partition(b"\n")[2] if found else before
