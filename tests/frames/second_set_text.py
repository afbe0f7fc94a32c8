"""Logs of known truth, second set: encodings, compression, two columns, several programs, flags."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random

import pyarrow as pa

from tests.frames.second_set import PER, Logs, ends, lines, num, walk


def text_logs() -> Logs:
    """The logs."""
    logs = Logs(300)
    # --- plain layouts: units x separators x decimals x line ends
    for unit in ("s", "ms", "us"):
        for sep, sname in ((",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar"), (" ", "space")):
            u = logs.draw()
            nl = ("\n", "\r\n", "\r")[len(logs) % 3]
            rows = [["n", "len", "gpu"]] + [
                [str(i), num(x, PER[unit]), str(50 + i % 40)] for i, x in enumerate(u)
            ]
            logs.add(
                f"plain {unit} {sname} {nl!r}",
                lines(rows, sep, nl, last=len(logs) % 2 == 0),
                {"interval_column": "len", "unit": unit, "delimiter": sname},
                u,
            )
    for unit in ("s", "ms", "us"):
        u = logs.draw()
        dec = ","
        rows = [["wert", "dauer"]] + [[str(i), num(x, PER[unit], ",")] for i, x in enumerate(u)]
        logs.add(
            f"comma decimals {unit}",
            lines(rows, ";", "\r\n"),
            {"interval_column": "dauer", "unit": unit, "delimiter": ";", "decimal": ","},
            u,
        )
    # thousands
    for th, dec in ((",", "."), (".", ","), (" ", ","), ("'", "."), ("_", ".")):
        u = logs.draw()
        rows = [["a", "us"]] + [[str(i), num(x, 10, dec, 1, th)] for i, x in enumerate(u)]
        logs.add(
            f"thousands {th!r}",
            lines(rows, ";"),
            {"interval_column": "us", "unit": "us", "delimiter": ";", "decimal": dec, "thousands": th},
            u,
        )
        logs.add(
            f"thousands {th!r} not said",
            lines(rows, ";"),
            {"interval_column": "us", "unit": "us", "delimiter": ";", "decimal": dec},
            None,
        )
    # encodings
    for enc in ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252", "utf-32"):
        u = logs.draw()
        t = lines([["Bild", "Dauer_µs"]] + [[str(i), num(x, 10)] for i, x in enumerate(u)], ";", "\r\n")
        m = {"interval_column": "Dauer_µs", "unit": "us", "delimiter": ";"}
        if enc in ("utf-16-le", "utf-16-be", "latin-1", "cp1252"):
            m["encoding"] = enc
        logs.add(f"encoding {enc}", t.encode(enc), m, u)
    u = walk(8)
    t = lines([["Bild", "Dauer_µs"]] + [[str(i), num(x, 10)] for i, x in enumerate(u)])
    logs.add(
        "latin-1 not said",
        t.encode("latin-1"),
        {"interval_column": "#2", "unit": "us"},
        None,
        may_refuse=True,
    )
    # compression
    plain = lines([["f", "ms"]] + [[str(i), num(x, 10**4)] for i, x in enumerate(u)]).encode()
    m = {"interval_column": "ms"}
    logs.add("gz", gzip.compress(plain), m, u, suffix=".csv.gz")
    logs.add("bz2", bz2.compress(plain), m, u, suffix=".csv.bz2")
    logs.add("xz", lzma.compress(plain), m, u, suffix=".csv.xz")
    logs.add("zst", pa.compress(plain, codec="zstd", asbytes=True), m, u, suffix=".zst")
    two = gzip.compress(plain[:5000]) + gzip.compress(plain[5000:])
    logs.add("gz of two members", two, m, u, suffix=".gz")
    # interval + time both
    for kind in ("ends", "starts"):
        u = walk(13 + (kind == "ends"))
        t = ends(u)
        tt = t if kind == "ends" else [0, *t[:-1]]
        key = "presentation_time_column" if kind == "ends" else "start_time_column"
        rows = [["t", "d"]] + [[num(a, 10**7), num(b, 10**4)] for a, b in zip(tt, u, strict=True)]
        m = {"interval_column": "d", key: "t", "time_unit": "s"}
        logs.add(f"both {kind}", lines(rows), m, u)
        r2 = rows[:500] + rows[900:]
        logs.add(f"both {kind} hole", lines(r2), m, u[:499] + u[899:], marked_ok=True, may_refuse=True)
        r2 = rows[:500] + [r for r in rows[500:700] for _ in (0, 1)] + rows[700:]
        logs.add(f"both {kind} doubled", lines(r2), m, u, may_refuse=True)
        r2 = [*rows, ["", num(sum(u), 10**4)]]
        logs.add(f"both {kind} total below", lines(r2), m, u, may_refuse=True)
        r2 = [*rows, ["Total", num(sum(u), 10**4)]]
        logs.add(f"both {kind} word total below", lines(r2), m, u, may_refuse=True)
        m2 = {**m, "unit": "s"}
        logs.add(f"both {kind} wrong unit", lines(rows), m2, None)
    # process mixture
    ua, ub = walk(21, 900), walk(22, 700, base=16)
    ev = sorted(
        [(a, "alpha", x) for a, x in zip(ends(ua), ua, strict=True)]
        + [(b, "beta.exe", x) for b, x in zip(ends(ub, 777), ub, strict=True)]
    )
    rows = [["app", "t", "d"]] + [[n, num(a, 10**7), num(x, 10**4)] for a, n, x in ev]
    logs.add(
        "two processes filter",
        lines(rows),
        {"interval_column": "d", "filter_column": "app", "filter_value": "alpha"},
        ua,
    )
    logs.add(
        "two processes filter time",
        lines(rows),
        {"presentation_time_column": "t", "unit": "s", "filter_column": "app", "filter_value": "beta.exe"},
        ub[1:],
    )
    logs.add(
        "two processes filter both",
        lines(rows),
        {
            "interval_column": "d",
            "presentation_time_column": "t",
            "time_unit": "s",
            "filter_column": "app",
            "filter_value": "beta.exe",
        },
        ub,
    )
    logs.add(
        "two processes no filter both",
        lines(rows),
        {"interval_column": "d", "presentation_time_column": "t", "time_unit": "s"},
        None,
    )
    logs.add(
        "filter wrong value",
        lines(rows),
        {"interval_column": "d", "filter_column": "app", "filter_value": "gamma"},
        None,
    )
    logs.add(
        "filter by pid",
        lines([["pid", "d"]] + [["4711" if n == "alpha" else "0042", num(x, 10**4)] for a, n, x in ev]),
        {"interval_column": "d", "filter_column": "pid", "filter_value": 4711},
        ua,
    )

    # flags
    def flagged(seed, share):
        r = random.Random(seed)
        u = walk(seed)
        f = [r.random() < share for _ in u]
        f[0] = f[-1] = False
        merged = []
        acc = 0
        for x, skip in zip(u, f, strict=True):
            acc += x
            if not skip:
                merged.append(acc)
                acc = 0
        return u, f, merged

    for words in (("1", "0"), ("True", "False"), ("YES", "no"), ("yes", ""), ("TRUE", "FALSE")):
        u, f, mg = flagged(700 + len(logs), 0.2)
        rows = [["d", "x"]] + [
            [num(x, 10**4), words[0] if q else words[1]] for x, q in zip(u, f, strict=True)
        ]
        logs.add(f"dropped {words}", lines(rows), {"interval_column": "d", "dropped_column": "x"}, mg)
        logs.add(f"generated {words}", lines(rows), {"interval_column": "d", "generated_column": "x"}, mg)
    for words in (
        ("1.0", "0.0"),
        ("Y", "N"),
        ("discarded", "presented"),
        ("2", "0"),
        ("gen", "real"),
        ("x", ""),
    ):
        u, f, mg = flagged(700 + len(logs), 0.2)
        rows = [["d", "x"]] + [
            [num(x, 10**4), words[0] if q else words[1]] for x, q in zip(u, f, strict=True)
        ]
        logs.add(f"dropped odd {words}", lines(rows), {"interval_column": "d", "dropped_column": "x"}, None)
        logs.add(
            f"dropped odd said {words}",
            lines(rows),
            {"interval_column": "d", "dropped_column": "x", "dropped_values": [words[0]]},
            mg,
        )
    u, f, mg = flagged(31, 0.15)
    t = ends(u)
    rows = [["t", "x"]] + [["" if q else num(a, 10**7), "1" if q else "0"] for a, q in zip(t, f, strict=True)]
    m0 = mg[1:]
    logs.add(
        "dropped without times",
        lines(rows),
        {"presentation_time_column": "t", "unit": "s", "dropped_column": "x"},
        m0,
    )
    rows = [["t", "d", "x"]] + [
        ["" if q else num(a, 10**7), num(b, 10**4), "1" if q else "0"]
        for a, b, q in zip(t, u, f, strict=True)
    ]
    logs.add(
        "dropped without times, with intervals",
        lines(rows),
        {"interval_column": "d", "presentation_time_column": "t", "time_unit": "s", "dropped_column": "x"},
        mg,
    )
    st = [0, *t[:-1]]
    rows = [["t", "x"]] + [[num(a, 10**7), "1" if q else "0"] for a, q in zip(st, f, strict=True)]
    # the end of each frame = start of next row; left-out frames' time to the next shown; last has no end
    logs.add(
        "starts with dropped",
        lines(rows),
        {"start_time_column": "t", "unit": "s", "dropped_column": "x"},
        mg[:-1],
    )
    rows = [["d", "x"]] + [[num(b, 10**4), "1" if i % 2 else "0"] for i, b in enumerate(u)]
    logs.add(
        "half generated counted",
        lines(rows),
        {"interval_column": "d", "generated_column": "x", "generated_frames": "count"},
        u,
    )
    return logs
