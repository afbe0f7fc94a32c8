"""Logs whose truth is known because they were made from it: none may be read wrongly without a word.

A timeline of frames is drawn as whole microseconds and put into a file in some layout; then a mishap does
to the file what loggers, spreadsheets, clocks and disks do. The figures are then worked out here from the
timeline with whole numbers, by nothing that the reader uses. Each log is put before the reader and the
checks as ``levelrig analyse`` does.
"""

from __future__ import annotations

import io
import json
import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from harness.collect.judged_file import judge_file
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping

FRAMES = 1500
RIGHT_PCT = 0.5


@dataclass
class Timeline:
    """Frames as they happened, µs: each has a start, an end, and whether it was shown."""

    steps_us: list[int]
    begin_us: int = 0

    @property
    def ends_us(self) -> list[int]:
        found, now = [], self.begin_us
        for step in self.steps_us:
            now += step
            found.append(now)
        return found


def draw_timeline(seed: int, *, hitches: int = 3, begin_us: int = 5_000_000) -> Timeline:
    """Scenes of some seconds with their own level, uneven frames, a few hitches of 60 to 200 ms."""
    draw = random.Random(seed)
    steps: list[int] = []
    while len(steps) < FRAMES:
        level = draw.randint(6_000, 14_000)
        steps += [
            level + draw.randint(-900, 900) + draw.choice([0] * 19 + [draw.randint(2_000, 6_000)])
            for _ in range(draw.randint(100, 400))
        ]
    steps = steps[:FRAMES]
    for _ in range(hitches):
        steps[draw.randrange(50, FRAMES - 50)] = draw.randint(60_000, 200_000)
    return Timeline(steps, begin_us)


def truth(steps_us: list[int]) -> tuple[float, float]:
    """Average FPS and 1 % low (1000 / 99th percentile, linear between order statistics)."""
    average = Fraction(len(steps_us) * 10**6, sum(steps_us))
    ordered, at = sorted(steps_us), Fraction(99 * (len(steps_us) - 1), 100)
    low = int(at)
    value = ordered[low] + (at - low) * (ordered[min(low + 1, len(ordered) - 1)] - ordered[low])
    return float(average), float(Fraction(10**6) / value)


@dataclass
class Log:
    """A file and how it is mapped.

    Attributes:
        wanted: ``right``: it holds the truth and must be read so; ``seen``: it does not hold the truth any
            more, so it must be refused, rejected or read right; ``told``: as right, and a note says so.
        says: Words of that note.
    """

    name: str
    content: bytes
    mapping: dict[str, Any]
    steps_us: list[int]
    wanted: str = "right"
    tolerance_pct: float = RIGHT_PCT
    says: str = ""
    suffix: str = ".csv"


def table_of(rows: list[list[str]], header: list[str] | None, sign: str = ",") -> bytes:
    lines = ([sign.join(header)] if header else []) + [sign.join(row) for row in rows]
    return ("\n".join(lines) + "\n").encode()


def ms(us: int, digits: int = 3) -> str:
    return f"{us / 1000:.{digits}f}"


def s(us: int, digits: int = 6) -> str:
    return f"{us / 1e6:.{digits}f}"


BOTH = {"interval_column": "took", "presentation_time_column": "at", "time_unit": "s"}
INTERVAL = {"interval_column": "took"}
TIME = {"presentation_time_column": "at", "unit": "s"}


def both(line: Timeline) -> list[list[str]]:
    return [[s(end), ms(step)] for end, step in zip(line.ends_us, line.steps_us, strict=True)]


