"""Invented frame logs of many plain layouts, each with its true frame times.

``layouts`` does one cause of error after the other, in two styles of names, lengths and jitter; ``mixture``
draws logs at random from all causes. Headings are invented and often misleading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
DIGITS = {"s": 7, "ms": 4, "us": 1, "ns": 0}


@dataclass
class Layout:
    """A log as text, with every series of frame times that would be a right reading of it."""

    name: str
    text: str
    right: list[Floats]
    encoding: str = "utf-8"

    def write(self, folder: Path) -> Path:
        path = folder / f"{self.name}.log"
        path.write_bytes(self.text.encode(self.encoding))
        return path


@dataclass
class Table:
    """Columns of one log, text already, in order."""

    columns: dict[str, list[str]] = field(default_factory=dict)
    watts: Floats | None = None  # one power: the energy is its sum

    def add(self, name: str, values: Floats | list[str], digits: int | None = None) -> Table:
        while name in self.columns:
            name += "+"
        if isinstance(values, list):
            self.columns[name] = [str(v) for v in values]
        elif digits == 0:
            self.columns[name] = [str(int(v)) for v in np.round(values)]
        else:
            self.columns[name] = [f"{v:.{6 if digits is None else digits}f}" for v in values]
        return self

    def text(
        self, delimiter: str = ",", decimal: str = ".", head: bool = True, before: str = "", end: str = "\n"
    ) -> str:
        rows = [list(self.columns)] if head else []
        body = [list(row) for row in zip(*self.columns.values(), strict=True)]
        if decimal == ",":
            body = [[f.replace(".", ",") for f in row] for row in body]
        lines = [delimiter.join(row) for row in rows + body]
        return before + end.join(lines) + end


class Style:
    """What a made-up program's logs are like."""

    def __init__(self, seed: int, rows: tuple[int, int], names: dict[str, list[str]], spread: float) -> None:
        self.random = np.random.default_rng(seed)
        self.rows, self.names, self.spread = rows, names, spread

    def name(self, what: str) -> str:
        return str(self.random.choice(self.names[what]))

    def one_of(self, *choices: str) -> str:
        return str(self.random.choice(choices))

    def frames(self, n: int | None = None, fps: float | None = None) -> Floats:
        """Frame times, ms: a scene that wanders slowly, jitter, and some hitches."""
        r = self.random
        n = int(r.integers(*self.rows)) if n is None else n
        mean = 1e3 / (float(r.choice([38.0, 55.0, 72.0, 110.0, 144.0, 230.0])) if fps is None else fps)
        wander = 1 + 0.12 * np.sin(np.linspace(0, float(r.uniform(4, 20)), n))
        x = mean * wander * r.lognormal(0, self.spread, n)
        hitch = r.random(n) < 0.01
        x[hitch] *= r.uniform(1.8, 4, int(hitch.sum()))
        return np.round(x, 4)

    def ends_s(self, x: Floats, origin: float | None = None) -> Floats:
        origin = float(self.random.choice([0.0, 3.2, 812.7, 90211.3])) if origin is None else origin
        return origin + np.cumsum(x) / 1e3

    def watts(self, n: int) -> Floats:
        return (
            self.random.uniform(70, 330)
            + np.cumsum(self.random.normal(0, 0.4, n))
            + self.random.normal(0, 2, n)
        )

    def loads(self, table: Table, n: int, x: Floats, *what: str) -> Table:
        """Columns that are no frame times."""
        r = self.random
        if table.watts is None:
            table.watts = self.watts(n)
        for kind in what:
            name = self.name(kind)
            if kind == "fps":
                table.add(name, 1e3 / x, 2)
            elif kind == "watts":
                table.add(name, table.watts, 1)
            elif kind == "load":
                table.add(name, np.clip(r.normal(94, 3, n), 0, 100), 0)
            elif kind == "temp":
                table.add(name, 58 + 14 * (1 - np.exp(-np.arange(n) / n)) + r.normal(0, 0.2, n), 1)
            elif kind == "clock":
                table.add(name, np.round(r.normal(1890, 20, n) / 15) * 15, 0)
            elif kind == "memory":
                table.add(name, 6200 + np.cumsum(r.integers(-2, 3, n)), 0)
            elif kind == "number":
                table.add(name, np.arange(n) + float(r.choice([0, 1, 5000])), 0)
            elif kind == "energy":
                table.add(name, 1000 + np.cumsum(table.watts * x / 1e3), 3)
            elif kind == "busy":
                table.add(name, x * r.uniform(0.5, 0.9) * r.uniform(0.9, 1.1, n), 4)
            elif kind == "flag":
                table.add(name, [str(int(v)) for v in r.random(n) < 0.03])
        return table


