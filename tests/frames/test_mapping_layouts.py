"""Mappings proposed for logs whose truth is known by construction: how many are right at once.

The proposals were worked on with style A at seeds 11 to 13 alone. Style B and the mixtures were first run
when that was done: 105 of 106 (one log held no time, a slip of the generator) and 118 of 119 were right, of
757 logs of fresh seeds later 753; all five were decimal commas taken for delimiters, which are read since.
None was wrong without a doubt.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import lzma
from collections import Counter
from collections.abc import Iterable

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.propose import propose_mapping
from harness.frames.reader import read_log
from tests.frames.layouts import Layout, layouts, mixture, style_a, style_b

#: Doubts that bear on no frame time: a reading with these alone claims to be sure.
_NO_DOUBT = ("end or its start", "two values", "they come out the same")


def outcome(layout: Layout, folder) -> str:
    """right, doubted (wrong, and said so), silent (wrong without a doubt), none or refused."""
    try:
        proposal = propose_mapping(layout.write(folder))
    except FrameLogError:
        return "refused"
    if not proposal.mapping:
        return "none"
    try:
        log = read_log(proposal.path, ColumnMapping.model_validate(proposal.mapping))
        frametime_ms = log.frames["frametime_ms"].to_numpy()
    except FrameLogError:
        frametime_ms = np.empty(0)
    if any(is_right(frametime_ms, right) for right in layout.right):
        return "right"
    doubts = [doubt for doubt in proposal.doubts if not any(words in doubt for words in _NO_DOUBT)]
    return "doubted" if doubts else "silent"


def is_right(found, right) -> bool:
    """Frame by frame; where a bad field cost up to three frames, by the share of each length."""
    if len(found) == len(right):
        return bool(np.allclose(found, right, rtol=2e-3, atol=2e-3))
    if not 0 <= len(right) - len(found) <= 3 or not len(found):
        return False
    shares = (5, 25, 50, 75, 95)
    return bool(np.allclose(np.percentile(found, shares), np.percentile(right, shares), rtol=1e-2))


def count(found: Iterable[Layout], folder) -> tuple[Counter, list[str]]:
    outcomes = {layout.name: outcome(layout, folder) for layout in found}
    return Counter(outcomes.values()), [
        f"{name}: {what}" for name, what in outcomes.items() if what != "right"
    ]


@pytest.mark.parametrize("style", [style_a, style_b])
def test_of_106_plain_layouts_at_least_95_in_100_are_right_at_once_and_none_wrong_in_silence(style, tmp_path):
    totals, others = count(layouts(style()), tmp_path)
    assert sum(totals.values()) == 106
    assert totals["silent"] == 0, others
    assert totals["right"] >= 101, others


def test_of_120_random_mixtures_at_least_95_in_100_are_right_at_once_and_none_wrong_in_silence(tmp_path):
    totals, others = count(map(mixture, range(1, 121)), tmp_path)
    assert sum(totals.values()) == 120
    assert totals["silent"] == 0, others
    assert totals["right"] >= 114, others


def test_the_runner_up_is_shown_with_why_it_lost(tmp_path):
    named = {layout.name: layout for layout in layouts(style_a())}
    proposal = propose_mapping(named["interval-beside-energy"].write(tmp_path))
    assert "as the time in ms" in proposal.runner_up
    assert "it lost because" in proposal.runner_up
    assert proposal.runner_up in proposal.as_text()
    assert proposal.as_dict()["runner_up"] == proposal.runner_up


STEPS_US = np.random.default_rng(8).gamma(60.0, 160.0, 400).astype(np.int64)


def _moments(form: str) -> list[str]:
    start = dt.datetime(2031, 3, 9, 23, 59, 59, tzinfo=dt.UTC)
    return [form.format(start + dt.timedelta(microseconds=int(us))) for us in np.cumsum(STEPS_US)]


def _text(rows: list[str], head: str) -> bytes:
    return "\n".join([head, *rows, ""]).encode()


def _special_logs() -> dict[str, bytes]:
    ms = STEPS_US / 1e3
    stamps, clocks = _moments("{:%Y-%m-%dT%H:%M:%S.%f}Z"), _moments("{:%H:%M:%S.%f}")
    pairs = list(zip(stamps, clocks, ms, strict=True))
    nested = [
        {"frame": {"took": float(x), "at": float(t)}} for x, t in zip(ms, np.cumsum(ms) / 1e3, strict=True)
    ]
    table = pa.table(
        {
            "at": pa.array(np.cumsum(STEPS_US), pa.timestamp("us")),
            "took": pa.array(STEPS_US, pa.duration("us")),
        }
    )
    parquet = io.BytesIO()
    pq.write_table(table, parquet)
    return {
        "date-times": _text([f"{a},{x}" for a, _, x in pairs], "at,took"),
        "date-times alone": _text([f"{a},7" for a, _, _ in pairs], "at,load"),
        "clock times over midnight": _text([f"{c};{x}" for _, c, x in pairs], "at;took"),
        "aligned": _text(
            [
                f"{i:>7}{t:>14.6f}{x:>12.3f}"
                for i, (t, x) in enumerate(zip(np.cumsum(ms) / 1e3, ms, strict=True))
            ],
            "      n            at        took",
        ),
        "thousands": _text(
            [f'"{us:,}",{t:.6f}' for us, t in zip(STEPS_US, np.cumsum(STEPS_US) / 1e6, strict=True)],
            "took,at",
        ),
        "JSON array": json.dumps(nested).encode(),
        "JSON array, indented": json.dumps(nested, indent=1).encode(),
        "nested JSON lines": "\n".join(map(json.dumps, nested)).encode(),
        "Parquet stamps": parquet.getvalue(),
        "xz": lzma.compress(_text([f"{x}" for x in ms], "took")),
    }


@pytest.mark.parametrize("name", _special_logs())
def test_stamps_alignment_thousands_nesting_and_packing_are_proposed_too(name, tmp_path):
    path = tmp_path / "log"
    path.write_bytes(_special_logs()[name])
    proposal = propose_mapping(path)
    log = read_log(path, ColumnMapping.model_validate(proposal.mapping))
    found = log.frames["frametime_ms"].to_numpy()
    assert any(is_right(found, right) for right in (STEPS_US / 1e3, STEPS_US[1:] / 1e3)), proposal.as_text()
