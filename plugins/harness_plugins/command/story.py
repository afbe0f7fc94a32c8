"""What the lines of a title tell: readiness, passes, end, failure, score, times of its own clock."""

from __future__ import annotations

import threading

from harness.patterns import Match, Pattern
from harness.rig import ClockMarker
from harness_plugins.command.options import CommandOptions

#: Most times of the title's clock that are kept; a line of it in each second is enough for a day.
_MOST_MARKERS = 100_000


class Story:
    """Takes a title's lines in blocks, from whatever thread reads them, and keeps what they told.

    Attributes:
        ready_s, finished, failure, passes, score, markers: As the patterns of the plan found them.
        ready_by, finished_by: The lines that told so; empty while none did.
        score_cut_from: The longer number of which the score's group took a part only; else empty.
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
        self.score: str | None = None
        self.score_cut_from = ""
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
                for match in self._score.in_block(block):
                    self.score, self.score_cut_from = match.groups[0] or "", match.cut_number
            if self._clock is not None and len(self.markers) < _MOST_MARKERS:
                for match in self._clock.in_block(block):
                    self._mark_clock(match, since_s, now_s)

    def _mark_clock(self, match: Match, since_s: float, now_s: float) -> None:
        """The line was begun since that look, and so most likely in the middle of that time."""
        log_s = match.groups[0]
        try:
            self.markers.append(ClockMarker(float(log_s or ""), (since_s + now_s) / 2, now_s - since_s))
        except ValueError:
            self.failure = f"clock_line found {log_s!r}, which is no number; fix the pattern's group"


def _line(said: Match) -> str:
    return said.line.strip()[:300]