Maker = Callable[[Style], tuple[str, list[Floats]]]


def _timed(
    s: Style, x: Floats, unit: str, name: str = "time", starts: bool = False, origin: float | None = None
) -> tuple[str, Floats, int]:
    ends = s.ends_s(x, origin)
    return s.name(name), (ends - x / 1e3 if starts else ends) * PER_S[unit], DIGITS[unit]


def pair(time_unit: str, unit: str, *others: str, starts: bool = False, **text: object) -> Maker:
    """Interval and time, with other columns between."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        half = len(others) // 2
        s.loads(table, len(x), x, *others[:half])
        table.add(*_timed(s, x, time_unit, starts=starts))
        s.loads(table, len(x), x, *others[half:])
        table.add(s.name("interval"), x / 1e3 * PER_S[unit], DIGITS[unit])
        return table.text(**text), [x]  # type: ignore[arg-type]

    return make


def time_only(unit: str, *others: str, starts: bool = False, **text: object) -> Maker:
    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        half = (len(others) + 1) // 2
        s.loads(table, len(x), x, *others[:half])
        table.add(*_timed(s, x, unit, starts=starts))
        s.loads(table, len(x), x, *others[half:])
        return table.text(**text), [x[:-1] if starts else x[1:]]  # type: ignore[arg-type]

    return make


def interval_only(unit: str, *others: str, **text: object) -> Maker:
    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        half = (len(others) + 1) // 2
        s.loads(table, len(x), x, *others[:half])
        table.add(s.name("interval"), x / 1e3 * PER_S[unit], DIGITS[unit])
        s.loads(table, len(x), x, *others[half:])
        return table.text(**text), [x]  # type: ignore[arg-type]

    return make


def ticks(hz: float, *others: str) -> Maker:
    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        table.add(s.name("time"), np.round(s.ends_s(x, 5e4) * hz), 0)
        s.loads(table, len(x), x, *others)
        table.add(s.name("interval"), x, 4)
        return table.text(), [x]

    return make


def whole(unit: str, *others: str) -> Maker:
    """Whole numbers in both columns."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        scale = PER_S[unit] / 1e3
        count = np.round(x * scale)
        table.add(s.name("interval"), count, 0)
        s.loads(table, len(x), x, *others)
        table.add(s.name("time"), np.cumsum(count) + 12345, 0)
        return table.text(), [count / scale]

    return make


def spoiled(what: str, kind: str) -> Maker:
    """One bad field in a short or long log."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        n = 150 if what != "nan" else 600
        x = s.frames(n)
        table = Table()
        ends = s.ends_s(x)
        if kind != "interval":
            table.add(s.name("time"), ends, 7)
        s.loads(table, n, x, "load", "number")
        if kind != "time":
            table.add(s.name("interval"), x, 4)
        target = list(table.columns)[-1 if kind != "time" else 0]
        place = int(s.random.integers(20, n - 20))
        table.columns[target][place] = {"inf": "inf", "gap": "", "nan": "nan", "squared": "²"}[what]
        keep = np.arange(n) != place
        right = [x[keep], x]
        if kind == "time":
            keep[place + 1] = False
            right = [x[keep][1:], np.concatenate((x[1:place], [x[place] + x[place + 1]], x[place + 2 :]))]
        return table.text(), right

    return make


def restart(kind: str, again_header: bool = False) -> Maker:
    """Two runs in one log: the time starts again."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        a, b = s.frames(), s.frames()
        table = Table()
        table.add(s.name("time"), np.concatenate((s.ends_s(a, 0.0), s.ends_s(b, 0.0))), 7)
        s.loads(table, len(a) + len(b), np.concatenate((a, b)), "watts")
        if kind == "pair":
            table.add(s.name("interval"), np.concatenate((a, b)), 4)
        text = table.text()
        if again_header:
            lines = text.splitlines()
            text = "\n".join([*lines[: 1 + len(a)], lines[0], *lines[1 + len(a) :], ""])
        cut = 0 if kind == "pair" else 1
        return text, [a[cut:], b[cut:]]

    return make


