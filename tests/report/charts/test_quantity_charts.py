"""Drawings with printed values: what stands on them is what their tables say. Common practice, no source."""

import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from harness.report.charts import (
    drawn_bars,
    drawn_overview,
    drawn_title,
    figures,
    film,
    lettering,
    publish,
    quantity_figures,
    scales,
)
from harness.report.charts.chart import Chart
from harness.report.charts.style import drawing, profile_looks
from harness.report.page import paste

PROFILES = ["factory", "quiet"]
LOOKS = profile_looks(PROFILES, "factory")
LABELS = {"factory": "Factory", "quiet": "Quiet"}
DRESS = publish.Dress(
    dark=False, credit="", source="a night of our own, with a source line of a usual length"
)


def table(titles: int = 10, fast: float = 1.0, profiles: list[str] = PROFILES) -> pd.DataFrame:
    rows = [
        {
            "title": f"title-{t}", "row_label": f"Title of number {t}", "profile": p,
            "profile_label": LABELS.get(p, p), "value": value,
            "value_low": value - 0.4, "value_high": value + 0.4,
            "second": 0.7 * value, "second_low": 0.7 * value - 1, "second_high": 0.7 * value + 1, "note": "",
        }
        for t in range(titles)
        for i, p in enumerate(profiles)
        for value in [(90.0 + 3 * t - i) * (fast if t == 0 else 1)]
    ]  # fmt: skip
    return pd.DataFrame(rows)


def drawn(draw, size=(1920, 1080), heading="Average FPS and 1 % low") -> Figure:
    chart = Chart("frame-rate", heading, "How it is to be read, a sentence.", "", pd.DataFrame(), draw, 4.0)
    form = publish.still("x", *size)
    with drawing(form.scale):
        figure = publish.dressed(chart, size[0] / form.dpi, size[1] / form.dpi, form.scale, DRESS)
    figure.set_dpi(form.dpi)
    figure.canvas.draw()
    return figure


def texts(figure: Figure) -> list[Text]:
    """All that is written; the labels of ticks beyond the ends of an axis are not."""
    unseen = set()
    for axis in (axis for ax in figure.axes for axis in (ax.xaxis, ax.yaxis)):
        low, high = sorted(axis.get_view_interval())
        for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
            if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                unseen |= {tick.label1, tick.label2}
    return [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip() and t not in unseen]


STILLS = {
    "bars": lambda: drawn_bars.bars(table(), LOOKS, LABELS, "1 % low"),
    "dots": lambda: drawn_bars.dots(table(), LOOKS, LABELS),
    "efficiency": lambda: drawn_overview.efficiency(efficiency(), LOOKS, LABELS),
    "comparison": lambda: drawn_overview.comparison(effects(), LOOKS, LABELS, 3.0, "Factory"),
    "telemetry": lambda: drawn_title.telemetry(*telemetry(), LOOKS, LABELS, [("power_w", "power, W")]),
}


#: Names as people give them: long, without a blank, of wide letters.
LONG = {"factory": "As found, with everything that the maker set " * 2, "quiet": "W" * 60}
LONG_STILLS = {
    "bars": lambda: drawn_bars.bars(long(table(4)), LOOKS, LONG, "1 % low"),
    "dots": lambda: drawn_bars.dots(long(table(4)), LOOKS, LONG),
    "efficiency": lambda: drawn_overview.efficiency(efficiency(), LOOKS, LONG),
    "comparison": lambda: drawn_overview.comparison(long(effects()), LOOKS, LONG, 3.0, "Factory"),
    "telemetry": lambda: drawn_title.telemetry(*telemetry(), LOOKS, LONG, [("power_w", "power, W")]),
    "summary": lambda: paste._table(
        pd.DataFrame(
            [("Quiet", "Core temperature above ambient (in 2 titles only)", "57.76 → 60.10 K", "▲ +2.3 K",
              "−0.6 to +5.2", "no verdict asked")] * 5,
            columns=["profile", "metric", "levels", "change", "interval", "verdict"],
        ),
        False,
    ),
}  # fmt: skip


