"""What each chart says, held against the dataset's tables: the drawings' own data are read back.

The tables are read by pandas alone. Source: none, common practice. A chart that is new needs a line here.
"""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from harness.analysis.analyse import Analysis, analyse
from harness.report.charts import figures, first_picture, interactive_forms, title_figures
from harness.report.charts.chart import Chart
from harness.report.charts.interactive import Encodings
from harness.report.charts.style import drawing
from harness.report.compare.campaigns import CampaignNames, Several
from harness.report.compare.charts import charts_of
from harness.report.folder import Campaign, read_campaign
from harness.report.names import Names
from harness.report.page.glance import glance
from harness.report.page.page import tool_version
from harness.report.page.paste import summary_chart, summary_of
from harness.report.write import write_tables
from tests.report.conftest import PROFILES, TITLES

#: Chart -> what it says and of which table; each has a test of its name.
SAYS = {
    "comparison": "change and interval of each title and over all: comparisons, overall",
    "levels": "mean and interval of average FPS and 1 % low of each cell: cells",
    "efficiency": "speed and power of each profile in % of the reference: efficiency",
    "frame-rate": "mean average FPS and 1 % low of each cell: cells",
    "power": "mean power of each cell: cells",
    "fps-per-watt": "mean FPS per watt of each cell: cells",
    "temperature": "mean temperature above ambient of each cell with interval: cells",
    "noise": "mean sound level of each cell with interval: cells",
    "drift": "each repeat against its cell's mean over the night, and the running median: repeats",
    "start-conditions": "start and ambient temperature of each repeat, and the plan's rule: repeats, plan",
    "frametimes": "shortest, longest and mean frame of each slice of the middle repeat: frames",
    "distribution": "share of frames above a frame time, all repeats of a cell: frames",
    "telemetry": "quantities over an attempt, and its phases: telemetry",
    "first-picture": "mean average FPS, 1 % low and power of each cell: cells",
    "summary": "change over all titles of each profile and metric: overall",
    "against-first": "change of each profile against itself in the first campaign: both campaigns' repeats",
    "effects-by-campaign": "change and interval over all titles of each campaign: each campaign's overall",
}


class Night(NamedTuple):
    folder: Path
    campaign: Campaign
    analysis: Analysis
    names: Names
    charts: dict[str, Chart]

    def table(self, name: str) -> pd.DataFrame:
        return pd.read_parquet(self.folder / "dataset" / f"{name}.parquet")

    def cells(self, metric: str) -> pd.DataFrame:
        """Rows of a metric in the order of titles and profiles of the plan."""
        cells = self.table("cells")
        mine = cells[cells["metric"] == metric].set_index(["title", "profile"])
        return mine.loc[[(t, p) for t in TITLES if t in cells["title"].values for p in ("factory", "quiet")]]