def processes(count: int, kind: str, numbers: bool = False) -> Maker:
    """Several processes in one log, in order of time."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        names = (
            [str(v) for v in s.random.choice(90000, count, replace=False)]
            if numbers
            else ["harbour", "relay", "desk"][:count]
        )
        rows, right = [], []
        for i, name in enumerate(names):
            n = int(700 / (1 + i))
            x = s.frames(n, fps=[95.0, 60.0, 33.0][i])
            right.append(x if kind == "pair" else x[1:])
            rows += [(t, name, d) for t, d in zip(s.ends_s(x, 7.0 + 0.0013 * i), x, strict=True)]
        rows.sort()
        table = Table().add(s.name("time"), np.array([r[0] for r in rows]), 7)
        table.add(s.name("who"), [r[1] for r in rows])
        if kind == "pair":
            table.add(s.name("interval"), np.array([r[2] for r in rows]), 4)
        return table.text(), right[:1]

    return make


def preamble(what: str) -> Maker:
    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        table.add(*_timed(s, x, "s"))
        table.add(s.name("interval"), x, 4)
        s.loads(table, len(x), x, "load")
        lines = table.text().splitlines()
        before = {
            "as wide": ["program,harbour,2", "display,2560,1440", "made,by,hand"],
            "as wide with numbers": ["1,2560,1440", "made,1,2"],
            "narrow": ["a night of tests", "", "display: 2560 x 1440"],
            "comments": ["# a night of tests", "# second try"],
            "comments as wide": ["# a,b,c", "# 1,2,3"],
        }
        if what in before:
            lines = before[what] + lines
        elif what == "units row":
            lines.insert(1, "s,ms,%")
        elif what == "hash heading":
            lines[0] = "# " + lines[0]
        elif what == "hash column":
            lines = [f"{i - 1},{line}" if i else "#," + line for i, line in enumerate(lines)]
        elif what == "hash heading and comments":
            lines = ["# a night", "# " + lines[0], *lines[1:50], "# a mark", *lines[50:]]
        elif what == "comments in between":
            lines = [*lines[:70], "# a mark, a pause", *lines[70:]]
        elif what == "wide line at the foot":
            lines += ["average,8.1,94.0,and,more"]
        elif what == "double headings":
            lines[0] = "value,value,value"
        elif what == "empty headings":
            lines[0] = ",,"
        elif what == "trailing delimiter":
            lines = [line + "," for line in lines]
        elif what == "quoted":
            lines = [",".join(f'"{f}"' for f in line.split(",")) for line in lines]
        return "\n".join([*lines, ""]), [x]

    return make


def coarse(step_ms: float) -> Maker:
    """A fine interval beside a coarse time."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        x, table = s.frames(), Table()
        s.loads(table, len(x), x, "watts")
        table.add(s.name("time"), np.floor(s.ends_s(x) * 1e3 / step_ms) * step_ms / 1e3, 3)
        table.add(s.name("interval"), x, 4)
        return table.text(), [x]

    return make


def steady(unit: str, *others: str) -> Maker:
    """A capped title: nearly the same frame time throughout."""

    def make(s: Style) -> tuple[str, list[Floats]]:
        fps = float(s.random.choice([30.0, 60.0, 120.0]))
        x = np.round(1e3 / fps + s.random.normal(0, 0.004, int(s.random.integers(*s.rows))), 4)
        table = Table()
        s.loads(table, len(x), x, *others)
        table.add(*_timed(s, x, unit)).add(s.name("interval"), x, 4)
        return table.text(), [x]

    return make