def long(data: pd.DataFrame) -> pd.DataFrame:
    return data.assign(row_label=[f"{label} {'M' * 40} of the sea" for label in data["row_label"]])


@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920)])
@pytest.mark.parametrize("kind", LONG_STILLS)
def test_names_of_any_length_stay_inside_and_clear_of_each_other(kind, size):
    figure = drawn(LONG_STILLS[kind](), size)
    renderer = figure.canvas.get_renderer()
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts(figure)]
    for i, (text, box) in enumerate(boxes):
        assert box.x0 > -1, text
        assert box.x1 < size[0] + 1, text
        clear = [other for other, its in boxes[:i] if its.padded(-2).overlaps(box.padded(-2))]
        assert not clear, (text, clear)


def test_points_beside_each_other_have_their_values_apart():
    near = pd.concat([efficiency()] * 2).assign(profile=list("abcd"), on_front=True)
    near["power_pct"] += [0, 0, 1, 1]
    looks = profile_looks(list("abcd"), "a")
    figure = drawn(drawn_overview.efficiency(near, looks, {p: f"Profile {p}" for p in "abcd"}))
    shown = [t.get_text() for t in texts(figure)]
    assert any("Profile d\n97.0 % speed, 78.0 % power" in text for text in shown)


def test_letters_that_the_charts_type_lacks_come_from_another_font_or_are_named(monkeypatch):
    assert lettering.lettering(["Harbour Lights", "Größe"]) == ([lettering.OWN], "")
    families, without = lettering.lettering(["𝒜"])  # Matplotlib's own fonts for formulas have it
    assert (len(families), without) == (2, "")
    assert lettering.lettering(["深\U0010fffd"])[1].count("\U0010fffd") == 0, "not a letter"
    monkeypatch.setattr(lettering, "_letters", lambda path: frozenset())
    lettering._found.cache_clear()
    assert lettering.lettering(["深"]) == ([lettering.OWN], "深")
    lettering._found.cache_clear()


def efficiency() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "profile": PROFILES, "power_pct": [100.0, 77.0], "power_low_pct": [100.0, 76.5],
            "power_high_pct": [100.0, 77.5], "speed_pct": [100.0, 97.0], "speed_low_pct": [100.0, 96.5],
            "speed_high_pct": [100.0, 97.5], "on_front": [True, True],
        }
    )  # fmt: skip


def effects() -> pd.DataFrame:
    rows = [
        (metric, f"Title of number {t}", False, "quiet", change - t / 10, change - 1, change + 1)
        for metric, change in (("speed", -3.0), ("mean power", -23.0))
        for t in range(10 if metric == "speed" else 9)
    ]
    names = ["metric_label", "row_label", "summary", "profile", "change_pct", "low_pct", "high_pct"]
    return pd.DataFrame(rows, columns=names)


def telemetry() -> tuple[pd.DataFrame, pd.DataFrame]:
    t_s = np.arange(-100.0, 60.0)
    series = [pd.DataFrame({"profile": p, "t_s": t_s, "power_w": 200.0 + t_s}) for p in PROFILES]
    spans = [
        (p, name, start_s, end_s)
        for p, begins in (("factory", -100.0), ("quiet", -60.0))
        for name, start_s, end_s in (("warm-up", begins, -30.0), ("soak", -30.0, 0.0), ("measure", 0.0, 59.0))
    ]
    return pd.concat(series), pd.DataFrame(spans, columns=["profile", "phase", "start_s", "end_s"])


