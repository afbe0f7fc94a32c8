"""Over five hundred logs of known truth, in the styles in which loggers of all kinds write.

Units, clocks, locales, encodings, line ends, headings, preambles, footers, units rows, comments, processes,
runs, gaps, wraps, coarse clocks, flags, containers and paced scenes. The truth is kept in whole nanoseconds,
and the figures are worked out from it with NumPy, by nothing that the reader uses. All names are invented.
"""

from __future__ import annotations

import gzip
import io
import json
import random
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq


@dataclass
class Log:
    name: str
    data: bytes
    map: dict
    truth: np.ndarray  # ns
    want: str = (
        "good"  # good: accepted & right; bad: refused/rejected; told: right or refused or figures noted; says
    )
    tol: float = 0.5
    says: str = ""
    suffix: str = ".csv"


def varied(seed, n=1800, level=9e6):
    r = np.random.default_rng(seed)
    out = level * np.repeat(r.uniform(0.7, 1.4, n // 150 + 1), 150)[:n] * np.exp(0.08 * r.standard_normal(n))
    out[r.integers(20, n - 20, 4)] = r.uniform(50e6, 180e6, 4)
    return np.round(out / 1000).astype(np.int64) * 1000  # whole us


def _text(x):
    return f"{x}"


def col(a, unit, digits):
    per = {"s": 1e9, "ms": 1e6, "us": 1e3, "ns": 1}[unit]
    if digits == 0:
        return [str(round(v / per)) for v in a.tolist()]
    return [f"{v / per:.{digits}f}" for v in a.tolist()]


def csv(cols, head, sep=",", end="\n", pre="", post=""):
    lines = ([sep.join(head)] if head else []) + [sep.join(r) for r in zip(*cols, strict=False)]
    return (pre + end.join(lines) + end + post).encode()


INTERVAL = {"interval_column": "dt"}
PRESENTED = {"presentation_time_column": "at"}
STARTED = {"start_time_column": "from"}
BOTH = {"interval_column": "dt", "presentation_time_column": "at", "time_unit": "s"}


def ENDS(d, o=0):
    return o + np.cumsum(d)


def all_logs(seed):
    d = varied(seed)
    e = ENDS(d)
    n = len(d)
    r = random.Random(seed)
    nr = np.random.default_rng(seed)
    dt = col(d, "ms", 3)
    at = col(e, "s", 6)
    simple = csv([dt], ["dt"])
    # --- units x columns x origin
    for unit, dg in (("s", 6), ("ms", 3), ("us", 0), ("ns", 0)):
        yield Log(f"interval {unit}", csv([col(d, unit, dg)], ["dt"]), {**INTERVAL, "unit": unit}, d)
        for oname, o in (
            ("0", 0),
            ("boot", 123_456_789_000_000),
            ("epoch", 1_900_000_000_123_456_000),
            ("negative", -5_000_000_000),
        ):
            if oname == "epoch" and unit == "s":
                pass
            yield Log(
                f"presented {unit} {oname}",
                csv(
                    [
                        col(ENDS(d, o), unit, dg)
                        if not (oname == "epoch" and unit in ("s", "ms"))
                        else [
                            str(int(v) // (1000)).rjust(1)
                            if unit == "us"
                            else (
                                f"{int(v) // 10**9}.{int(v) % 10**9 // 1000:06d}"
                                if unit == "s"
                                else f"{int(v) // 10**6}.{int(v) % 10**6 // 1000:03d}"
                            )
                            for v in ENDS(d, o)
                        ]
                    ],
                    ["at"],
                ),
                {**PRESENTED, "unit": unit},
                d[1:],
            )
            s = np.concatenate(([o], ENDS(d, o)))
            if oname != "epoch" or unit in ("us", "ns"):
                yield Log(
                    f"starts {unit} {oname}", csv([col(s, unit, dg)], ["from"]), {**STARTED, "unit": unit}, d
                )
            if oname != "epoch" or unit in ("us", "ns"):
                yield Log(
                    f"both {unit} {oname}",
                    csv([col(ENDS(d, o), unit, dg), dt], ["at", "dt"]),
                    {**BOTH, "time_unit": unit},
                    d,
                )
                yield Log(
                    f"both start {unit} {oname}",
                    csv([col(s[:-1], unit, dg), dt], ["from", "dt"]),
                    {**INTERVAL, **STARTED, "time_unit": unit},
                    d,
                )
    for hz in (3_579_545.0, 1e7, 2.4e9, 19_200_000.0, 32768.0 * 1000):
        t = np.round(ENDS(d, 7_000_000_000_000) * hz / 1e9).astype(np.int64)
        yield Log(
            f"ticks {hz:g}",
            csv([list(map(str, t.tolist()))], ["at"]),
            {**PRESENTED, "unit": "ticks", "ticks_per_s": hz},
            d[1:],
        )
        yield Log(
            f"ticks both {hz:g}",
            csv([list(map(str, t.tolist())), dt], ["at", "dt"]),
            {**INTERVAL, **PRESENTED, "time_unit": "ticks", "ticks_per_s": hz},
            d,
        )
    # --- locales, numbers
    com = [x.replace(".", ",") for x in dt]
    yield Log("comma ;", csv([com], ["dt"], ";"), {**INTERVAL, "delimiter": ";", "decimal": ","}, d)
    yield Log(
        "comma tab", csv([com, com], ["dt", "x"], "\t"), {**INTERVAL, "delimiter": "tab", "decimal": ","}, d
    )
    yield Log(
        "comma quoted in commas",
        csv([['"' + x + '"' for x in com]], ["dt"]),
        {**INTERVAL, "decimal": ",", "delimiter": ";"},
        d,
    )
    yield Log(
        "comma quoted, comma delimiter",
        csv([['"' + x + '"' for x in com], at], ["dt", "at"]),
        {**INTERVAL, "delimiter": ","},
        d,
        "bad",
    )
    yield Log("comma ; mapped as point", csv([com], ["dt"], ";"), {**INTERVAL, "delimiter": ";"}, d, "bad")
    yield Log(
        "point mapped as comma",
        csv([dt], ["dt"], ";"),
        {**INTERVAL, "delimiter": ";", "decimal": ","},
        d,
        "bad",
    )
    us = [f"{v // 1000:,}" for v in d.tolist()]
    yield Log(
        "thousands quoted us",
        csv([['"' + x + '"' for x in us]], ["dt"]),
        {**INTERVAL, "unit": "us"},
        d,
        "bad",
    )
    yield Log(
        "thousands point us, decimal comma",
        csv([[x.replace(",", ".") for x in us]], ["dt"], ";"),
        {**INTERVAL, "unit": "us", "delimiter": ";", "decimal": ","},
        d,
        "bad",
    )
    yield Log(
        "thousands point us, decimal point",
        csv([[x.replace(",", ".") for x in us]], ["dt"], ";"),
        {**INTERVAL, "unit": "us", "delimiter": ";"},
        d,
        "bad",
    )
    yield Log(
        "thousands nbsp us",
        csv([[x.replace(",", "\u00a0") for x in us]], ["dt"], ";"),
        {**INTERVAL, "unit": "us", "delimiter": ";"},
        d,
        "bad",
    )
    yield Log("exponent", csv([[f"{v / 1e9:.9e}" for v in d]], ["dt"]), {**INTERVAL, "unit": "s"}, d)
    yield Log("exponent upper +", csv([[f"+{v / 1e9:.9E}" for v in d]], ["dt"]), {**INTERVAL, "unit": "s"}, d)
    yield Log("plus signs", csv([["+" + x for x in dt]], ["dt"]), INTERVAL, d)
    yield Log("leading zeros", csv([[x.rjust(12, "0") for x in dt]], ["dt"]), INTERVAL, d)
    yield Log(
        "padded with spaces",
        csv([[x.rjust(12) for x in dt], [x.ljust(14) for x in at]], ["  dt", " at "]),
        INTERVAL,
        d,
    )
    yield Log("unit in cells", csv([[x + " ms" for x in dt]], ["dt"]), INTERVAL, d, "bad")
    yield Log("trailing comma", csv([[x + "," for x in dt]], ["dt"]), INTERVAL, d)
    yield Log("trailing comma both", csv([[x + "," for x in dt]], ["dt,"]), INTERVAL, d)
    yield Log(
        "all quoted",
        csv([['"' + x + '"' for x in dt], ['"' + x + '"' for x in at]], ['"dt"', '"at"']),
        INTERVAL,
        d,
    )
    yield Log("single quoted", csv([["'" + x + "'" for x in dt]], ["dt"]), INTERVAL, d, "bad")
    yield Log(
        "name with comma quoted",
        csv([dt, ['"Harbour, Lights"'] * n], ["dt", "who"]),
        {**INTERVAL, "filter_column": "who", "filter_value": "Harbour, Lights"},
        d,
    )
    yield Log(
        "quote in name",
        csv([dt, ['"The ""Deep"" 2"'] * n], ["dt", "who"]),
        {**INTERVAL, "filter_column": "who", "filter_value": 'The "Deep" 2'},
        d,
    )
    yield Log("unquoted inch mark", csv([dt, ['27" panel'] * n], ["dt", "who"]), INTERVAL, d)
    yield Log(
        "no leading zero", csv([[f"{v / 1e9:.6f}"[1:] for v in d]], ["dt"]), {**INTERVAL, "unit": "s"}, d
    )
    yield Log(
        "trailing point", csv([[f"{int(v) // 1000}." for v in d]], ["dt"]), {**INTERVAL, "unit": "us"}, d
    )
    yield Log("17 digits", csv([[repr(v / 1e6) for v in d.tolist()]], ["dt"]), INTERVAL, d)
    yield Log(
        "arabic digits",
        csv([[x.translate(str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩")) for x in dt]], ["dt"]),
        INTERVAL,
        d,
        "told",
    )
    yield Log("unicode minus", csv([["\u2212" + x for x in dt]], ["dt"]), INTERVAL, d, "bad")
    # --- encodings, line ends
    txt = simple.decode()
    for enc in ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "cp1252"):
        yield Log(f"enc {enc}", txt.encode(enc), {**INTERVAL, "encoding": enc}, d)
        yield Log(
            f"enc {enc} undeclared",
            txt.encode(enc),
            INTERVAL,
            d,
            "good" if enc in ("utf-16", "utf-32", "utf-8-sig", "cp1252") else "told",
        )
    yield Log("utf16 be bom", b"\xfe\xff" + txt.encode("utf-16-be"), INTERVAL, d)
    yield Log("bom + quotes", b"\xef\xbb\xbf" + csv([['"' + x + '"' for x in dt]], ['"dt"']), INTERVAL, d)
    yield Log(
        "bom no header", b"\xef\xbb\xbf" + csv([dt], None), {"interval_column": "#1", "header": False}, d
    )
    yield Log("bom before preamble", b"\xef\xbb\xbfmade\n" + simple, {**INTERVAL, "skip_rows": 1}, d)
    yield Log("bom before comment", b"\xef\xbb\xbf# made\n" + simple, {**INTERVAL, "comment": "#"}, d)
    yield Log(
        "cp1252 micro heading",
        ("dt (µs)\n" + "\n".join(col(d, "us", 0)) + "\n").encode("cp1252"),
        {"interval_column": "dt (µs)", "unit": "us", "encoding": "cp1252"},
        d,
    )
    yield Log(
        "cp1252 micro heading undeclared",
        ("dt (µs)\n" + "\n".join(col(d, "us", 0)) + "\n").encode("cp1252"),
        {"interval_column": "dt (µs)", "unit": "us"},
        d,
        "bad",
    )
    yield Log(
        "cp1252 name in rows",
        csv([dt], ["dt"]).replace(b"\n", b",M\xfcller\n").replace(b"M\xfcller", b"who", 1),
        INTERVAL,
        d,
    )
    for ename, en in (("CR", "\r"), ("CRLF", "\r\n"), ("CRCRLF", "\r\r\n"), ("LFCR", "\n\r")):
        yield Log(f"ends {ename}", csv([dt, at], ["dt", "at"], end=en), INTERVAL, d)
        yield Log(
            f"ends {ename} utf16", csv([dt, at], ["dt", "at"], end=en).decode().encode("utf-16"), INTERVAL, d
        )
    yield Log(
        "ends mixed",
        b"".join((f"{x}".encode() + r.choice([b"\n", b"\r\n", b"\r"])) for x in ["dt", *dt]),
        INTERVAL,
        d,
    )
    yield Log(
        "CR after long preamble",
        ("note " * 1500 + "\r" + "\r".join(["dt", *dt]) + "\r").encode(),
        {**INTERVAL, "skip_rows": 1},
        d,
    )
    yield Log(
        "CR body, LF preamble",
        ("made by hand\n" + "\r".join(["dt", *dt]) + "\r").encode(),
        {**INTERVAL, "skip_rows": 1},
        d,
    )
    yield Log("blank line between rows", csv([dt], ["dt"], end="\n\n"), INTERVAL, d)
    yield Log("no final line end", simple[:-1], INTERVAL, d, tol=1)
    yield Log("NUL padding at end", simple + b"\0" * 4096, INTERVAL, d, tol=1)
    yield Log("NUL padding at end, both", csv([at, dt], ["at", "dt"]) + b"\0" * 4096, BOTH, d, tol=1)
    k = len(simple) // 2
    k = simple.index(b"\n", k) + 1
    yield Log("NUL hole in the middle", simple[:k] + b"\0" * 512 + simple[k + 512 :], INTERVAL, d, "told")
    yield Log("ctrl-Z at end", simple + b"\x1a", INTERVAL, d)
    yield Log("ctrl-Z line at end", simple + b"\x1a\r\n", INTERVAL, d)
    yield Log("form feed lines", simple.replace(b"\n", b"\n\x0c\n", 3), INTERVAL, d)
    # --- size
    yield Log("empty file", b"", INTERVAL, d, "bad")
    yield Log("one newline", b"\n", INTERVAL, d, "bad")
    yield Log("header only", b"dt", INTERVAL, d, "bad")
    yield Log("header only nl", b"dt\n", INTERVAL, d, "bad")
    yield Log("header only both", b"at,dt\n", BOTH, d, "bad")
    for m in (1, 2, 3):
        yield Log(f"{m} rows", csv([dt[:m]], ["dt"]), INTERVAL, d[:m], "told")
    for m in (1, 2, 3):
        yield Log(f"{m} rows times", csv([at[:m]], ["at"]), {**PRESENTED, "unit": "s"}, d[1:m], "told")
    yield Log("bom only", b"\xef\xbb\xbf", INTERVAL, d, "bad")
    yield Log("NULs only", b"\0" * 2000, INTERVAL, d, "bad")
    # --- preambles, footers, units rows, comments
    yield Log(
        "preamble 5 lines",
        b"made by hand\nversion,3\n\nstart,2031-04-05 10:11:12\n-----\n" + simple,
        {**INTERVAL, "skip_rows": 5},
        d,
    )
    yield Log("preamble, skip too low", b"a\nb\nc\n" + simple, {**INTERVAL, "skip_rows": 2}, d, "bad")
    yield Log("preamble, skip too high", b"a\n" + simple, {**INTERVAL, "skip_rows": 3}, d, "bad")
    yield Log(
        "preamble, skip too high, no header",
        b"a\n" + csv([dt], None),
        {"interval_column": "#1", "header": False, "skip_rows": 3},
        d,
    )
    u = csv([["ms", *dt], ["s", *at]], ["dt", "at"])
    yield Log("units row", u, INTERVAL, d)
    yield Log("units row both", u, BOTH, d)
    yield Log("units row times", u, {**PRESENTED, "unit": "s"}, d[1:])
    yield Log("units row brackets", csv([["[ms]", *dt], ["[s]", *at]], ["dt", "at"]), INTERVAL, d)
    yield Log("types row", csv([["float64", *dt]], ["dt"]), INTERVAL, d)
    yield Log(
        "dashes row", csv([["---", *dt], ["---", *at]], ["dt", "at"], "|"), {**INTERVAL, "delimiter": "|"}, d
    )
    yield Log("empty row under header", csv([["", *dt], ["", *at]], ["dt", "at"]), INTERVAL, d)
    yield Log("header not declared off", simple, {"interval_column": "#1", "header": False}, d)
    for fname, foot in (
        ("words", "end of log\n"),
        ("average", "Average,12.345\n"),
        ("average first", "12.345,Average\n"),
        ("count", f"# rows: {n}\n"),
        ("total sum", f"{sum(d) / 1e6:.3f}\n"),
        ("blank + summary", "\nSummary\nFrames,1800\nMean,9.5\n"),
        ("json", '{"end": true}\n'),
        ("dash line", "-----------\n"),
    ):
        two = csv([dt, ["a"] * n], ["dt", "x"], post=foot)
        one = csv([dt], ["dt"], post=foot)
        w = "told" if fname in ("total sum", "average first", "count", "blank + summary", "json") else "good"
        yield Log(
            f"footer {fname}",
            two,
            INTERVAL,
            d,
            "told" if fname == "total sum" or "first" in fname else "good",
            says="",
        )
        yield Log(f"footer {fname} both", csv([at, dt], ["at", "dt"], post=foot), BOTH, d, "told")
        yield Log(f"footer {fname} one column", one, INTERVAL, d, "told")
    yield Log(
        "comments inside",
        b"# a\n" + simple.replace(b"\n", b"\n# mark\n", 40),
        {**INTERVAL, "comment": "#"},
        d,
    )
    yield Log(
        "comments // inside",
        b"// a\n" + simple.replace(b"\n", b"\n// mark\n", 40),
        {**INTERVAL, "comment": "//"},
        d,
    )
    yield Log("comments not declared", simple.replace(b"\n", b"\n# mark\n", 3), INTERVAL, d, "told")
    yield Log(
        "indented comments", simple.replace(b"\n", b"\n  # mark\n", 30), {**INTERVAL, "comment": "#"}, d
    )
    yield Log(
        "event lines inside",
        csv([at, dt], ["at", "dt"]).replace(b"\n", b"\nEVENT scene loaded\n", 3),
        BOTH,
        d,
        "told",
    )
    # header oddities
    yield Log("double headings", csv([at, dt, dt], ["x", "x", "dt"]), INTERVAL, d)
    yield Log("double headings mapped", csv([at, dt], ["dt", "dt"]), INTERVAL, d, "bad")
    yield Log("by number", csv([at, dt], ["dt", "dt"]), {"interval_column": "#2"}, d)
    yield Log("heading case", csv([dt], ["DT"]), INTERVAL, d, "told")
    yield Log(
        "heading quoted newline", b'"d\nt",x\n' + csv([dt, at], None), {"interval_column": "#1"}, d, "told"
    )
    yield Log("heading with comma", csv([dt, at], ['"dt, ms"', "at"]), {"interval_column": "dt, ms"}, d)
    yield Log("empty heading", csv([dt, at], ["", "at"]), {"interval_column": "#1"}, d)
    yield Log(
        "index column unnamed (short header)", csv([list(map(str, range(n))), dt], ["dt"]), INTERVAL, d, "bad"
    )
    yield Log(
        "aligned by spaces",
        ("dt        at\n" + "".join(f"{a:<10}{b}\n" for a, b in zip(dt, at, strict=False))).encode(),
        {**INTERVAL, "delimiter": "space"},
        d,
        "told",
    )
    yield Log(
        "aligned right by spaces",
        ("      dt       at\n" + "".join(f"{a:>8} {b:>8}\n" for a, b in zip(dt, at, strict=False))).encode(),
        {**INTERVAL, "delimiter": "space"},
        d,
        "told",
    )
    yield Log("single spaces", csv([dt, at], ["dt", "at"], " "), {**INTERVAL, "delimiter": "space"}, d)
    yield Log("bars with spaces", csv([dt, at], ["dt", "at"], " | "), {**INTERVAL, "delimiter": "|"}, d)
    yield Log(
        "markdown table",
        (
            "| dt | at |\n|----|----|\n" + "".join(f"| {a} | {b} |\n" for a, b in zip(dt, at, strict=False))
        ).encode(),
        {**INTERVAL, "delimiter": "|"},
        d,
    )
    yield Log("semicolon mapped as comma", csv([dt, at], ["dt", "at"], ";"), INTERVAL, d, "bad")
    yield Log(
        "sep= line",
        b"sep=;\n" + csv([dt, at], ["dt", "at"], ";"),
        {**INTERVAL, "delimiter": ";", "skip_rows": 1},
        d,
    )
    yield Log(
        "ragged: extra note on some rows",
        b"".join(x.encode() + (b",note" if i % 600 == 7 else b"") + b"\n" for i, x in enumerate(["dt", *dt])),
        INTERVAL,
        d,
        "told",
    )
    # --- several processes
    d2 = varied(seed + 77)
    e2 = ENDS(d2)
    ev = sorted(
        [(t, "harbour", x) for t, x in zip(e.tolist(), d.tolist(), strict=False)]
        + [(t, "menu", x) for t, x in zip(e2.tolist(), d2.tolist(), strict=False)]
    )
    cat = np.array([x[0] for x in ev])
    cd = np.array([x[2] for x in ev])

    def mix():
        return csv(
            [
                col(cat, "s", 6),
                col(cd, "ms", 3),
                [x[1] for x in ev],
                [{"harbour": "4312", "menu": "77"}[x[1]] for x in ev],
            ],
            ["at", "dt", "who", "pid"],
        )

    yield Log("two processes name", mix(), {**BOTH, "filter_column": "who", "filter_value": "harbour"}, d)
    yield Log("two processes pid", mix(), {**BOTH, "filter_column": "pid", "filter_value": 4312}, d)
    yield Log(
        "two processes time only",
        mix(),
        {**PRESENTED, "unit": "s", "filter_column": "who", "filter_value": "harbour"},
        d[1:],
    )
    yield Log(
        "two processes wrong name", mix(), {**BOTH, "filter_column": "who", "filter_value": "Deck"}, d, "told"
    )
    yield Log("two processes no filter", mix(), BOTH, d, "bad")
    yield Log(
        "two processes, both values",
        mix(),
        {**BOTH, "filter_column": "who", "filter_value": ["harbour", "menu"]},
        d,
        "bad",
    )
    yield Log(
        "pid as float",
        mix().replace(b",4312\n", b",4312.0\n"),
        {**BOTH, "filter_column": "pid", "filter_value": 4312},
        d,
        "told",
    )
    # --- runs, restarts
    h = ["at", "dt"]
    run2 = csv([col(e2, "s", 6), col(d2, "ms", 3)], h)
    run1 = csv([at, dt], h)
    run2n = run2[len(b"at,dt\n") :]
    for k, w, t in (
        ("stop", "bad", d),
        ("first-run", "good", d),
        ("last-run", "good", d2),
        ("sort", "bad", d),
    ):
        yield Log(f"two runs headed {k}", run1 + run2, {**BOTH, "when_time_goes_back": k}, t, w)
        yield Log(f"two runs {k}", run1 + run2n, {**BOTH, "when_time_goes_back": k}, t, w)
        yield Log(
            f"two runs times {k}",
            run1 + run2n,
            {**PRESENTED, "unit": "s", "when_time_goes_back": k},
            t[1:],
            w,
        )
    yield Log("three runs last", run1 + run2 + run1, {**BOTH, "when_time_goes_back": "last-run"}, d)
    yield Log(
        "two runs intervals, headed",
        csv([dt], ["dt"]) + csv([col(d2, "ms", 3)], ["dt"]),
        INTERVAL,
        np.concatenate((d, d2)),
        "good",
        says="header stands",
    )
    g = e.copy()
    g[900:] += 4_000_000_000
    yield Log("restart gap 4 s both", csv([col(g, "s", 6), dt], h), BOTH, d, "told")
    g = e.copy()
    g[900:] += 40_000_000_000
    yield Log("restart gap 40 s both", csv([col(g, "s", 6), dt], h), BOTH, d, "told")
    yield Log("restart gap 40 s times", csv([col(g, "s", 6)], ["at"]), {**PRESENTED, "unit": "s"}, d, "bad")
    sw = e.copy()
    sw[500], sw[501] = sw[501], sw[500]
    yield Log(
        "one swap, last-run",
        csv([col(sw, "s", 6), dt], h),
        {**BOTH, "when_time_goes_back": "last-run"},
        d,
        "told-left",
    )
    yield Log(
        "one swap, first-run",
        csv([col(sw, "s", 6), dt], h),
        {**BOTH, "when_time_goes_back": "first-run"},
        d,
        "told-left",
    )
    yield Log(
        "one swap late, last-run",
        csv([col(np.concatenate((e[:1700], e[1700:1702][::-1], e[1702:])), "s", 6)], ["at"]),
        {**PRESENTED, "unit": "s", "when_time_goes_back": "last-run"},
        d,
        "told-left",
    )
    yield Log("one swap, stop", csv([col(sw, "s", 6), dt], h), BOTH, d, "told")
    yield Log(
        "one swap, sort, times",
        csv([col(sw, "s", 6)], ["at"]),
        {**PRESENTED, "unit": "s", "when_time_goes_back": "sort"},
        d[1:],
    )
    nt = e.copy()
    nt[900:] -= 30_000_000
    yield Log("clock set back 30 ms", csv([col(nt, "s", 6), dt], h), BOTH, d, "told")
    nt = e.copy()
    nt[900:] += 300_000_000
    yield Log("clock set forward 300 ms both", csv([col(nt, "s", 6), dt], h), BOTH, d, "told")
    # --- wraps
    for m, _unit in ((1000, "s"), (60, "s"), (3600, "s")):
        base = m * 10**9 - int(sum(d[:700]))
        w = (base + np.cumsum(d)) % (m * 10**9)
        yield Log(f"wraps at {m} s", csv([col(w, "s", 6)], ["at"]), {**PRESENTED, "unit": "s"}, d[1:], "told")
        yield Log(
            f"wraps at {m} s last-run",
            csv([col(w, "s", 6)], ["at"]),
            {**PRESENTED, "unit": "s", "when_time_goes_back": "last-run"},
            d[1:],
            "told-left",
        )
    for bits, unit in ((32, "us"), (32, "ns"), (31, "us"), (24, "us"), (16, "ms")):
        per = {"us": 1000, "ns": 1, "ms": 10**6}[unit]
        tt = np.cumsum(d) // per
        base = (1 << bits) - int(tt[700])
        w = (tt + base) % (1 << bits)
        yield Log(
            f"wraps {bits} bit {unit}",
            csv([list(map(str, w.tolist()))], ["at"]),
            {**PRESENTED, "unit": unit},
            d[1:],
            "told",
            tol=8 if unit == "ms" else 0.5,
        )
        yield Log(
            f"wraps {bits} bit {unit} sort",
            csv([list(map(str, w.tolist()))], ["at"]),
            {**PRESENTED, "unit": unit, "when_time_goes_back": "sort"},
            d[1:],
            "told",
            tol=8 if unit == "ms" else 0.5,
        )
    sg = (np.cumsum(d) // 1000 + (1 << 31) - int(sum(d[:700]) // 1000) + (1 << 31)) % (1 << 32) - (1 << 31)
    yield Log(
        "signed 32 wrap us",
        csv([list(map(str, sg.tolist()))], ["at"]),
        {**PRESENTED, "unit": "us"},
        d[1:],
        "told",
    )

    # --- text clocks
    def hms(v):
        s = v // 10**9
        return f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}.{v % 10**9 // 1000:06d}"

    yield Log(
        "clock as h:m:s",
        csv([[hms(int(v)) for v in e + 36 * 10**12]], ["at"]),
        {**PRESENTED, "unit": "s"},
        d[1:],
        "bad",
    )
    yield Log(
        "ISO time",
        csv([["2031-04-05T" + hms(int(v)) for v in e + 36 * 10**12]], ["at"]),
        {**PRESENTED, "unit": "s"},
        d[1:],
        "bad",
    )
    yield Log(
        "h:m:s and interval", csv([[hms(int(v)) for v in e + 36 * 10**12], dt], ["at", "dt"]), INTERVAL, d
    )
    # --- coarse
    for stp, w in ((1_000_000, "good"), (15_625_000, "told"), (100_000, "good"), (10_000_000, "told")):
        c = e // stp * stp
        yield Log(
            f"coarse times {stp / 1e6:g} ms",
            csv([col(c, "ms", 3)], ["at"]),
            {**PRESENTED, "unit": "ms"},
            d[1:],
            w,
            tol=9 if stp >= 1e6 else 1.5,
            says="steps of" if stp == 1_000_000 else "",
        )
        yield Log(f"coarse time, fine interval {stp / 1e6:g} ms", csv([col(c, "s", 6), dt], h), BOTH, d)
    yield Log("time to 0.1 s, fine interval", csv([[f"{v / 1e9:.1f}" for v in e], dt], h), BOTH, d)
    yield Log("time to 1 s, fine interval", csv([[f"{v // 10**9}" for v in e], dt], h), BOTH, d)
    fl = np.repeat(e[9::10], 10)[:n]
    yield Log("time written at flush of 10", csv([col(fl, "s", 6), dt], h), BOTH, d, "told")
    yield Log(
        "interval whole ms",
        csv([[str(round(v / 1e6)) for v in d]], ["dt"]),
        INTERVAL,
        d,
        tol=9,
        says="steps of",
    )
    yield Log(
        "interval 2 digits s",
        csv([[f"{v / 1e9:.2f}" for v in d]], ["dt"]),
        {**INTERVAL, "unit": "s"},
        d,
        "told",
        tol=60,
        says="",
    )
    for drift, w in ((1.003, "good"), (1.008, "good"), (1.03, "bad"), (0.97, "bad")):
        yield Log(
            f"clocks drift {drift}",
            csv([col(np.round(e * drift).astype(np.int64), "s", 6), dt], h),
            BOTH,
            d,
            w,
        )
    jit = np.sort(e + np.random.default_rng(seed).normal(0, 1.5e6, n).astype(np.int64))
    yield Log("time jitters 1.5 ms against interval", csv([col(jit, "s", 6), dt], h), BOTH, d, "told")
    f32 = np.float32(e / 1e9 + 1.9e9)
    yield Log(
        "epoch seconds float32",
        csv([[f"{v:.6f}" for v in f32]], ["at"]),
        {**PRESENTED, "unit": "s"},
        d,
        "bad",
    )
    yield Log(
        "interval float32 s",
        csv([[repr(float(np.float32(v / 1e9))) for v in d]], ["dt"]),
        {**INTERVAL, "unit": "s"},
        d,
    )
    yield Log(
        "epoch s 3 decimals",
        csv([[f"{1900000000 + v // 10**9}.{v % 10**9 // 10**6:03d}" for v in e.tolist()]], ["at"]),
        {**PRESENTED, "unit": "s"},
        d[1:],
        tol=9,
        says="steps of",
    )
    # --- wrong units
    yield Log("both: interval us called ms", csv([at, col(d, "us", 0)], h), BOTH, d, "bad")
    yield Log("both: time ms called s", csv([col(e, "ms", 3), dt], h), BOTH, d, "bad")
    yield Log("interval us called ms", csv([col(d, "us", 0)], ["dt"]), INTERVAL, d, "bad")
    yield Log("interval ns called ms", csv([col(d, "ns", 0)], ["dt"]), INTERVAL, d, "bad")
    yield Log("interval s called ms", csv([col(d, "s", 6)], ["dt"]), INTERVAL, d, "bad")
    yield Log("times us called s", csv([col(e, "us", 0)], ["at"]), {**PRESENTED, "unit": "s"}, d, "bad")
    yield Log("times s called us", csv([col(e, "s", 6)], ["at"]), {**PRESENTED, "unit": "us"}, d, "bad")
    yield Log("times mapped as interval", csv([at], ["dt"]), {**INTERVAL, "unit": "s"}, d, "bad")
    yield Log("frame number as interval", csv([list(map(str, range(1, n + 1)))], ["dt"]), INTERVAL, d, "bad")
    yield Log(
        "frame number as time",
        csv([list(map(str, range(1, n + 1)))], ["at"]),
        {**PRESENTED, "unit": "ms"},
        d,
        "bad",
    )
    yield Log("FPS as interval beside time", csv([at, [f"{1e9 / v:.2f}" for v in d]], h), BOTH, d, "bad")
    # --- first/last oddities
    yield Log("first interval 0", csv([["0.000", *dt]], ["dt"]), INTERVAL, d)
    yield Log("first interval NaN", csv([["NaN", *dt]], ["dt"]), INTERVAL, d)
    yield Log(
        "first interval empty, two columns", csv([["", *dt], ["x"] * (n + 1)], ["dt", "x"]), INTERVAL, d
    )
    yield Log("first interval NaN both", csv([["0.000000", *at], ["NaN", *dt]], h), BOTH, d)
    yield Log("first interval since boot", csv([["918273.5", *dt]], ["dt"]), INTERVAL, d, "bad")
    yield Log("first interval -1", csv([["-1", *dt]], ["dt"]), INTERVAL, d)
    yield Log("last interval 0", csv([[*dt, "0"]], ["dt"]), INTERVAL, d)
    yield Log("last interval empty", csv([[*dt, ""], ["x"] * (n + 1)], ["dt", "x"]), INTERVAL, d)
    yield Log(
        "last interval NaN start both",
        csv([[*col(np.concatenate(([0], e))[:-1], "s", 6), at[-1]], [*dt, "NaN"]], ["from", "dt"]),
        {**INTERVAL, **STARTED, "time_unit": "s"},
        d,
    )
    yield Log(
        "interval of the row before",
        csv([col(np.concatenate(([0], e[:-1])), "s", 6), dt], ["at", "dt"]),
        BOTH,
        d,
    )
    z = list(dt)
    # cut off
    for kcut in (1, 2, 3, 5):
        yield Log(f"cut off by {kcut}", csv([at, dt], h)[:-kcut], BOTH, d, tol=1)
    yield Log("cut off in the middle of header", b"at,d", BOTH, d, "bad")
    # --- flags
    hid = nr.random(n) < 0.06
    hid[0] = hid[-1] = False
    sh = []
    p = 0
    for v, x in zip(d.tolist(), hid.tolist(), strict=False):
        p += v
        if not x:
            sh.append(p)
            p = 0
    sh = np.array(sh)
    for yes, no, extra, w in (
        ("1", "0", {}, "good"),
        ("TRUE", "FALSE", {}, "good"),
        ("yes", "no", {}, "good"),
        ("Y", "N", {}, "told"),
        ("X", "", {}, "bad"),
        ("discarded", "shown", {}, "bad"),
        ("discarded", "shown", {"dropped_values": ["discarded"]}, "good"),
        ("0", "1", {"dropped_values": ["0"]}, "good"),
        ("not displayed", "displayed", {"dropped_values": ["Not Displayed"]}, "good"),
        ("1.0", "0.0", {}, "told"),
        ("true ", "false ", {}, "good"),
        ("late", "on time", {"dropped_values": ["dropped"]}, "told"),
        ("2", "0", {}, "bad"),
    ):
        for kind in ("dropped", "generated"):
            ex = {k.replace("dropped", kind): v for k, v in extra.items()}
            fl = [yes if x else no for x in hid]
            yield Log(
                f"{kind} {yes}/{no} {bool(ex)}",
                csv([dt, fl], ["dt", "flag"]),
                {**INTERVAL, f"{kind}_column": "flag", **ex},
                sh,
                w if yes != "late" else "told-note",
            )
            yield Log(
                f"{kind} {yes}/{no} {bool(ex)} times",
                csv([at, fl], ["at", "flag"]),
                {**PRESENTED, "unit": "s", f"{kind}_column": "flag", **ex},
                sh[1:],
                w if yes != "late" else "told-note",
            )
    yield Log(
        "all dropped", csv([dt, ["1"] * n], ["dt", "flag"]), {**INTERVAL, "dropped_column": "flag"}, d, "bad"
    )
    yield Log(
        "generated counted",
        csv([dt, ["1" if i % 2 else "0" for i in range(n)]], ["dt", "flag"]),
        {**INTERVAL, "generated_column": "flag", "generated_frames": "count"},
        d,
    )
    ge = np.repeat(d // 2, 2)
    gt = ["1" if i % 2 == 0 else "0" for i in range(2 * n)]
    yield Log(
        "every second generated",
        csv([col(ge, "ms", 4), gt], ["dt", "flag"]),
        {**INTERVAL, "generated_column": "flag"},
        (d // 2) * 2,
    )
    ge4 = np.repeat(d // 4, 4)
    gt = ["0" if i % 4 == 3 else "1" for i in range(4 * n)]
    yield Log(
        "three of four generated",
        csv([col(ge4, "ms", 5), gt], ["dt", "flag"]),
        {**INTERVAL, "generated_column": "flag"},
        (d // 4) * 4,
    )
    yield Log(
        "every second generated, unflagged, equal", csv([col(ge, "ms", 4)], ["dt"]), INTERVAL, ge, "told"
    )
    yield Log(
        "dropped: time NA",
        csv(
            [["NA" if x else a for a, x in zip(at, hid, strict=False)], ["1" if x else "0" for x in hid]],
            ["at", "flag"],
        ),
        {**PRESENTED, "unit": "s", "dropped_column": "flag"},
        sh[1:],
    )
    yield Log(
        "dropped: time 0",
        csv(
            [["0" if x else a for a, x in zip(at, hid, strict=False)], ["1" if x else "0" for x in hid]],
            ["at", "flag"],
        ),
        {**PRESENTED, "unit": "s", "dropped_column": "flag"},
        sh[1:],
    )
    yield Log(
        "dropped: interval 0 both",
        csv(
            [
                at,
                [
                    "0.000" if x else f"{v / 1e6:.3f}"
                    for v, x in zip([*np.where(hid, 0, 0)], hid, strict=False)
                ],
                ["1" if x else "0" for x in hid],
            ],
            ["at", "dt", "flag"],
        ),
        {**BOTH, "dropped_column": "flag"},
        sh,
        "told",
    )
    it = iter(sh.tolist())
    yield Log(
        "dropped: next interval spans",
        csv(
            [["0.000" if x else f"{next(it) / 1e6:.3f}" for x in hid], ["1" if x else "0" for x in hid]],
            ["dt", "flag"],
        ),
        {**INTERVAL, "dropped_column": "flag"},
        sh,
    )

    # --- other containers
    def parq(t, **k):
        b = io.BytesIO()
        pq.write_table(t, b, **k)
        return b.getvalue()

    parquet = {"suffix": ".parquet"}
    yield Log("pq float64", parq(pa.table({"dt": d / 1e6})), INTERVAL, d, **parquet)
    yield Log("pq float32", parq(pa.table({"dt": (d / 1e6).astype(np.float32)})), INTERVAL, d, **parquet)
    yield Log(
        "pq int32 us",
        parq(pa.table({"dt": (d // 1000).astype(np.int32)})),
        {**INTERVAL, "unit": "us"},
        d,
        **parquet,
    )
    yield Log(
        "pq uint64 ns epoch",
        parq(pa.table({"at": (e + 1_900_000_000_000_000_000).astype(np.uint64)})),
        {**PRESENTED, "unit": "ns"},
        d[1:],
        **parquet,
    )
    yield Log(
        "pq uint32 wrap",
        parq(pa.table({"at": ((e // 1000 + 2**32 - int(sum(d[:500]) // 1000)) % 2**32).astype(np.uint32)})),
        {**PRESENTED, "unit": "us"},
        d[1:],
        "told",
        says="32-bit",
        **parquet,
    )
    import decimal

    yield Log(
        "pq decimal",
        parq(
            pa.table({"dt": pa.array([decimal.Decimal(int(v)).scaleb(-6) for v in d], pa.decimal128(18, 6))})
        ),
        INTERVAL,
        d,
        **parquet,
    )
    yield Log(
        "pq timestamp ns",
        parq(pa.table({"at": pa.array(e + 1_900_000_000_000_000_000, pa.timestamp("ns"))})),
        {**PRESENTED, "time_unit": "date-time"},
        d[1:],
        **parquet,
    )
    yield Log(
        "pq timestamp us, mapped ms",
        parq(pa.table({"at": pa.array(e // 1000 + 1_900_000_000_000_000, pa.timestamp("us"))})),
        {**PRESENTED, "unit": "ms"},
        d[1:],
        "told",
        **parquet,
    )
    yield Log(
        "pq duration us",
        parq(pa.table({"dt": pa.array(d // 1000, pa.duration("us"))})),
        {**INTERVAL, "unit": "us"},
        d,
        **parquet,
    )
    yield Log("pq strings", parq(pa.table({"dt": dt})), INTERVAL, d, "bad", **parquet)
    yield Log(
        "pq nulls",
        parq(pa.table({"dt": pa.array([None if i == 0 else v for i, v in enumerate([0, *(d / 1e6)])])})),
        INTERVAL,
        d,
        **parquet,
    )
    yield Log(
        "pq bool flag",
        parq(pa.table({"dt": d / 1e6, "flag": hid})),
        {**INTERVAL, "dropped_column": "flag"},
        sh,
        **parquet,
    )
    yield Log(
        "pq dictionary who",
        parq(
            pa.table(
                {
                    "at": pa.array(cat / 1e9),
                    "dt": cd / 1e6,
                    "who": pa.array([x[1] for x in ev]).dictionary_encode(),
                }
            )
        ),
        {**BOTH, "filter_column": "who", "filter_value": "harbour"},
        d,
        **parquet,
    )
    yield Log(
        "pq int pid",
        parq(
            pa.table(
                {
                    "at": pa.array(cat / 1e9),
                    "dt": cd / 1e6,
                    "pid": pa.array([1 if x[1] == "harbour" else 2 for x in ev]),
                }
            )
        ),
        {**BOTH, "filter_column": "pid", "filter_value": 1},
        d,
        **parquet,
    )
    yield Log(
        "pq small groups zstd",
        parq(pa.table({"at": e / 1e9, "dt": d / 1e6}), row_group_size=97, compression="zstd"),
        BOTH,
        d,
        **parquet,
    )
    yield Log("pq cut off", parq(pa.table({"dt": d / 1e6}))[:-40], INTERVAL, d, "bad", **parquet)
    yield Log("pq empty", parq(pa.table({"dt": np.array([], float)})), INTERVAL, d, "bad", **parquet)
    jsonl = {"suffix": ".jsonl"}

    def jl(rows):
        return b"".join(json.dumps(x).encode() + b"\n" for x in rows)

    yield Log("jl", jl({"dt": v / 1e6} for v in d.tolist()), INTERVAL, d, **jsonl)
    yield Log(
        "jl bom crlf",
        b"\xef\xbb\xbf" + jl({"dt": v / 1e6} for v in d.tolist()).replace(b"\n", b"\r\n"),
        INTERVAL,
        d,
        **jsonl,
    )
    yield Log(
        "jl events between",
        jl(
            x
            for i, v in enumerate(d.tolist())
            for x in ([{"event": "scene"}] if i == 500 else []) + [{"dt": v / 1e6}]
        ),
        INTERVAL,
        d,
        "told",
        **jsonl,
    )
    yield Log(
        "jl preamble object",
        jl([{"made": "by hand"}, *({"dt": v / 1e6} for v in d.tolist())]),
        INTERVAL,
        d,
        "told",
        **jsonl,
    )
    yield Log("jl strings", jl({"dt": f"{v / 1e6}"} for v in d.tolist()), INTERVAL, d, "bad", **jsonl)
    yield Log(
        "jl ns ints",
        jl({"at": int(v) + 1_900_000_000_000_000_000} for v in e),
        {**PRESENTED, "unit": "ns"},
        d[1:],
        **jsonl,
    )
    yield Log(
        "jl uint64",
        jl({"at": int(v) + 2**63 + 5} for v in e),
        {**PRESENTED, "unit": "ns"},
        d[1:],
        "told",
        **jsonl,
    )
    yield Log(
        "json array lines",
        b"[\n" + b",\n".join(json.dumps({"dt": v / 1e6}).encode() for v in d.tolist()) + b"\n]\n",
        INTERVAL,
        d,
        "good",
        **jsonl,
    )
    yield Log(
        "json array one line",
        json.dumps([{"dt": v / 1e6} for v in d.tolist()]).encode(),
        INTERVAL,
        d,
        "good",
        **jsonl,
    )
    yield Log(
        "jl bool flag",
        jl({"dt": v / 1e6, "flag": bool(x)} for v, x in zip(d.tolist(), hid, strict=False)),
        {**INTERVAL, "dropped_column": "flag"},
        sh,
        **jsonl,
    )
    yield Log(
        "jl utf16", jl({"dt": v / 1e6} for v in d.tolist()).decode().encode("utf-16"), INTERVAL, d, **jsonl
    )
    yield Log("gz", gzip.compress(simple), INTERVAL, d)
    yield Log("gz two members", gzip.compress(simple[:5000]) + gzip.compress(simple[5000:]), INTERVAL, d)
    yield Log("gz cut", gzip.compress(simple)[:-300], INTERVAL, d, "told")
    yield Log("gz utf16", gzip.compress(txt.encode("utf-16")), INTERVAL, d)
    import zipfile

    zb = io.BytesIO()
    z = zipfile.ZipFile(zb, "w", zipfile.ZIP_DEFLATED)
    z.writestr("a.csv", simple)
    z.close()
    yield Log("zip", zb.getvalue(), INTERVAL, d, "bad")
    yield Log("png", b"\x89PNG\r\n\x1a\n" + nr.bytes(5000), INTERVAL, d, "bad")
    yield Log("html page", b"<!DOCTYPE html>\n<html><body>not found</body></html>\n", INTERVAL, d, "bad")
    yield Log(
        "xml",
        b"<frames>" + b"".join(f"<f dt='{x}'/>\n".encode() for x in dt) + b"</frames>",
        INTERVAL,
        d,
        "bad",
    )

    # --- scenes and caps (task 2)
    def scene(name, x, digits, want, says="", unit="ms", tol=0.5):
        x = np.round(np.asarray(x, float)).astype(np.int64)
        yield Log(
            f"scene {name}",
            csv([col(x, unit, digits)], ["dt"]),
            {**INTERVAL, "unit": unit},
            x,
            want,
            says=says,
            tol=tol,
        )
        ee = np.cumsum(x)
        yield Log(
            f"scene {name} both",
            csv([col(ee, "s", 6), col(x, unit, digits)], h),
            {**BOTH, "unit": unit},
            x,
            want,
            says=says,
            tol=tol,
        )
        yield Log(
            f"scene {name} times us",
            csv([col(ee, "us", 0)], ["at"]),
            {**PRESENTED, "unit": "us"},
            x[1:],
            want,
            tol=tol,
        )

    frames = 3600
    yield from scene(
        "steady 4.9±3us 0.1us", np.round((4.9e6 + nr.normal(0, 3e3, frames)) / 100) * 100, 4, "good"
    )
    yield from scene(
        "steady 4.9±3us 1us", np.round((4.9e6 + nr.normal(0, 3e3, frames)) / 1e3) * 1e3, 3, "good"
    )
    yield from scene(
        "steady 4.9±0.5us 0.1us", np.round((4.9e6 + nr.normal(0, 5e2, frames)) / 100) * 100, 4, "good"
    )
    yield from scene("vsync 60 exact 1us", np.full(frames, 16_667_000), 3, "good", "frame-cap")
    yield from scene("vsync 60 exact 0.1us", np.full(frames, 16_666_700), 4, "good", "frame-cap")
    yield from scene("vsync 60 exact 1ns", np.full(frames, 16_666_667), 6, "good", "frame-cap")
    yield from scene(
        "vsync 60 nearly all equal",
        16_667_000 + 1000 * nr.choice([-1, 0, 1], frames, p=[0.02, 0.96, 0.02]),
        3,
        "good",
        "frame-cap",
    )
    yield from scene(
        "vsync 60 16.666/16.667",
        np.where(np.arange(frames) % 3 < 2, 16_667_000, 16_666_000),
        3,
        "good",
        "frame-cap",
    )
    yield from scene(
        "vsync 60, 1 % doubles",
        np.where(nr.random(frames) < 0.01, 33_333_000, 16_667_000),
        3,
        "good",
        "frame-cap",
    )
    yield from scene(
        "vsync 60, 30 % doubles",
        np.where(nr.random(frames) < 0.3, 33_333_000, 16_667_000),
        3,
        "good",
        "frame-cap",
    )
    yield from scene(
        "vsync 60 then doubles",
        np.where(np.arange(frames) < frames // 2, 33_333_000, 16_667_000),
        3,
        "good",
        "frame-cap",
    )
    yield from scene("vsync 59.94 exact", np.full(frames, 16_683_000), 3, "good")
    yield from scene("vsync 143.98 exact", np.full(frames, 6_945_000), 3, "good")
    for fps in (30, 60, 120, 144, 90, 40):
        p = 1e9 / fps
        yield from scene(
            f"cap {fps} jitter 0.01ms clock",
            np.round((p + nr.normal(0, 2e4, frames)) / 1e4) * 1e4,
            2,
            "good",
            "frame-cap",
        )
        yield from scene(
            f"cap {fps} jitter 0.3 ms", np.round((p + nr.normal(0, 3e5, frames)) / 1e3) * 1e3, 3, "good", ""
        )
        yield from scene(
            f"cap {fps} exact to us", np.full(frames, round(p / 1000) * 1000), 3, "good", "frame-cap"
        )
    g = np.floor(np.arange(frames + 1) * 1e9 / 120 / 1e6)
    yield from scene("120 Hz whole ms 8 8 9", np.diff(g) * 1e6, 0, "good", "")
    g = np.floor(np.arange(frames + 1) * 1e9 / 60 / 1e6)
    yield from scene("60 Hz whole ms 16 17 17", np.diff(g) * 1e6, 0, "good", "")
    g = np.floor(np.arange(frames + 1) * 1e9 / 144 / 1e6)
    yield from scene("144 Hz whole ms 7 7 7 6", np.diff(g) * 1e6, 0, "good", "")
    yield from scene("cap odd rate 57 exact to us", np.full(frames, 17_544_000), 3, "told", "")
    yield from scene("frozen 13.482 whole log", np.full(frames, 13_482_000), 3, "told", "")
    yield from scene(
        "limiter pattern repeats 5",
        np.tile([9_990_000, 10_010_000, 10_000_000, 10_005_000, 9_995_000], frames // 5),
        3,
        "good",
        "",
    )
    yield from scene("menu 1000 fps", np.round(nr.normal(1e6, 5e4, frames) / 1e3) * 1e3, 3, "good", "")
    yield from scene("menu 5000 fps", np.round(nr.normal(2e5, 1e4, frames * 3) / 1e2) * 1e2, 4, "good", "")
    v = varied(seed + 5, frames)
    m = v.copy()
    m[1000:1600] = 16_667_000
    yield from scene("menu capped 60 in a varied run", m, 3, "good", "")
    m = v.copy()
    m[1000:1600] = np.round((16.667e6 + nr.normal(0, 3e3, 600)) / 1e3) * 1e3
    yield from scene("menu vsync in a varied run", m, 3, "good", "")
    m = v.copy()
    m[1000] = 4_500_000_000
    yield from scene("loading 4.5 s", m, 3, "good", "")
    m = v.copy()
    m[1000] = 5_500_000_000
    yield from scene("loading 5.5 s", m, 3, "bad", "")
    m = v.copy()
    m[[500, 1000, 1500, 2000]] = 2_000_000_000
    yield from scene("four hitches 2 s", m, 3, "good", "")
    m = v.copy()
    m[1000:1300] = m[1000]
    yield Log("freeze 300 of 3600 interval", csv([col(m, "ms", 3)], ["dt"]), INTERVAL, v, "bad")
    yield Log("freeze 300 of 3600 both", csv([col(np.cumsum(v), "s", 6), col(m, "ms", 3)], h), BOTH, v, "bad")
    m = np.concatenate((v[:2000], v[1500:2000], v[2000:]))
    yield Log("block of 500 again", csv([col(m, "ms", 3)], ["dt"]), INTERVAL, v, "bad")
    m = np.repeat(v, 2)
    yield Log("each row twice", csv([col(m, "ms", 3)], ["dt"]), INTERVAL, v, "bad")
    m = np.repeat(np.round(v / 1e5) * 1e5, 2).astype(np.int64)
    yield Log("each row twice 0.1 ms", csv([col(m, "ms", 1)], ["dt"]), INTERVAL, v, "bad")
    m = np.repeat(np.round(v / 1e6) * 1e6, 2).astype(np.int64)
    yield Log("each row twice 1 ms", csv([col(m, "ms", 0)], ["dt"]), INTERVAL, v, "bad")
    lp = v[:900]
    yield Log(
        "benchmark loop 4x, jitter",
        csv(
            [
                col(
                    np.round(np.tile(lp, 4) * np.exp(0.01 * nr.standard_normal(3600)) / 1e3).astype(np.int64)
                    * 1000,
                    "ms",
                    3,
                )
            ],
            ["dt"],
        ),
        INTERVAL,
        np.round(np.tile(lp, 4)).astype(np.int64),
        "told",
        tol=2,
    )


def truth(t):
    t = np.asarray(t, dtype=np.float64)
    return len(t) * 1e9 / t.sum(), 1e9 / np.percentile(t, 99)
