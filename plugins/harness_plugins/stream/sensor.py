"""Readings out of lines of text, put where they belong in time."""

from __future__ import annotations

import bisect
import csv
from collections import deque
from collections.abc import Collection, Mapping, Sequence

from harness.clock import Clock
from harness.rig import Channel, Reading
from harness_plugins.stream.mapping import LineReader, Readings, time_of, values_of
from harness_plugins.stream.sources import LineSource

_KEPT = 4096


class LineSensor:
    """Keeps the readings of the last lines and gives, at each look, those of ``delay_s`` ago.

    A line that has a time of its own counts from that time, so a recorder that writes late or in bursts
    still tells the truth as long as it is never later than ``delay_s``.
    """

    def __init__(
        self, name: str, source: LineSource, read_line: LineReader, options: Readings, clock: Clock
    ) -> None:
        self.name = name
        self._source = source
        self._read_line = read_line
        self._options = options
        self._clock = clock
        self._kept: dict[str, deque[tuple[float, float]]] = {
            q: deque(maxlen=_KEPT) for q in options.quantities
        }

    def channels(self) -> Sequence[Channel]:
        return [
            Channel(
                quantity,
                f"{self.name} {field.name}",
                period_s=self._options.period_s,
                delay_s=self._options.delay_s,
            )
            for quantity, field in self._options.quantities.items()
        ]

    def read(self, quantities: Collection[str]) -> Mapping[str, Reading]:
        now_s = self._clock.now_s()
        self._take_lines(now_s)
        target_s = now_s - self._options.delay_s
        return {q: self._reading_at(q, target_s) for q in quantities if q in self._kept}

    def _take_lines(self, now_s: float) -> None:
        utc_minus_rig_s = self._clock.now_utc().timestamp() - now_s
        for line in self._source.take():
            try:
                fields = self._read_line(line.text, line.first)
                own_s = None if fields is None else time_of(fields, self._options, utc_minus_rig_s)
            except (ValueError, OverflowError, RecursionError, csv.Error):
                continue  # one line that no parser takes costs its own reading
            if fields is None:
                continue
            if own_s is None and self._options.time is not None:
                continue  # its time is not readable: where it belongs is not known
            t_s = line.arrived_s - self._options.delay_s if own_s is None else own_s
            for quantity, value in values_of(fields, self._options).items():
                kept = self._kept[quantity]
                while kept and kept[-1][0] > t_s:  # its clock was set back
                    kept.pop()
                kept.append((t_s, value))

    def _reading_at(self, quantity: str, t_s: float) -> float | None:
        """The last reading at or before that time, unless it is too old."""
        kept = self._kept[quantity]
        index = bisect.bisect_right(kept, t_s, key=lambda pair: pair[0]) - 1
        if index < 0 or t_s - kept[index][0] > self._options.longest_age_s:
            return None
        return kept[index][1]

    def close(self) -> None:
        self._source.close()