@pytest.mark.parametrize("size", [(1920, 1080), (3840, 2160), (1080, 1920)])
@pytest.mark.parametrize("kind", STILLS)
def test_the_type_of_a_still_has_3_percent_of_its_shorter_side_and_stands_inside_it(kind, size):
    figure = drawn(STILLS[kind](), size)
    renderer = figure.canvas.get_renderer()
    for text in texts(figure):
        assert text.get_fontsize() * figure.dpi / 72 >= 0.03 * min(size), text.get_text()
        box = text.get_window_extent(renderer)
        assert box.x0 > -1, text.get_text()
        assert box.x1 < size[0] + 1, text.get_text()


def test_bars_are_as_long_as_the_values_and_print_them():
    data = table(3)
    data.loc[2, ["value", "value_low", "value_high", "note"]] = [math.nan, math.nan, math.nan, "no frames"]
    figure = drawn(drawn_bars.bars(data, LOOKS, LABELS, "1 % low"))
    (ax,) = figure.axes
    outer = [p.get_width() for p in ax.patches][::2]
    known = data.dropna(subset=["value"])
    assert outer == pytest.approx(list(known["value"]))
    assert [p.get_width() for p in ax.patches][1::2] == pytest.approx(list(known["second"]))
    shown = [t.get_text() for t in texts(figure)]
    for row in known.to_dict("records"):
        assert f"{row['value']:.2f}  {row['profile_label']}" in shown
        assert f"{row['second']:.1f}" in shown
    assert "Factory: no frames" in shown


def test_one_fast_title_is_cut_and_prints_its_whole_value():
    data = table(9, fast=9.0)
    figure = drawn(drawn_bars.bars(data, LOOKS, LABELS))
    (ax,) = figure.axes
    widths = [p.get_width() for p in ax.patches]
    assert max(widths) == pytest.approx(2.5 * data["value"].median())
    assert f"{data['value'].max():.2f}  Factory" in {t.get_text() for t in texts(figure)}


def test_a_scale_without_a_zero_spans_ten_units_so_that_little_looks_like_little():
    data = table(2).assign(value=lambda d: 40 + d["value"] / 1000)
    data = data.assign(value_low=data["value"] - 0.1, value_high=data["value"] + 0.1)
    low, high = drawn_bars.span_of(data)
    assert high - low >= drawn_bars.LEAST_SPAN


def test_a_long_chart_comes_in_parts_with_whole_titles():
    data = table(12, profiles=["factory", "quiet", "eco", "fast"])
    parts = quantity_figures._parts(data)
    assert len(parts) > 1
    assert pd.concat(parts, ignore_index=True).equals(data)
    assert all(part.groupby("title").size().eq(4).all() for part in parts)
    assert len(quantity_figures._parts(table(10))) == 1


def test_three_percent_of_speed_does_not_look_like_23_of_power():
    (ax,) = drawn(STILLS["efficiency"]()).axes
    (left, right), (low, high) = ax.get_xlim(), ax.get_ylim()
    assert right - left == pytest.approx(high - low)
    panels = drawn(STILLS["comparison"]()).axes
    assert len(panels) == 2
    assert panels[0].get_xlim() == panels[1].get_xlim()


def test_one_interval_that_says_nothing_squeezes_no_other_not_even_of_two():
    effects = pd.DataFrame(
        {
            "metric_label": ["speed", "speed", "1 % low", "1 % low"],
            "change_pct": [-0.7, -0.3, -2.0, 2.0],
            "low_pct": [-7.5, -6.0, -42.0, -99.0],
            "high_pct": [6.6, 5.0, 79.0, 11_200.0],
        }
    )
    low, high = scales.change_scale_pct(effects, 3.0)
    assert low <= -99.0
    assert 79.0 < high < 250.0


def test_changes_are_printed_and_a_title_without_one_is_named():
    shown = [t.get_text() for t in texts(drawn(STILLS["comparison"]()))]
    assert {"−3.0", "−3.9", "−23.0", "not measured"} <= set(shown)


def test_each_profile_has_its_own_phases():
    ax = drawn(STILLS["telemetry"]()).axes[0]
    strips = {(round(p.get_x()), round(p.get_y() + p.get_height() / 2)) for p in ax.patches}
    assert {(-100, 0), (-60, 1), (-30, 0), (-30, 1), (0, 0), (0, 1)} == strips
    assert [t.get_text() for t in ax.get_yticklabels()] == ["Factory", "Quiet"]