@pytest.fixture(scope="module")
def night(
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> Night:
    made = made_campaign_type(
        tmp_path_factory.mktemp("said") / "night",
        titles=dict(list(TITLES.items())[:3]),
        profiles=dict(list(PROFILES.items())[:2]),
        repeats=2,
        measure_s=2.0,
        rejected=False,
    )
    folder = campaign_maker(made)
    for name in ("attempts", "repeats"):
        path = folder / "dataset" / f"{name}.parquet"
        table = pd.read_parquet(path)
        table["mean_sound_level_dba"] = 31 + 0.3 * np.arange(len(table))
        table.to_parquet(path)
    campaign = read_campaign(folder)
    analysis = analyse(campaign.repeats, campaign.settings, campaign.attempts, campaign.courses)
    write_tables(folder / "dataset", analysis)
    names = Names(campaign)
    charts = {chart.id: chart for chart in figures.summary_charts(campaign, analysis, names)}
    traces = title_figures.collect_traces(campaign, "harbour-lights", "default")
    charts |= {c.id.split("-")[0]: c for c in title_figures.title_charts(campaign, traces, names)}
    first = glance(campaign, analysis, names, figures.looks_of(campaign))
    short = summary_chart(summary_of(campaign, analysis, first, tool_version()), first.reference)
    assert short is not None
    return Night(folder, campaign, analysis, names, {**charts, "summary": short})


@pytest.fixture(scope="module")
def side_by_side(
    night: Night,
    tmp_path_factory: pytest.TempPathFactory,
    campaign_maker: Callable[..., Path],
    made_campaign_type: Callable[..., Any],
) -> tuple[list[Path], dict[str, Chart]]:
    """The night and a later one of a faster card: their folders and the comparison page's charts."""
    made = made_campaign_type(
        tmp_path_factory.mktemp("later") / "night",
        campaign_id="later",
        titles=dict(list(TITLES.items())[:3]),
        profiles=dict(list(PROFILES.items())[:2]),
        repeats=2,
        measure_s=2.0,
        rejected=False,
        fps_factor=1.2,
        seed=11,
    )
    later = read_campaign(campaign_maker(made))
    write_tables(later.folder / "dataset", analyse(later.repeats, later.settings, later.attempts))
    several = Several.of([night.campaign, later])
    names = CampaignNames(several)
    charts = {chart.id: chart for chart in charts_of(several, several.analysis(names), names)}
    return [night.folder, later.folder], charts


def axes_of(chart: Chart) -> list[Axes]:
    with drawing():
        figure = Figure(figsize=(8.0, chart.height_in))
        FigureCanvasAgg(figure)
        chart.draw(figure, 1.0)
    return list(figure.axes)


def lines(ax: Axes, label: str = "") -> list[Any]:
    """Lines and marks with a label; with none given, all that have data."""
    return [line for line in ax.lines if (not label or line.get_label() == label) and len(line.get_xdata())]


def spans(ax: Axes) -> set[tuple[float, float]]:
    """Ends of all horizontal lines of an interval."""
    return {
        (round(float(part[0, 0]), 6), round(float(part[-1, 0]), 6))
        for found in ax.collections
        if isinstance(found, LineCollection)
        for part in found.get_segments()
        if len(part) and part[0, 1] == part[-1, 1]
    }


def said(ax: Axes) -> list[str]:
    return [text.get_text() for text in ax.texts]


def ends(rows: pd.DataFrame) -> set[tuple[float, float]]:
    return {(round(low, 6), round(high, 6)) for low, high in zip(rows["low"], rows["high"], strict=True)}


def test_each_chart_is_held_against_a_table_here(night: Night, side_by_side: Any) -> None:
    assert set(night.charts) | set(side_by_side[1]) | {"first-picture"} == set(SAYS)
    tests = " ".join(name for name in globals() if name.startswith("test_"))
    assert [name for name in SAYS if name.replace("-", "_") not in tests] == []


def test_comparison(night: Night) -> None:
    per_title, overall = night.table("comparisons"), night.table("overall")
    panels = axes_of(night.charts["comparison"])
    labels = {label: metric for metric, label in zip(overall["metric"], overall["label"], strict=True)}
    assert [labels[ax.get_title(loc="left")] for ax in panels] == ["average_fps", "one_percent_low_fps"]
    for ax in panels:
        metric = labels[ax.get_title(loc="left")]
        rows = pd.concat([t[t["metric"] == metric] for t in (per_title, overall)])
        changes = 100 * (rows[["estimate", "low", "high"]] - 1)
        (marks,) = lines(ax, night.names["quiet"])
        low, high = night_scale(ax)
        inside = [value if low <= value <= high else np.nan for value in changes["estimate"]]
        np.testing.assert_allclose(marks.get_xdata(), inside)
        assert ends(changes.clip(low, high)) <= spans(ax)
        for value, text in zip(changes["estimate"], said(ax), strict=True):
            printed = text.split(" ")[0].replace("−", "-").replace("±", "")
            decimals = len(printed.partition(".")[2])
            assert float(printed) == pytest.approx(value, abs=0.51 * 10**-decimals), text


def night_scale(ax: Axes) -> tuple[float, float]:
    """Ends of the scale: those of its intervals that are cut, else what holds them all."""
    arrows = [float(x) for line in ax.lines if line.get_label() == "_beyond" for x in line.get_xdata()]
    low = min([x for x in arrows if x < 0], default=-np.inf)
    return low, max([x for x in arrows if x > 0], default=np.inf)


def test_levels(night: Night) -> None:
    (ax,) = axes_of(night.charts["levels"])
    shown = sorted(
        round(float(x), 6) for line in lines(ax) for x in line.get_xdata() if line.get_marker() != "None"
    )
    both = [night.cells(metric) for metric in ("average_fps", "one_percent_low_fps")]
    assert shown == sorted(round(float(x), 6) for rows in both for x in rows["mean"])
    for rows in both:
        assert ends(rows) <= spans(ax)


def test_efficiency(night: Night) -> None:
    (ax,) = axes_of(night.charts["efficiency"])
    points = [
        (float(m.get_xdata()[0]), float(m.get_ydata()[0])) for m in lines(ax) if len(m.get_xdata()) == 1
    ]
    wanted = 100 * night.table("efficiency")[["power_ratio", "speed_ratio"]]
    np.testing.assert_allclose(points, wanted.to_numpy())
    for line, (power, speed) in zip([m for m in lines(ax) if len(m.get_xdata()) == 1], points, strict=True):
        assert f"{speed:.1f} % speed, {power:.1f} % power" in line.get_label()


@pytest.mark.parametrize(
    ("chart", "metric"), [("power", "mean_power_w"), ("fps-per-watt", "fps_per_w")]
)  # fmt: skip
def test_power_and_fps_per_watt(night: Night, chart: str, metric: str) -> None:
    (ax,) = axes_of(night.charts[chart])
    rows = night.cells(metric)
    np.testing.assert_allclose([bar.get_width() for bar in ax.patches], rows["mean"])
    for value, text in zip(rows["mean"], said(ax), strict=True):
        assert float(text.split()[0]) == pytest.approx(value, rel=5e-3)


def test_frame_rate(night: Night) -> None:
    (ax,) = axes_of(night.charts["frame-rate"])
    bars = [bar.get_width() for bar in ax.patches]
    np.testing.assert_allclose(bars[::2], night.cells("average_fps")["mean"])
    np.testing.assert_allclose(bars[1::2], night.cells("one_percent_low_fps")["mean"])


@pytest.mark.parametrize(
    ("chart", "metric"), [("temperature", "core_above_ambient_k"), ("noise", "mean_sound_level_dba")]
)
def test_temperature_and_noise(night: Night, chart: str, metric: str) -> None:
    (ax,) = axes_of(night.charts[chart])
    rows = night.cells(metric)
    np.testing.assert_allclose([float(line.get_xdata()[0]) for line in lines(ax)], rows["mean"])
    assert ends(rows) == spans(ax)


def test_drift(night: Night) -> None:
    repeats = night.table("repeats").sort_values("start_s")
    away = 100 * (repeats["average_fps"] / repeats.groupby("cell_id")["average_fps"].transform("mean") - 1)
    (ax,) = axes_of(night.charts["drift"])
    for profile in ("factory", "quiet"):
        (marks,) = lines(ax, night.names[profile])
        mine = repeats["profile"] == profile
        np.testing.assert_allclose(np.sort(marks.get_ydata()), np.sort(away[mine]), atol=1e-9)
        np.testing.assert_allclose(np.sort(marks.get_xdata()), np.sort(repeats.loc[mine, "start_s"] / 3600))
    (median,) = lines(ax, "running median")
    around = [np.median(away.iloc[max(i - 2, 0) : i + 3]) for i in range(len(away))]
    np.testing.assert_allclose(median.get_ydata(), around)
    assert "running median" in night.charts["drift"].caption


def test_start_conditions(night: Night) -> None:
    repeats = night.table("repeats").sort_values("start_s")
    chart = night.charts["start-conditions"]
    (ax,) = axes_of(chart)
    for profile in ("factory", "quiet"):
        (marks,) = lines(ax, night.names[profile])
        wanted = repeats.loc[repeats["profile"] == profile, "start_temp_c"]
        np.testing.assert_allclose(np.sort(marks.get_ydata()), np.sort(wanted))
    (ambient,) = lines(ax, "ambient")
    np.testing.assert_allclose(ambient.get_ydata(), repeats["start_ambient_temp_c"])
    assert [float(line.get_ydata()[0]) for line in lines(ax) if line.get_linestyle() == "--"] == [45.0]
    assert "ambient" in chart.caption
    assert "dashed" in chart.caption


def frames_of(night: Night, profile: str, repeat: str) -> pd.DataFrame:
    return pd.read_parquet(
        night.folder / "attempts" / f"harbour-lights.default.{profile}" / repeat / "frames.parquet"
    )


def middle(night: Night, profile: str) -> str:
    """The repeat nearest to the cell's median, the first of equally near ones."""
    rows = night.table("repeats")
    rows = rows[(rows["title"] == "harbour-lights") & (rows["profile"] == profile)]
    away = (rows["average_fps"] - rows["average_fps"].median()).abs()
    row = rows.loc[away.idxmin()]
    return f"{row['repeat_index']}.{row['attempt_index']}"


def test_frametimes(night: Night) -> None:
    chart = night.charts["frametimes"]
    for ax, profile in zip(axes_of(chart), ("factory", "quiet"), strict=True):
        shown = middle(night, profile)
        assert f"{night.names[profile]}: {shown}" in chart.caption
        frames = frames_of(night, profile, shown)
        (filled,) = ax.collections
        heights = filled.get_paths()[0].vertices[:, 1]
        assert heights.max() == pytest.approx(frames["frametime_ms"].max(), abs=6e-4)
        assert heights.min() == pytest.approx(frames["frametime_ms"].min(), abs=6e-4)
        (mean,) = lines(ax)
        assert mean.get_xdata().max() <= frames["t_s"].max()
        inside = (mean.get_ydata() >= heights.min()) & (mean.get_ydata() <= heights.max())
        assert inside.all()


def test_distribution(night: Night) -> None:
    (ax,) = axes_of(night.charts["distribution"])
    for profile in ("factory", "quiet"):
        times = np.concatenate([frames_of(night, profile, r)["frametime_ms"] for r in ("1.1", "2.1")])
        (curve,) = lines(ax, night.names[profile])
        for level, share in zip(curve.get_xdata(), curve.get_ydata(), strict=True):
            near = [100 * np.mean(times > level + off) for off in (-6e-4, 6e-4)]  # levels have three decimals
            assert min(near) - 1e-4 <= share <= max(near) + 1e-4


def test_telemetry(night: Night) -> None:
    strips, *panels = axes_of(night.charts["telemetry"])
    begins = []
    for i, profile in enumerate(("factory", "quiet")):
        folder = night.folder / "attempts" / f"harbour-lights.default.{profile}" / middle(night, profile)
        samples = pd.read_parquet(folder / "telemetry.parquet")
        begins += [(i, float(mine["t_s"].iloc[0])) for _, mine in samples.groupby("phase", sort=False)]
        for ax, column in zip(panels, ("power_w", "core_clock_mhz", "core_temp_c"), strict=True):
            (curve,) = lines(ax, night.names[profile])
            at = np.searchsorted(samples["t_s"], curve.get_xdata())
            near = [samples[column].iloc[max(k - 8, 0) : k + 9] for k in at]
            for value, around in zip(curve.get_ydata(), near, strict=True):
                assert around.min() - 0.01 <= value <= around.max() + 0.01
    found = [(round(bar.get_y() + bar.get_height() / 2), bar.get_x()) for bar in strips.patches]
    np.testing.assert_allclose(sorted(found), sorted(begins))


def test_first_picture(night: Night) -> None:
    data = first_picture.table_of(night.analysis, night.names, [(t, "default") for t in list(TITLES)[:3]])
    picture = first_picture.draw(data, figures.looks_of(night.campaign), first_picture.layout(data, 1240))
    for column, metric in (("average_fps",) * 2, ("one_percent_low_fps",) * 2, ("power_w", "mean_power_w")):
        drawn = re.findall(rf'width="([0-9.]+)"[^>]*data-column="{column}" data-value="([0-9.]+)"', picture)
        rows = night.cells(metric)
        np.testing.assert_allclose([float(value) for _, value in drawn], rows["mean"], rtol=1e-5)
        for title, part in rows.assign(long=[float(long) for long, _ in drawn]).groupby("title"):
            assert np.ptp(part["long"] / part["mean"]) < 0.01 * (part["long"] / part["mean"]).mean(), title


def test_summary(night: Night) -> None:
    overall = night.table("overall")
    rows = night.charts["summary"].data
    ax = axes_of(night.charts["summary"])[0]
    for row in rows.to_dict("records"):
        (wanted,) = overall[[label.lower() == row["metric"].lower() for label in overall["label"]]].to_dict(
            "records"
        )
        change = wanted["estimate"]
        change = 100 * (change - 1) if wanted["scale"] == "ratio" else change
        printed = row["change"].lstrip("▲▼ ").split(" ")[0].replace("−", "-").replace("±", "")
        assert float(printed) == pytest.approx(change, abs=0.51 * 10 ** -len(printed.partition(".")[2]))
        before, after = (float(x) for x in row["before_and_after"].split(" ")[:3:2])
        moved = 100 * (after / before - 1) if wanted["scale"] == "ratio" else after - before
        digits = 10.0 ** -len(row["before_and_after"].split(" ")[0].partition(".")[2])
        assert moved == pytest.approx(
            change, abs=digits * (200 / before if wanted["scale"] == "ratio" else 2)
        )
        assert row["change"] in said(ax)


def test_against_first(side_by_side: tuple[list[Path], dict[str, Chart]]) -> None:
    folders, charts = side_by_side
    repeats = [pd.read_parquet(folder / "dataset" / "repeats.parquet") for folder in folders]
    panels = axes_of(charts["against-first"])
    for ax, metric in zip(panels, ("average_fps", "one_percent_low_fps"), strict=True):
        before, after = (
            r.assign(log=np.log(r[metric])).groupby(["profile", "title"])["log"].mean() for r in repeats
        )
        for profile in ("factory", "quiet"):
            apart = (after - before)[profile].loc[list(TITLES)[:3]]
            wanted = 100 * np.expm1([*apart, apart.mean()])
            (marks,) = lines(ax, PROFILES[profile][0])
            np.testing.assert_allclose(marks.get_xdata(), wanted)
            for value in wanted:
                assert any(low < value < high for low, high in spans(ax)), "each has its interval"
    assert "against the same profile in night-one" in charts["against-first"].caption


def test_effects_by_campaign(side_by_side: tuple[list[Path], dict[str, Chart]]) -> None:
    folders, charts = side_by_side
    overall = pd.concat([pd.read_parquet(folder / "dataset" / "overall.parquet") for folder in folders])
    labels = dict(zip(overall["label"], overall["metric"], strict=True))
    panels = axes_of(charts["effects-by-campaign"])
    found = {labels[ax.get_title(loc="left")] for ax in panels}
    assert found == {"average_fps", "one_percent_low_fps", "mean_power_w", "fps_per_w"}
    for ax in panels:
        rows = overall[overall["metric"] == labels[ax.get_title(loc="left")]]
        changes = 100 * (rows[["estimate", "low", "high"]] - 1)
        low, high = night_scale(ax)
        (marks,) = lines(ax, PROFILES["quiet"][0])
        inside = [value if low <= value <= high else np.nan for value in changes["estimate"]]
        np.testing.assert_allclose(marks.get_xdata(), inside)
        assert ends(changes.clip(low, high)) <= spans(ax)


def test_the_page_s_interactive_form_has_the_same_numbers(night: Night) -> None:
    looks = figures.looks_of(night.campaign)
    enc = Encodings(looks, {profile: night.names[profile] for profile in looks})
    overview = [night.charts[name] for name in night.charts if name not in ("frametimes", "summary")]
    made = interactive_forms.overview_forms(night.campaign, overview, enc)
    assert set(made) == {"comparison", "levels", "efficiency", "drift", "start-conditions"}
    for name, form in made.items():
        data = night.charts[name].data
        for column in data:
            if pd.api.types.is_float_dtype(data[column]):
                shown = np.array(form["columns"][column], np.float64)
                np.testing.assert_allclose(shown, data[column], atol=6e-4, err_msg=f"{name}: {column}")
        json.dumps(form["spec"], allow_nan=False)
