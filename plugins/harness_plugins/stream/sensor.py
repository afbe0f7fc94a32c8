"""Readings out of lines of text, put where they belong in time."""

from __future__ import annotations

import bisect
import csv
from collections import deque
from collections.abc import Collection, Mapping, Sequence

from harness.boundary import printable
from harness.clock import Clock
from harness.errors import SensorUnavailable
from harness.rig import Channel, Reading
from harness_plugins.stream.mapping import LineReader, Readings, time_of, values_of
from harness_plugins.stream.sources import LineSource

_KEPT = 4096
#: Lines that hold no reading are no trouble before there were so many of them, for so long, s.
_USELESS_LINES = 3
_USELESS_S = 3.0


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
        self._useless, self._useless_since_s = 0, 0.0
        self._last_line, self._off_s = "", 0.0

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
        found = {q: self._reading_at(q, target_s) for q in quantities if q in self._kept}
        useless_s = now_s - self._useless_since_s
        useless = self._useless >= _USELESS_LINES
        useless = useless and useless_s >= max(_USELESS_S, self._options.longest_age_s)
        if useless and all(value is None for value in found.values()):
            raise SensorUnavailable(self._why_useless())
        return found

    def _why_useless(self) -> str:
        line = printable(self._last_line.strip(), 80)
        if abs(self._off_s) > self._options.longest_age_s:
            way = "ahead of" if self._off_s > 0 else "behind"
            return (
                f"the times of its lines lie {abs(self._off_s):.0f} s {way} this machine's clock, so its "
                f"readings tell of another moment (last line {line!r}); fix its time or clock"
            )
        names = " or ".join(repr(field.name) for field in self._options.quantities.values())
        return (
            f"its lines hold no number named {names} (last line {line!r}); fix the names or the format of "
            "this sensor in the plan"
        )

    def _note(self, text: str, useful: bool, off_s: float, arrived_s: float) -> None:
        """Count lines in a row that gave no reading of now."""
        if useful:
            self._useless = 0
            return
        if not self._useless:
            self._useless_since_s = arrived_s
        self._useless += 1
        self._last_line, self._off_s = text, off_s

    def _take_lines(self, now_s: float) -> None:
        utc_minus_rig_s = self._clock.now_utc().timestamp() - now_s
        for line in self._source.take():
            try:
                fields = self._read_line(line.text, line.first)
                own_s = None if fields is None else time_of(fields, self._options, utc_minus_rig_s)
            except (ValueError, OverflowError, RecursionError, csv.Error):
                fields = None  # one line that no parser takes costs its own reading
            if fields is None:
                self._note(line.text, False, 0.0, line.arrived_s)
                continue
            if own_s is None and self._options.time is not None:
                self._note(line.text, False, 0.0, line.arrived_s)
                continue  # its time is not readable: where it belongs is not known
            t_s = line.arrived_s - self._options.delay_s if own_s is None else own_s
            values = values_of(fields, self._options)
            off_s = t_s + self._options.delay_s - line.arrived_s
            useful = bool(values) and abs(off_s) <= self._options.longest_age_s
            self._note(line.text, useful, off_s if values else 0.0, line.arrived_s)
            for quantity, value in values.items():
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