def test_a_picture_without_a_ground_lets_what_is_below_be_seen(tmp_path):
    chart = Chart("frame-rate", "Average FPS", "Read so.", "", table(2), STILLS["bars"](), 4.0)
    clear = publish.Dress(True, "", "", True, "-dark-transparent")
    publish.publish_chart(chart, tmp_path, [publish.still("1920x1080", 1920, 1080)], clear)
    with Image.open(tmp_path / "frame-rate-1920x1080-dark-transparent.png") as image:
        alpha = image.getchannel("A")
    assert alpha.getpixel((3, 3)) == 0
    assert alpha.getextrema()[1] == 255


def test_a_film_grows_with_the_time_and_both_profiles_share_its_axis(monkeypatch, tmp_path):
    av = pytest.importorskip("av", reason="the extra film is not installed")
    monkeypatch.setattr(film, "LENGTH_S", 0.2)
    t_s = np.linspace(0.0, 9.0, 50)
    traces = pd.concat(
        pd.DataFrame(
            {"row_label": "Title", "profile": p, "t_s": t_s, "low_ms": 5.0, "high_ms": 9.0, "mean_ms": 7.0}
        )
        for p in PROFILES
    )
    chart = film.film_chart("title-default", traces, LOOKS, LABELS)
    shown = list(film.pictures(chart, DRESS, (640, 360)))
    assert len(shown) == 6
    drawn_columns = [int((image != shown[0]).any(axis=2).any(axis=0).sum()) for image in shown]
    assert drawn_columns == sorted(drawn_columns)
    assert drawn_columns[-1] > 400
    made = film.films(
        [("title-default", traces)],
        tmp_path,
        [DRESS, publish.Dress(True, "", "", True, "-clear")],
        LOOKS,
        LABELS,
    )
    for one in made:
        with av.open(str(one.path)) as container:
            frames = list(container.decode(video=0))
        assert (len(frames), frames[0].width, frames[0].height) == (6, 1920, 1080)
    assert frames[0].to_ndarray(format="rgba")[3, 3, 3] == 0  # the one without a ground


def test_without_the_extra_a_film_names_what_is_missing(monkeypatch, tmp_path):
    monkeypatch.setitem(__import__("sys").modules, "av", None)
    with pytest.raises(film.ReportMissing, match=r"levelrig\[film\]"):
        film.films([], tmp_path, [DRESS], LOOKS, LABELS)


@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920)])
@pytest.mark.parametrize(("titles", "profiles"), [(10, 3), (5, 7)])
def test_each_value_of_a_comparison_s_stills_has_a_line_of_its_own(titles, profiles, size):
    names = [f"profile-{i}" for i in range(profiles)]
    some = effects()[lambda d: d["row_label"].isin([f"Title of number {t}" for t in range(titles)])]
    data = pd.concat([some.assign(profile=name) for name in names], ignore_index=True)
    looks, labels = profile_looks(["factory", *names], "factory"), {name: name for name in names}

    def draw(part):
        return drawn_overview.comparison(part, looks, labels, 3.0, "Factory", whole=data)

    whole = Chart("comparison", "Change", "", "", data, draw(data), 4.0)
    parts = figures._stills(whole, data, draw)
    assert pd.concat(part.data for part in parts).sort_index().equals(data.sort_index())
    figure = drawn(parts[0].draw, size)
    scales = {drawn(part.draw, size).axes[0].get_xlim() for part in parts}
    assert len(scales) == 1, "a change is as long in every part"
    boxes = [t.get_window_extent() for ax in figure.axes for t in ax.texts]
    assert boxes
    for i, box in enumerate(boxes):
        assert not any(box.padded(-4).overlaps(other.padded(-4)) for other in boxes[:i])
