"""A log too long to be held is put before the checks of single frames part by part, in bounded memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.checks import CODES, AttemptEvidence, Judgement, judge
from harness.checks.repeats import LEAST_FRAMES
from harness.plan.checks_table import Checks

Floats = NDArray[np.float64]

#: Frames of a part: some hours of a title, so that a part is a log of its own to every check.
PART_FRAMES = 1_000_000
#: Share of the frames in parts that a check rejects from which the log is rejected, in %; what stands in
#: fewer is a mark (chosen here, no source).
REJECTED_FROM_PCT = 5.0
#: What is true of a whole log if it is of any part.
_OF_THE_WHOLE = frozenset(("frame-log-unit",))


class JudgedParts:
    """Takes batches of frame times in order; each part is judged when it is full."""

    def __init__(self, checks: Checks, part_frames: int = PART_FRAMES) -> None:
        self._checks = checks
        self._part_frames = part_frames
        self._held: list[Floats] = []
        self._held_frames = 0
        self._frames = 0
        self._found: dict[str, list[tuple[int, int, str]]] = {}  # code -> first frame, frames, what was said

    def add(self, frametime_ms: Floats) -> None:
        """The next frames, ms."""
        while len(frametime_ms):
            some = frametime_ms[: self._part_frames - self._held_frames]
            frametime_ms = frametime_ms[len(some) :]
            self._held.append(some)
            self._held_frames += len(some)
            if self._held_frames == self._part_frames:
                self._judge()

    def _judge(self) -> None:
        if self._held_frames < LEAST_FRAMES:
            return  # the few frames at the end of a long log say nothing by themselves
        part = np.concatenate(self._held)
        self._held, self._held_frames = [], 0
        found = judge(AttemptEvidence(frametime_ms=part, has_frame_log=True), self._checks)
        if found.reason_code is not None and found.reason is not None:
            self._found.setdefault(found.reason_code, []).append((self._frames, len(part), found.reason))
        for mark in found.marks:
            code, _, said = mark.partition(": ")
            self._found.setdefault(code, []).append((self._frames, len(part), said))
        self._frames += len(part)

    def finish(self, whole: Judgement) -> Judgement:
        """The judgement of the whole log with what was found in its parts; the last part is judged."""
        self._judge()
        against: list[tuple[str, str]] = []
        marks = list(whole.marks)
        known = {whole.reason_code, *(mark.partition(": ")[0] for mark in whole.marks)}
        for code, parts in self._found.items():
            if code in known:
                continue
            frames = sum(count for _, count, _ in parts)
            first, count, sentence = parts[0]
            share_pct = 100 * frames / self._frames
            where = f"frames {first + 1} to {first + count}; such parts are {share_pct:.0f} % of the log"
            told = f"{sentence} ({where})"
            enough = share_pct > REJECTED_FROM_PCT or code in _OF_THE_WHOLE
            if enough and code not in self._checks.mark_only:
                against.append((code, told))
            else:
                marks.append(f"{code}: {told}")
        if whole.reason_code is not None and whole.reason is not None:
            against.append((whole.reason_code, whole.reason))
        if not against:
            return Judgement(True, None, None, tuple(marks), whole.faults)
        against.sort(key=lambda found: CODES.index(found[0]) if found[0] in CODES else len(CODES))
        said = "; ".join(sentence for _, sentence in against)
        return Judgement(False, against[0][0], said, tuple(marks), whole.faults)