def makers() -> Iterator[tuple[str, Maker]]:
    """The 96 layouts."""
    for time_unit, unit in (
        ("s", "ms"),
        ("ms", "ms"),
        ("us", "us"),
        ("ns", "ms"),
        ("s", "s"),
        ("us", "ms"),
        ("ms", "s"),
        ("ns", "ns"),
    ):
        yield f"pair-{time_unit}-{unit}", pair(time_unit, unit, "load", "number", "fps", "watts")
    for time_unit, unit in (("s", "ms"), ("ms", "us"), ("us", "ms"), ("ns", "us")):
        yield f"pair-starts-{time_unit}-{unit}", pair(time_unit, unit, "busy", "clock", starts=True)
    for unit in PER_S:
        yield f"time-{unit}", time_only(unit, "load", "flag")
        yield f"time-number-{unit}", time_only(unit, "number", "watts")
    for others in (
        ("fps",),
        ("watts", "temp"),
        ("energy",),
        ("energy", "watts"),
        ("fps", "energy"),
        ("busy", "number"),
        ("memory", "clock"),
        ("watts", "energy", "fps", "number"),
    ):
        yield f"time-beside-{'-'.join(others)}", time_only("s", *others)
    for others in (("energy",), ("fps", "energy", "watts")):
        yield f"time-ms-beside-{'-'.join(others)}", time_only("ms", *others)
    yield "time-starts", time_only("s", "load", starts=True)
    for unit in ("s", "ms", "us"):
        yield f"interval-{unit}", interval_only(unit)
        yield f"interval-number-{unit}", interval_only(unit, "number")
        yield f"interval-fps-{unit}", interval_only(unit, "fps", "number")
    for others in (
        ("watts",),
        ("load", "temp"),
        ("energy",),
        ("busy",),
        ("clock", "memory"),
        ("fps", "watts", "load"),
        ("number", "energy", "watts"),
        ("fps", "busy"),
    ):
        yield f"interval-beside-{'-'.join(others)}", interval_only("ms", *others)
    for others in (
        ("energy", "watts"),
        ("energy", "fps"),
        ("busy", "energy", "number"),
        ("temp", "memory", "clock"),
    ):
        yield f"pair-beside-{'-'.join(others)}", pair("s", "ms", *others)
    for hz in (19_200_000.0, 10_000_000.0, 24_000_000.0):
        yield f"ticks-{hz:.0f}", ticks(hz, "load")
    for unit, others in (
        ("us", ("load",)),
        ("us", ("clock", "memory")),
        ("ns", ("number",)),
        ("us", ("watts", "number", "fps")),
    ):
        yield f"whole-{unit}-{'-'.join(others)}", whole(unit, *others)
    for what in ("inf", "gap", "nan", "squared"):
        for kind in ("pair", "time", "interval"):
            if (what, kind) != ("squared", "time"):
                yield f"{what}-in-{kind}", spoiled(what, kind)
    yield "restart-pair", restart("pair")
    yield "restart-time", restart("time")
    yield "restart-with-header", restart("pair", again_header=True)
    for count, kind, numbers in (
        (2, "pair", False),
        (3, "pair", True),
        (2, "time", False),
        (3, "time", False),
        (3, "time", True),
    ):
        yield f"{count}-processes-{kind}-{'numbers' if numbers else 'names'}", processes(count, kind, numbers)
    for what in (
        "as wide",
        "as wide with numbers",
        "narrow",
        "comments",
        "comments as wide",
        "units row",
        "hash heading",
        "hash column",
        "hash heading and comments",
        "comments in between",
        "wide line at the foot",
        "double headings",
        "empty headings",
        "trailing delimiter",
        "quoted",
    ):
        yield f"preamble-{what.replace(' ', '-')}", preamble(what)
    yield "coarse-1ms", coarse(1.0)
    yield "coarse-10ms", coarse(10.0)
    yield "coarse-1s", coarse(1000.0)
    yield "steady-s", steady("s", "watts", "load")
    yield "steady-us", steady("us", "load", "fps")
    yield "steady-energy", steady("ms", "energy", "watts")
    yield "semicolon-comma", pair("s", "ms", "load", "fps", delimiter=";", decimal=",")
    yield "tab", pair("ms", "ms", "watts", delimiter="\t", end="\r\n")
    yield "tab-comma", time_only("s", "watts", delimiter="\t", decimal=",")
    yield "bar", pair("s", "ms", "temp", delimiter="|")
    yield "space", interval_only("ms", "load", delimiter=" ")
    yield "no-header", pair("s", "ms", "load", "number", head=False)
    yield "no-header-time", time_only("us", "number", head=False)


