"""Logs of known truth, second set: clocks and counters of all kinds, stamps, Parquet types."""

from __future__ import annotations

import datetime as dt
import io

import pyarrow as pa
import pyarrow.parquet as pq

from tests.frames.second_set import FRAMES, PER, Logs, ends, lines, num, walk


def typed_logs() -> Logs:
    """The logs."""
    logs = Logs(500)
    # times
    for unit in ("s", "ms", "us"):
        for start in (0, 123_456_789_0, 17_000_000_000_000_000 if unit != "s" else 5 * 10**11):
            u = logs.draw()
            t = ends(u, start)
            rows = [["n", "when"]] + [[str(i), num(x, PER[unit])] for i, x in enumerate(t)]
            logs.add(
                f"ends {unit} from {start}",
                lines(rows),
                {"presentation_time_column": "when", "unit": unit},
                u[1:],
            )
            rows = [["n", "when"]] + [[str(i), num(x, PER[unit])] for i, x in enumerate([start, *t[:-1]])]
            logs.add(
                f"starts {unit} from {start}",
                lines(rows),
                {"start_time_column": "when", "unit": unit},
                u[:-1],
            )
    # ns as whole numbers since epoch
    u = walk(11)
    t = ends(u, 17_500_000_000 * 10**6)
    logs.add(
        "ns since an epoch",
        lines([["n", "t"]] + [[str(i), str(x * 100)] for i, x in enumerate(t)]),
        {"presentation_time_column": "t", "unit": "ns"},
        u[1:],
    )
    logs.add(
        "ticks",
        lines([["n", "t"]] + [[str(i), str(x)] for i, x in enumerate(t)]),
        {"presentation_time_column": "t", "unit": "ticks", "ticks_per_s": 1e7},
        u[1:],
    )
    # 32-bit wraps
    for width, start in ((2**32, 2**32 - 40_000_000),):
        t = ends(u, start)
        logs.add(
            "32-bit tick wrap",
            lines([["t"]] + [[str(x % width)] for x in t]),
            {"presentation_time_column": "t", "unit": "ticks", "ticks_per_s": 1e7},
            u[1:],
        )
        sg = [((x + 2**31) % 2**32) - 2**31 for x in ends(u, 2**31 - 30_000_000)]
        logs.add(
            "signed 32-bit wrap",
            lines([["t"]] + [[str(x)] for x in sg]),
            {"presentation_time_column": "t", "unit": "ticks", "ticks_per_s": 1e7},
            u[1:],
        )
    logs.add(
        "16-bit wrap",
        lines([["t"]] + [[str((x // 10_000) % 65536)] for x in ends(walk(12, 9000), 0)]),
        {"presentation_time_column": "t", "unit": "ms"},
        None,
    )
    # stamps
    base = dt.datetime(2026, 5, 17, 20, 59, 50, tzinfo=dt.UTC)

    def iso(x, fmt="T", digits=7):
        sec, frac = divmod(x, 10**7)
        d = base + dt.timedelta(seconds=sec)
        return d.strftime(f"%Y-%m-%d{fmt}%H:%M:%S") + "." + str(frac).zfill(7)[:digits]

    u = walk(71)
    t = ends(u)
    for tag, zone in (("none", ""), ("Z", "Z"), ("offset", "+02:00"), ("offset4", "+0530"), ("neg", "-07")):
        logs.add(
            f"iso {tag}",
            lines([["t"]] + [[iso(x) + zone] for x in t]),
            {"presentation_time_column": "t", "time_unit": "date-time"},
            u[1:],
        )
    logs.add(
        "iso blank",
        lines([["t"]] + [[iso(x, " ")] for x in t]),
        {"presentation_time_column": "t", "time_unit": "date-time"},
        u[1:],
    )
    logs.add(
        "iso comma decimals",
        lines([["t"]] + [[iso(x).replace(".", ",")] for x in t], ";"),
        {"presentation_time_column": "t", "time_unit": "date-time", "delimiter": ";"},
        u[1:],
    )

    def clk(x, h24=True):
        sec, frac = divmod(x + (23 * 3600 + 59 * 60 + 55) * 10**7, 10**7)
        sec %= 86400
        h, mi, se = sec // 3600, sec // 60 % 60, sec % 60
        return (
            f"{h:02}:{mi:02}:{se:02}.{frac:07}"
            if h24
            else f"{(h % 12) or 12}:{mi:02}:{se:02}.{frac:07} {'AM' if h < 12 else 'PM'}"
        )

    logs.add(
        "clock midnight",
        lines([["t"]] + [[clk(x)] for x in t]),
        {"presentation_time_column": "t", "time_unit": "clock"},
        u[1:],
    )
    logs.add(
        "clock am pm midnight",
        lines([["t"]] + [[clk(x, False)] for x in t]),
        {"presentation_time_column": "t", "time_unit": "clock"},
        u[1:],
    )
    dst = [iso(x) if i < 700 else (iso(x - 3600 * 10**7)) for i, x in enumerate(t)]
    logs.add(
        "dst back local",
        lines([["t"]] + [[x] for x in dst]),
        {"presentation_time_column": "t", "time_unit": "date-time"},
        None,
    )
    dz = [iso(x) + "+02:00" if i < 700 else iso(x - 3600 * 10**7) + "+01:00" for i, x in enumerate(t)]
    logs.add(
        "dst back with zone",
        lines([["t"]] + [[x] for x in dz]),
        {"presentation_time_column": "t", "time_unit": "date-time"},
        u[1:],
    )
    df = [iso(x) if i < 700 else (iso(x + 3600 * 10**7)) for i, x in enumerate(t)]
    logs.add(
        "dst forward local",
        lines([["t"]] + [[x] for x in df]),
        {"presentation_time_column": "t", "time_unit": "date-time"},
        None,
    )
    logs.add(
        "iso one bad",
        lines([["t"]] + [[iso(x) if i != 333 else "garbled"] for i, x in enumerate(t)]),
        {"presentation_time_column": "t", "time_unit": "date-time"},
        None,
        may_refuse=True,
    )

    # parquet
    def pqb(table, **k):
        b = io.BytesIO()
        pq.write_table(table, b, **k)
        return b.getvalue()

    ms = [x / 10**4 for x in u]
    logs.add("pq double", pqb(pa.table({"d": ms})), {"interval_column": "d"}, u, suffix=".parquet")
    logs.add(
        "pq float",
        pqb(pa.table({"d": pa.array(ms, pa.float32())})),
        {"interval_column": "d"},
        u,
        suffix=".parquet",
    )
    logs.add(
        "pq decimal",
        pqb(
            pa.table(
                {
                    "d": pa.array(
                        [__import__("decimal").Decimal(num(x, 10**4)) for x in u], pa.decimal128(12, 4)
                    )
                }
            )
        ),
        {"interval_column": "d"},
        u,
        suffix=".parquet",
    )
    for ty in (pa.int32(), pa.uint32(), pa.int64(), pa.uint64()):
        logs.add(
            f"pq {ty}",
            pqb(pa.table({"d": pa.array([x * 100 for x in u], ty)})),
            {"interval_column": "d", "unit": "ns"},
            u,
            suffix=".parquet",
        )
    logs.add(
        "pq duration",
        pqb(pa.table({"d": pa.array([x * 100 for x in u], pa.duration("ns"))})),
        {"interval_column": "d"},
        u,
        suffix=".parquet",
    )
    for tu in ("us", "ns"):
        uu = [x // 10 * 10 for x in u]
        tt = [x * 100 // (1000 if tu == "us" else 1) for x in ends(uu, 17_000_000_000 * 10**6)]
        logs.add(
            f"pq timestamp {tu}",
            pqb(pa.table({"t": pa.array(tt, pa.timestamp(tu))})),
            {"presentation_time_column": "t", "time_unit": "date-time"},
            uu[1:],
            suffix=".parquet",
        )
        logs.add(
            f"pq timestamp {tu} zone",
            pqb(pa.table({"t": pa.array(tt, pa.timestamp(tu, "Europe/Berlin"))})),
            {"presentation_time_column": "t", "time_unit": "date-time"},
            uu[1:],
            suffix=".parquet",
        )
    logs.add(
        "pq nested",
        pqb(pa.table({"f": [{"d": x, "k": i} for i, x in enumerate(ms)]})),
        {"interval_column": "f.d"},
        u,
        suffix=".parquet",
    )
    logs.add(
        "pq groups",
        pqb(pa.table({"d": ms, "n": ["a"] * FRAMES}), row_group_size=97, compression="zstd"),
        {"interval_column": "d"},
        u,
        suffix=".parquet",
    )
    logs.add(
        "pq filter dictionary",
        pqb(pa.table({"d": ms, "n": pa.array(["a", "b"] * (FRAMES // 2)).dictionary_encode()})),
        {"interval_column": "d", "filter_column": "n", "filter_value": "a"},
        u[::2],
        suffix=".parquet",
    )
    logs.add(
        "pq filter int",
        pqb(pa.table({"d": ms, "n": [7, 8] * (FRAMES // 2)})),
        {"interval_column": "d", "filter_column": "n", "filter_value": "7"},
        u[::2],
        suffix=".parquet",
    )
    logs.add(
        "pq bool dropped",
        pqb(pa.table({"d": ms, "x": [i % 5 == 3 for i in range(FRAMES)]})),
        {"interval_column": "d", "dropped_column": "x"},
        [sum(u[i - 1 : i + 1]) if i % 5 == 4 else u[i] for i in range(FRAMES) if i % 5 != 3],
        suffix=".parquet",
    )
    nul = list(ms)
    nul[500] = None
    logs.add(
        "pq null",
        pqb(pa.table({"d": nul})),
        {"interval_column": "d"},
        None,
        may_refuse=True,
        suffix=".parquet",
    )
    nul[500] = float("nan")
    logs.add(
        "pq nan",
        pqb(pa.table({"d": nul})),
        {"interval_column": "d"},
        None,
        may_refuse=True,
        suffix=".parquet",
    )
    nul[500] = float("inf")
    logs.add(
        "pq inf",
        pqb(pa.table({"d": nul})),
        {"interval_column": "d"},
        None,
        may_refuse=True,
        suffix=".parquet",
    )
    logs.add(
        "pq text",
        pqb(pa.table({"d": [str(x) for x in ms]})),
        {"interval_column": "d"},
        None,
        may_refuse=True,
        suffix=".parquet",
    )
    logs.add("pq cut", pqb(pa.table({"d": ms}))[:-40], {"interval_column": "d"}, None, suffix=".parquet")
    return logs
