"""Power and clocks in slow and fast seconds, as the report shows them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from harness.report.folder import read_campaign
from harness.report.names import Names
from harness.report.sections.by_frame_rate import frame_rate_table, seconds_of
from harness.tables import TELEMETRY


@pytest.fixture
def names(small_campaign: Path) -> Names:
    return Names(read_campaign(small_campaign))


def seconds(frametimes_ms: list[float], power_w: float | None, clock_mhz: float = 2500.0) -> pa.Table:
    """Four seconds at each frame time, 100 W more in the second half."""
    frametime_ms = np.concatenate([np.full(round(4000 / f), f) for f in frametimes_ms])
    ends_s = np.cumsum(frametime_ms) / 1e3
    samples = pd.DataFrame(columns=TELEMETRY.names, index=range(int(ends_s[-1]) * 10 + 1), dtype=object)
    samples["t_s"] = np.arange(len(samples)) / 10
    if power_w is not None:
        samples["power_w"] = np.where(samples["t_s"] < ends_s[-1] / 2, power_w, power_w + 100)
    samples["core_clock_mhz"] = clock_mhz
    return seconds_of((ends_s, frametime_ms), samples)


def shown(row: Any) -> list[str]:
    return [cell.text for cell in row.cells]


def test_seconds_are_split_by_the_references_quarters_and_a_part_without_seconds_is_empty(
    names: Names,
) -> None:
    factory = seconds([20.0, 10.0, 10.0, 8.0], 200.0)  # 4 s at 50, 8 s at 100, 4 s at 125 FPS
    quiet = seconds([20.0, 20.0, 20.0, 20.0], 150.0)
    table = frame_rate_table(
        [("paper-comet", "default", {"factory": factory, "quiet": quiet})], "factory", names
    )
    assert table is not None
    # Quartiles of 4 x 50, 8 x 100, 4 x 125 by linear interpolation (Hyndman-Fan type 7): 87.5 and 106.25.
    assert [shown(row)[2:4] for row in table.rows[:3]] == [
        ["below 88 FPS", "25"], ["88 to 106 FPS", "50"], ["106 FPS and more", "25"],
    ]  # fmt: skip
    slow, _, fast = (shown(row)[4:] for row in table.rows[:3])
    assert slow == ["50.0", "200.0", "4.000", "2500"], "200 W / 50 frames a second = 4 J a frame"
    assert fast == ["125.0", "300.0", "2.400", "2500"]
    assert shown(table.rows[3])[3:5] == ["100", "50.0"]
    assert shown(table.rows[5])[3:] == ["0", "–", "–", "–", "–"]


@pytest.mark.parametrize(
    "factory",
    [
        None,
        seconds([20.0, 10.0, 10.0, 8.0], None),
        seconds([10.0, 10.0, 10.0, 10.0], 200.0),
        seconds([20.0, 8.0], 200.0),
    ],
    ids=["no reference", "no power", "one frame rate", "too short"],
)
def test_where_nothing_can_be_split_there_is_no_table(factory: pa.Table | None, names: Names) -> None:
    by_profile = {} if factory is None else {"factory": factory}
    assert frame_rate_table([("paper-comet", "default", by_profile)], "factory", names) is None


def test_the_page_shows_the_table_and_lets_a_title_be_selected_in_it(
    tmp_path: Path, campaign_maker: Callable[..., Path], made_campaign_type: Callable[..., Any]
) -> None:
    from harness.report import write_report

    titles = {"copper-rain": ("Copper Rain", 79.0, 1.0)}
    folder = campaign_maker(made_campaign_type(tmp_path / "n", titles=titles, repeats=2, measure_s=20.0))
    html = write_report(folder).page.read_text(encoding="utf-8")
    assert 'id="table-by-frame-rate"' in html
    rows = html.split('id="table-by-frame-rate"')[1].split("</table>")[0]
    assert rows.count('data-title="copper-rain"') == 4 * 3