NAMES_A = {
    "time": ["at", "stamp", "t", "moment", "col a", "fps", "x1"],
    "interval": ["took", "d", "length", "col b", "power", "y2"],
    "fps": ["rate", "speed", "ms"],
    "watts": ["draw", "p", "frame"],
    "load": ["busy pct", "l"],
    "temp": ["heat", "k"],
    "clock": ["core", "dt"],
    "memory": ["store", "m"],
    "number": ["n", "index", "time"],
    "energy": ["sum", "e", "elapsed"],
    "busy": ["inner", "part"],
    "flag": ["gone", "f"],
    "who": ["program", "id"],
}
NAMES_B = {
    key: [f"{key[0]}{i}" for i in range(3)] + ["Größe" if key == "interval" else f"[{key[::-1]}]"]
    for key in NAMES_A
}


def style_a(seed: int = 11) -> Style:
    return Style(seed, (400, 900), NAMES_A, 0.06)


def style_b(seed: int = 5077) -> Style:
    return Style(seed, (150, 3000), NAMES_B, 0.11)


def layouts(style: Style) -> Iterator[Layout]:
    for name, make in makers():
        text, right = make(style)
        yield Layout(name, text, right)


def mixture(seed: int) -> Layout:
    """A log drawn at random from all that the layouts above do one by one, and some more."""
    s = Style(
        seed,
        (120, 2500),
        NAMES_A if seed % 2 else NAMES_B,
        float(np.random.default_rng(seed).uniform(0.02, 0.15)),
    )
    r = s.random
    x = s.frames()
    n = len(x)
    kind = s.one_of("pair", "pair", "pair", "time", "time", "interval")
    starts = kind != "interval" and bool(r.random() < 0.3)
    time_unit, unit = s.one_of(*PER_S), s.one_of("s", "ms", "ms", "us")
    origin = float(r.choice([0.0, 41.5, 7200.25, 3e5]))
    ends = s.ends_s(x, origin)
    runs = bool(kind != "interval" and r.random() < 0.15)
    cut = n // 2
    if runs:
        ends[cut:] -= ends[cut] - x[cut] / 1e3 - origin
    columns = []
    if kind != "interval":
        columns.append(("time", (ends - x / 1e3 if starts else ends) * PER_S[time_unit], DIGITS[time_unit]))
    if kind != "time":
        columns.append(("interval", x / 1e3 * PER_S[unit], DIGITS[unit]))
    others = list(
        r.choice(
            ["fps", "watts", "load", "temp", "clock", "memory", "number", "energy", "busy", "flag"],
            int(r.integers(0, 6)),
            replace=False,
        )
    )
    order = list(r.permutation(len(columns) + len(others)))
    table = Table()
    for place in order:
        if place < len(columns):
            what, values, digits = columns[place]
            table.add(s.name(what), values, digits)
        else:
            s.loads(table, n, x, str(others[place - len(columns)]))
    bad = int(r.integers(20, n - 20)) if r.random() < 0.3 else None
    if bad is not None:
        name = s.one_of(*table.columns)
        table.columns[name][bad] = s.one_of("", "inf", "-nan", "n/a", "²", "1e999")
    delimiter = s.one_of(",", ",", ";", "\t", "|")
    decimal = "," if delimiter in ";\t" and r.random() < 0.5 else "."
    head = bool(r.random() < 0.85)
    before = (
        s.one_of("", "", "# by hand\n", "two words\n\n", delimiter.join(["a"] * len(table.columns)) + "\n")
        if head
        else ""
    )
    text = table.text(delimiter, decimal, head, before, s.one_of("\n", "\r\n"))
    spans = [slice(0, n)] if not runs else [slice(0, cut), slice(cut, n)]
    if kind == "interval":
        spans = [slice(0, n)]
    right = []
    for span in spans:
        mine = x[span]
        right.append(mine[:-1] if kind == "time" and starts else mine[1:] if kind == "time" else mine)
    return Layout(f"mixture-{seed}-{kind}", text, right)