def plain_layouts(seed: int) -> Iterator[Log]:
    """Every layout that the mapping can say, with a log that is whole."""
    line = draw_timeline(seed)
    steps, ends = line.steps_us, line.ends_us
    first_lost = steps[1:]
    last_ends = [line.begin_us, *ends]
    yield Log("intervals, ms", table_of([[ms(x)] for x in steps], ["took"]), INTERVAL, steps)
    yield Log("intervals, s", table_of([[s(x)] for x in steps], ["took"]), {**INTERVAL, "unit": "s"}, steps)
    yield Log(
        "intervals, whole µs",
        table_of([[str(x)] for x in steps], ["took"]),
        {**INTERVAL, "unit": "us"},
        steps,
    )
    yield Log(
        "intervals, ticks",
        table_of([[str(x * 10)] for x in steps], ["took"]),
        {**INTERVAL, "unit": "ticks", "ticks_per_s": 1e7},
        steps,
    )
    yield Log("times, s", table_of([[s(x)] for x in ends], ["at"]), TIME, first_lost)
    yield Log(
        "times, ns since an epoch",
        table_of([[str(1_900_000_000_000_000_000 + x * 1000)] for x in ends], ["at"]),
        {**TIME, "unit": "ns"},
        first_lost,
    )
    yield Log(
        "starts, s",
        table_of([[s(x)] for x in last_ends], ["from"]),
        {"start_time_column": "from", "unit": "s"},
        steps,
    )
    yield Log("both", table_of(both(line), ["at", "took"]), BOTH, steps)
    yield Log(
        "decimal comma, semicolon",
        table_of([[ms(x).replace(".", ",")] for x in steps], ["took"], ";"),
        {**INTERVAL, "delimiter": ";", "decimal": ","},
        steps,
    )
    yield Log(
        "tabs, no header",
        table_of([["x", ms(x)] for x in steps], None, "\t"),
        {"interval_column": "#2", "delimiter": "tab", "header": False},
        steps,
    )
    yield Log(
        "UTF-16",
        "took\n".encode("utf-16") + "".join(ms(x) + "\n" for x in steps).encode("utf-16-le"),
        INTERVAL,
        steps,
    )
    yield Log(
        "JSON lines",
        b"".join(json.dumps({"took": x / 1000}).encode() + b"\n" for x in steps),
        INTERVAL,
        steps,
        suffix=".jsonl",
    )
    sink = io.BytesIO()
    pq.write_table(pa.table({"took": np.array(steps) / 1000, "at": np.array(ends, np.int64)}), sink)
    yield Log("Parquet", sink.getvalue(), {**BOTH, "time_unit": "us"}, steps, suffix=".parquet")
    yield Log(
        "comments and a preamble",
        b"made by hand\n# one\ntook\n# two\n" + table_of([[ms(x)] for x in steps], None),
        {**INTERVAL, "skip_rows": 1, "comment": "#"},
        steps,
    )
    other = [["other", ms(x + 1)] for x in steps]
    mixed = [row for pair in zip([["ours", ms(x)] for x in steps], other, strict=True) for row in pair]
    yield Log(
        "two processes",
        table_of(mixed, ["who", "took"]),
        {**INTERVAL, "filter_column": "who", "filter_value": "ours"},
        steps,
    )


def flagged(seed: int) -> Iterator[Log]:
    """Frames never shown or interpolated: their time counts to the next one, in every kind of column."""
    draw = random.Random(seed)
    line = draw_timeline(seed)
    hidden = [False] + [draw.random() < 0.05 for _ in line.steps_us[1:-1]] + [False]
    shown_steps, pending = [], 0
    for step, gone in zip(line.steps_us, hidden, strict=True):
        pending += step
        if not gone:
            shown_steps.append(pending)
            pending = 0
    flag = ["1" if gone else "0" for gone in hidden]
    starts = [line.begin_us, *line.ends_us[:-1]]
    for column in ("dropped_column", "generated_column"):
        interval = table_of([[ms(x), f] for x, f in zip(line.steps_us, flag, strict=True)], ["took", "gone"])
        yield Log(f"intervals, {column}", interval, {**INTERVAL, column: "gone"}, shown_steps)
        time = table_of([[s(x), f] for x, f in zip(line.ends_us, flag, strict=True)], ["at", "gone"])
        yield Log(f"times, {column}", time, {**TIME, column: "gone"}, shown_steps[1:])
        start = table_of(
            [[s(x), f] for x, f in zip([*starts, line.ends_us[-1]], [*flag, "0"], strict=True)],
            ["from", "gone"],
        )
        yield Log(
            f"starts, {column}",
            start,
            {"start_time_column": "from", "unit": "s", column: "gone"},
            shown_steps,
        )
        no_time = table_of(
            [["NA" if gone else s(x), f] for x, gone, f in zip(line.ends_us, hidden, flag, strict=True)],
            ["at", "gone"],
        )
        yield Log(f"times missing where {column}", no_time, {**TIME, column: "gone"}, shown_steps[1:])
        words = {"1": "discarded", "0": "presented"}
        word = table_of(
            [[ms(x), words[f]] for x, f in zip(line.steps_us, flag, strict=True)], ["took", "gone"]
        )
        yield Log(f"words, {column}", word, {**INTERVAL, column: "gone"}, shown_steps, "seen")
        key = column.replace("column", "values")
        yield Log(
            f"words named, {column}", word, {**INTERVAL, column: "gone", key: ["discarded"]}, shown_steps
        )
        for yes, no in (("Y", "N"), ("1.0", "0.0"), ("T", "F")):
            odd = table_of(
                [[ms(x), yes if f == "1" else no] for x, f in zip(line.steps_us, flag, strict=True)],
                ["took", "gone"],
            )
            yield Log(f"{yes} and {no}, {column}", odd, {**INTERVAL, column: "gone"}, shown_steps, "seen")


def hitches_that_can_not_be_read(seed: int) -> Iterator[Log]:
    """The longest frame's value is unreadable: with a time its length is known, without it is doubtful."""
    line = draw_timeline(seed, hitches=0)
    at = 700 + seed % 100
    line.steps_us[at] = 1_200_500
    for text in ("####", "1,200.5", "inf", "", "1e999", "overflow", "1 200.5", "-1"):
        for sign in (",", ";"):
            cell = text if sign == ";" or "," not in text else f'"{text}"'
            rows = both(line)
            rows[at][1] = cell
            yield Log(
                f"{text!r} with a time, {sign}",
                table_of(rows, ["at", "took"], sign),
                {**BOTH, "delimiter": sign},
                line.steps_us,
            )
        single = [[ms(x)] for x in line.steps_us]
        single[at] = [text or "NA"]
        yield Log(
            f"{text!r} alone",
            table_of(single, ["took"], ";"),
            {**INTERVAL, "delimiter": ";"},
            line.steps_us,
            "seen",
        )
    bare = both(line)
    bare[at][1] = "1,200.5"
    yield Log("1,200.5 without quotes", table_of(bare, ["at", "took"]), BOTH, line.steps_us, "seen")
    times = [[s(x)] for x in line.ends_us]
    times[at] = ["####"]
    yield Log("#### for a time", table_of(times, ["at"]), TIME, line.steps_us[1:], "seen")
    torn = [row[0] for row in ([ms(x)] for x in line.steps_us)]
    torn[at] = "12\x00,;garbage"
    yield Log("a torn line", ("took\n" + "\n".join(torn) + "\n").encode(), INTERVAL, line.steps_us, "seen")


def rows_lost_and_added(seed: int) -> Iterator[Log]:
    """Interval and time side by side show what one alone hides."""
    line = draw_timeline(seed)
    draw = random.Random(seed)
    rows = both(line)
    at = draw.randrange(300, 900)
    yield Log(
        "80 rows lost", table_of(rows[:at] + rows[at + 80 :], ["at", "took"]), BOTH, line.steps_us, "seen"
    )
    yield Log(
        "a minute's total at the foot",
        table_of([*rows, ["", ms(sum(line.steps_us))]], ["at", "took"]),
        BOTH,
        line.steps_us,
        "seen",
    )
    yield Log(
        "a mean at the foot",
        table_of([*rows, ["", ms(sum(line.steps_us) // FRAMES)]], ["at", "took"]),
        BOTH,
        line.steps_us,
    )
    yield Log("words at the foot", table_of([*rows, ["total", "done"]], ["at", "took"]), BOTH, line.steps_us)
    doubled = [row for row in rows for _ in (0, 1)]
    yield Log("every row twice", table_of(doubled, ["at", "took"]), BOTH, line.steps_us, "seen")
    yield Log(
        "every row twice, intervals alone",
        table_of([[row[1]] for row in doubled], ["took"]),
        INTERVAL,
        line.steps_us,
        "seen",
    )
    stretch = rows[:at] + [row for row in rows[at : at + 200] for _ in (0, 1)] + rows[at + 200 :]
    yield Log("200 rows twice", table_of(stretch, ["at", "took"]), BOTH, line.steps_us, "seen")
    frozen = [list(row) for row in rows]
    for row in frozen[at : at + 200]:
        row[1] = frozen[at][1]
    yield Log("200 intervals frozen", table_of(frozen, ["at", "took"]), BOTH, line.steps_us, "seen")
    yield Log(
        "200 intervals frozen, no time",
        table_of([[r[1]] for r in frozen], ["took"]),
        INTERVAL,
        line.steps_us,
        "seen",
    )
    yield Log(
        "a block again",
        table_of([[r[1]] for r in rows + rows[at : at + 300]], ["took"]),
        INTERVAL,
        line.steps_us,
        "seen",
    )
    yield Log(
        "time in ms called s",
        table_of([[ms(e), ms(x)] for e, x in zip(line.ends_us, line.steps_us, strict=True)], ["at", "took"]),
        BOTH,
        line.steps_us,
        "seen",
    )
    half = [[s(e), ms(x // 2)] for e, x in zip(line.ends_us, line.steps_us, strict=True)]
    yield Log("busy time called interval", table_of(half, ["at", "took"]), BOTH, line.steps_us, "seen")
    tangled = sorted(
        [[e, x] for e, x in zip(line.ends_us, line.steps_us, strict=True)]
        + [[e + 3000, x] for e, x in zip(line.ends_us, line.steps_us, strict=True)]
    )
    yield Log(
        "two processes, no filter",
        table_of([[s(e), ms(x)] for e, x in tangled], ["at", "took"]),
        BOTH,
        line.steps_us,
        "seen",
    )
    pause = Timeline([*line.steps_us[:at], 30_000_000, *line.steps_us[at:]], line.begin_us)
    yield Log(
        "a pause of 30 s",
        table_of([[ms(x)] for x in pause.steps_us], ["took"]),
        INTERVAL,
        line.steps_us,
        "seen",
    )
    hole = [
        [s(e + (8_000_000 if i >= at else 0)), ms(x)]
        for i, (e, x) in enumerate(zip(line.ends_us, line.steps_us, strict=True))
    ]
    yield Log("a hole of 8 s", table_of(hole, ["at", "took"]), BOTH, line.steps_us, "seen")


def clocks(seed: int) -> Iterator[Log]:
    """Coarse clocks, clocks that lose resolution, counters that wrap."""
    line = draw_timeline(seed)
    ends = line.ends_us
    wrap = Timeline(line.steps_us, 2**32 - sum(line.steps_us[:400]))
    counted = [[str(e % 2**32)] for e in wrap.ends_us]
    yield Log(
        "a 32-bit counter wraps",
        table_of(counted, ["at"]),
        {**TIME, "unit": "us"},
        line.steps_us[1:],
        "told",
        says="32-bit",
    )
    for how in ("sort", "first-run", "last-run"):
        yield Log(
            f"it wraps, {how}",
            table_of(counted, ["at"]),
            {**TIME, "unit": "us", "when_time_goes_back": how},
            line.steps_us[1:],
            "told",
            says="32-bit",
        )
    starts = [
        [str(e % 2**32), ms(x)]
        for e, x in zip([wrap.begin_us, *wrap.ends_us[:-1]], line.steps_us, strict=True)
    ]
    yield Log(
        "a start counter wraps",
        table_of(starts, ["from", "took"]),
        {**INTERVAL, "start_time_column": "from", "time_unit": "us"},
        line.steps_us,
        "told",
        says="32-bit",
    )
    yield Log(
        "a clock of 1 ms",
        table_of([[f"{e // 1000}"] for e in ends], ["at"]),
        {**TIME, "unit": "ms"},
        line.steps_us[1:],
        "told",
        7.0,
        "steps of 1 ms",
    )
    yield Log(
        "a clock of 1 ms in s",
        table_of([[f"{e // 1000 / 1000:.3f}"] for e in ends], ["at"]),
        TIME,
        line.steps_us[1:],
        "told",
        7.0,
        "steps of 1 ms",
    )
    yield Log(
        "a clock of 10 ms",
        table_of([[f"{e // 10000 * 10}"] for e in ends], ["at"]),
        {**TIME, "unit": "ms"},
        line.steps_us[1:],
        "seen",
    )
    late = [float(np.float32((e + 16_000_000_000) / 1e6)) for e in ends]
    yield Log(
        "single precision after hours",
        table_of([[repr(x)] for x in late], ["at"]),
        TIME,
        line.steps_us[1:],
        "told",
        25.0,
        "steps of",
    )
    growing = [float(np.float32(e / 1e6 + (12_000 if i > 700 else 0))) for i, e in enumerate(ends)]
    steps = list(line.steps_us[1:])
    yield Log("single precision, late", table_of([[repr(x)] for x in growing], ["at"]), TIME, steps, "seen")


def shapes(seed: int) -> Iterator[Log]:
    """Headers in the middle, two runs, decimal commas without a header, a torn end."""
    line, second = draw_timeline(seed), draw_timeline(seed + 1000, begin_us=5_100_000)
    one, two = both(line), both(second)
    head = ["at", "took"]
    swapped = table_of(one, head) + table_of([row[::-1] for row in two], head[::-1])
    yield Log("a second header, columns swapped", swapped, BOTH, line.steps_us, "seen")
    more = table_of(one, head) + table_of([["1", *row] for row in two], ["n", *head])
    yield Log("a second header, one column more", more, BOTH, line.steps_us, "seen")
    again = b"".join(table_of(one[i : i + 300], head) for i in range(0, FRAMES, 300))
    yield Log(
        "the header again and again", again, BOTH, line.steps_us, "told", says="header stands 4 times more"
    )
    yield Log("two runs", table_of(one + two, head), BOTH, line.steps_us, "seen")
    yield Log(
        "two runs, sorted",
        table_of(one + two, head),
        {**BOTH, "when_time_goes_back": "sort"},
        line.steps_us,
        "seen",
    )
    yield Log(
        "two runs, the first",
        table_of(one + two, head),
        {**BOTH, "when_time_goes_back": "first-run"},
        line.steps_us,
    )
    yield Log(
        "two runs, the last",
        table_of(one + two, head),
        {**BOTH, "when_time_goes_back": "last-run"},
        second.steps_us,
    )
    draw = random.Random(seed)
    loose = sorted(enumerate(one), key=lambda pair: pair[0] + draw.random() * 6)
    yield Log(
        "rows out of order, sorted",
        table_of([row for _, row in loose], head),
        {**BOTH, "when_time_goes_back": "sort"},
        line.steps_us,
    )
    blocks = [one[i : i + 100] for i in range(0, FRAMES, 100)]
    draw.shuffle(blocks)
    yield Log(
        "blocks out of order, sorted",
        table_of([r for b in blocks for r in b], head),
        {**BOTH, "when_time_goes_back": "sort"},
        line.steps_us,
    )
    commas = "".join(f"{x // 1000},{x % 1000:03d}\n" for x in line.steps_us).encode()
    yield Log(
        "decimal commas, no header", commas, {"interval_column": "#1", "header": False}, line.steps_us, "seen"
    )
    yield Log("decimal commas, header", b"took\n" + commas, INTERVAL, line.steps_us, "seen")
    yield Log("cut off", table_of(one, head)[:-5], BOTH, line.steps_us[:-1], tolerance_pct=1.0)


MAKERS: tuple[Callable[[int], Iterator[Log]], ...] = (
    plain_layouts,
    flagged,
    hitches_that_can_not_be_read,
    rows_lost_and_added,
    clocks,
    shapes,
)


@dataclass
class Tally:
    counts: Counter[str] = field(default_factory=Counter)
    amiss: list[str] = field(default_factory=list)


def outcome(log: Log, folder: Path) -> tuple[str, str]:
    """``right``, ``rightly refused``, ``wrong``, ``wrongly refused`` or ``not told``, and what was said."""
    path = folder / f"frames{log.suffix}"
    path.write_bytes(log.content)
    try:
        figures = judge_file(path, ColumnMapping.model_validate(log.mapping)).figures
    except FrameLogError as error:
        return ("rightly refused" if log.wanted == "seen" else "wrongly refused"), str(error)
    said = "; ".join([str(figures["reason"] or ""), *figures["marks"]])
    if figures["verdict"] != "accepted":
        return ("rightly refused" if log.wanted == "seen" else "wrongly refused"), said
    found = (figures["average_fps"], figures["one_percent_low_fps"])
    off_pct = max(100 * abs(f / t - 1) for f, t in zip(found, truth(log.steps_us), strict=True))
    if off_pct > log.tolerance_pct:
        return "wrong", f"{off_pct:.2f} % off; {said}"
    return ("right" if log.says in said else "not told"), said


def test_of_all_logs_none_is_read_wrongly_and_none_wrongly_refused(tmp_path):
    tally = Tally()
    for seed in (1, 2):
        for make in MAKERS:
            for log in make(seed):
                found, said = outcome(log, tmp_path)
                tally.counts[found] += 1
                if found not in ("right", "rightly refused"):
                    tally.amiss.append(f"{found}: {log.name} (seed {seed}): {said[:300]}")
    assert tally.amiss == []
    assert tally.counts == {"right": 114, "rightly refused": 80}
