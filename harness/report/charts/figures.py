"""From a campaign and its analysis to its charts. Reads frames and telemetry, writes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from harness.analysis import Analysis
from harness.metrics import METRICS
from harness.metrics.definition import Place, Role
from harness.plan.schema import all_rules
from harness.report.charts import chart as charts
from harness.report.charts import interactive, style
from harness.report.charts.chart import Chart, Frame
from harness.report.charts.traces import envelope, exceedance
from harness.report.conditions import start_limit, start_word
from harness.report.elements import records
from harness.report.folder import Campaign
from harness.report.sections.by_frame_rate import seconds_of
from harness.report.sections.summary import Names, shown_change

#: Panels of the telemetry chart: first quantity of each group that was measured, with its axis label.
TELEMETRY_PANELS = (
    (("power_w", "power, W"), ("power_average_w", "power, W"), ("cpu_power_w", "processor power, W")),
    (("core_clock_mhz", "core clock, MHz"), ("cpu_clock_mhz", "processor clock, MHz")),
    (
        ("core_temp_c", "core temperature, °C"),
        ("hotspot_temp_c", "hotspot, °C"),
        ("cpu_temp_c", "processor temperature, °C"),
    ),
    (("cpu_load_pct", "processor load, %"),),
)
FRAME_BUCKETS = 600
TELEMETRY_BUCKETS = 240


@dataclass(frozen=True)
class Traces:
    """What one title and setting looks like inside, from one repeat of each profile.

    Attributes:
        frames: Columns ``profile``, ``t_s``, ``low_ms``, ``high_ms``, ``mean_ms``.
        tail: Columns ``profile``, ``frametime_ms``, ``slower_pct``; all repeats of the cell together.
        telemetry: Columns ``profile``, ``t_s`` and the quantities measured.
        phases: Columns ``phase``, ``start_s``, ``end_s``.
        repeats: Profile -> ``repeat.attempt`` shown.
        frame_count: Frames that went in.
        packed: Every repeat's frame times in the form that the page's script takes.
        seconds: Profile -> the seconds of the repeat shown, columns of ``harness.frames.segments.SECONDS``.
    """

    title: str
    setting: str
    frames: pd.DataFrame
    tail: pd.DataFrame
    telemetry: pd.DataFrame
    phases: pd.DataFrame
    repeats: Mapping[str, str]
    frame_count: int
    packed: Sequence[Mapping[str, Any]]
    seconds: Mapping[str, pa.Table]


def looks_of(campaign: Campaign) -> dict[str, style.ProfileLook]:
    """Look of every profile of the plan, and of any other that was measured."""
    planned = [p.name for p in campaign.plan.profiles]
    extra = [p for p in campaign.attempts["profile"].unique() if p not in planned]
    return style.profile_looks([*planned, *extra], campaign.plan.plan.reference)


def middle_repeat(rows: pd.DataFrame) -> dict[str, Any]:
    """The repeat whose average FPS is nearest to its cell's median (the first where there is none)."""
    values = rows["average_fps"].astype(float)
    if values.notna().any():
        rows = rows.loc[[(values - values.median()).abs().idxmin()]]
    return {str(k): v for k, v in rows.iloc[0].to_dict().items()}


def collect_traces(campaign: Campaign, title: str, setting: str, buckets: int = FRAME_BUCKETS) -> Traces:
    """Read and reduce frames and telemetry of one title and setting.

    Args:
        buckets: Buckets of each repeat's trace in the page's interactive chart.
    """
    repeats = campaign.counted
    mine = repeats[(repeats["title"] == title) & (repeats["setting"] == setting)]
    frames, tails, series, shown, count = [], [], [], {}, 0
    packs: list[Mapping[str, Any]] = []
    seconds: dict[str, pa.Table] = {}
    phases = pd.DataFrame(columns=["phase", "start_s", "end_s"])
    reference = campaign.plan.plan.reference
    present = [p for p in looks_of(campaign) if p in set(mine["profile"])]
    for profile in present:
        rows = mine[mine["profile"] == profile]
        middle = middle_repeat(rows)
        shown[profile] = f"{middle['repeat_index']}.{middle['attempt_index']}"
        times, own = [], None
        for row in records(rows):
            found = campaign.frames(row)
            if found is None or not found[1].size:
                continue
            times.append(found[1])
            place = (row["repeat_index"], row["attempt_index"])
            is_middle = place == (middle["repeat_index"], middle["attempt_index"])
            own = found if is_middle else own
            start_s, end_s = float(found[0][0]), float(found[0][-1])
            width_s = (end_s - start_s) / buckets or 1.0
            short = envelope(*found, buckets)
            packs.append(interactive.packed(profile, int(place[0]), is_middle, short, width_s, start_s))
        count += sum(t.size for t in times)
        if own is not None:
            short = envelope(*own, FRAME_BUCKETS)
            frames.append(
                pd.DataFrame(
                    {
                        "profile": profile,
                        "t_s": short.x.round(3),
                        "low_ms": short.low.round(3),
                        "high_ms": short.high.round(3),
                        "mean_ms": short.mean.round(3),
                    }
                )
            )
        if times:
            level, share = exceedance(np.concatenate(times))
            tails.append(
                pd.DataFrame(
                    {"profile": profile, "frametime_ms": level.round(3), "slower_pct": share.round(5)}
                )
            )
        samples = campaign.telemetry(middle)
        if samples is not None and len(samples):
            series.append(_series(profile, samples))
            if own is not None:
                seconds[profile] = seconds_of(own, samples)
            if phases.empty or profile == reference:
                phases = phase_spans(samples)
    return Traces(
        title,
        setting,
        _stack(frames, ["profile", "t_s", "low_ms", "high_ms", "mean_ms"]),
        _stack(tails, ["profile", "frametime_ms", "slower_pct"]),
        _stack(series, ["profile", "t_s"]),
        phases,
        shown,
        count,
        packs,
        seconds,
    )


def _series(profile: str, samples: pd.DataFrame) -> pd.DataFrame:
    t_s = samples["t_s"].to_numpy(dtype=np.float64)
    columns: dict[str, Any] = {}
    for quantity in dict.fromkeys(name for panel in TELEMETRY_PANELS for name, _ in panel):
        values = samples[quantity].to_numpy(dtype=np.float64, na_value=np.nan)
        if np.isfinite(values).any():
            short = envelope(t_s, values, TELEMETRY_BUCKETS, (float(t_s[0]), float(t_s[-1])))
            columns[quantity] = pd.Series(short.mean.round(2), index=short.x.round(2))
    made = pd.DataFrame(columns)
    made.insert(0, "t_s", made.index)
    made.insert(0, "profile", profile)
    return made.reset_index(drop=True)


def _stack(parts: Sequence[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def phase_spans(samples: pd.DataFrame) -> pd.DataFrame:
    """Unbroken stretches of one phase, from the samples of an attempt."""
    named = samples[samples["phase"].notna()]
    if named.empty:
        return pd.DataFrame(columns=["phase", "start_s", "end_s"])
    phase = named["phase"].astype(str)
    run = (phase != phase.shift()).cumsum()
    spans = (
        named.assign(phase=phase)
        .groupby(run)
        .agg(phase=("phase", "first"), start_s=("t_s", "first"), end_s=("t_s", "last"))
    )
    spans["end_s"] = spans["start_s"].shift(-1).fillna(spans["end_s"])
    return spans.reset_index(drop=True)


def summary_charts(campaign: Campaign, analysis: Analysis, names: Names) -> list[Chart]:
    """The charts over all titles: comparison, levels, efficiency, drift, start conditions."""
    found = (
        comparison_chart(analysis, names, looks_of(campaign)),
        levels_chart(analysis, names, looks_of(campaign)),
        efficiency_chart(analysis, names, looks_of(campaign)),
        drift_chart(campaign, names, looks_of(campaign)),
        conditions_chart(campaign, names, looks_of(campaign)),
    )
    return [chart for chart in found if chart is not None]


def speed_metric(analysis: Analysis) -> str | None:
    """The metric that stands for speed in this campaign; None where no comparison has one."""
    return metric_for("speed", analysis)


def ratios_in(chart: Place) -> list[str]:
    """Metrics that are panels of a chart of changes in %, besides speed."""
    return [m.name for m in METRICS.shown_in(chart) if m.scale == "ratio" and m.role != "speed"]


def metric_for(role: Role, analysis: Analysis) -> str | None:
    """The metric that stands for it in this campaign; None where no comparison has one."""
    present = set(analysis.overall["metric"])
    return next((m.name for m in METRICS.standing_for(role) if m.name in present), None)


def effects(analysis: Analysis, names: Names, metrics: Iterable[str]) -> pd.DataFrame:
    """Ratios as changes in %, by title and over all titles, as the comparison chart takes them."""
    rows: list[dict[str, Any]] = []
    several = analysis.comparisons[["title", "setting"]].drop_duplicates().shape[0] > 1
    for metric in metrics:
        for source, summary in ((analysis.comparisons, False), (analysis.overall, True)):
            for r in records(source[source["metric"] == metric]):
                if summary and not several:
                    continue
                value, low, high, unit = shown_change(r)
                rows.append(
                    {
                        "metric": metric,
                        "metric_label": r["label"],
                        "unit": unit,
                        "title": "" if summary else r["title"],
                        "row_label": "all titles" if summary else names.row(r["title"], r["setting"]),
                        "summary": summary,
                        "profile": r["profile"],
                        "profile_label": names[r["profile"]],
                        "change_pct": value,
                        "low_pct": low,
                        "high_pct": high,
                        "decision": r["decision"],
                    }
                )
    return pd.DataFrame(rows)


def comparison_chart(analysis: Analysis, names: Names, looks: charts.Looks) -> Chart | None:
    speed = speed_metric(analysis)
    if speed is None:
        return None
    data = effects(analysis, names, [speed, *ratios_in("comparison-chart")])
    settings = analysis.settings
    labels = _labels(names, looks)
    return Chart(
        id="comparison",
        heading="Change against the reference, title by title",
        caption=(
            f"Each mark is the change of one profile against {names[settings.reference]}, with its "
            f"{settings.confidence_pct:g} % interval; the shaded band is the plan's margin of "
            f"{settings.margin_pct:g} %, inside which a difference counts as none."
        ),
        alt=analysis.answer,
        data=data,
        draw=charts.comparison(data, looks, labels, settings.margin_pct, names[settings.reference]),
        height_in=1.2 + 0.15 * len(data.drop_duplicates("row_label")) * (1 + data["profile"].nunique()),
    )


def levels_chart(analysis: Analysis, names: Names, looks: charts.Looks) -> Chart | None:
    cells = analysis.cells
    rows: dict[str, dict[str, Any]] = {}
    for r in records(cells[cells["metric"].isin(["average_fps", "one_percent_low_fps"])]):
        row = rows.setdefault(
            r["cell_id"],
            {
                "title": r["title"],
                "row_label": names.row(r["title"], r["setting"]),
                "profile": r["profile"],
                "profile_label": names[r["profile"]],
            },
        )
        stem = "average" if r["metric"] == "average_fps" else "one_percent_low"
        row |= {f"{stem}_fps": r["mean"], f"{stem}_low_fps": r["low"], f"{stem}_high_fps": r["high"]}
    if not rows:
        return None
    wanted = [f"{s}_{e}fps" for s in ("average", "one_percent_low") for e in ("", "low_", "high_")]
    data = pd.DataFrame(list(rows.values())).reindex(
        columns=["title", "row_label", "profile", "profile_label", *wanted]
    )
    ranked = records(data.sort_values("average_fps"))
    best, worst = ranked[-1], ranked[0]
    return Chart(
        id="levels",
        heading="Average FPS and 1 % low",
        caption="Mean over accepted repeats with interval. The line joins a cell's average and 1 % low.",
        alt=(
            f"Average FPS from {worst['average_fps']:.0f} ({worst['row_label']}, {worst['profile_label']}) "
            f"to {best['average_fps']:.0f} ({best['row_label']}, {best['profile_label']})."
        ),
        data=data,
        draw=charts.levels(data, looks, _labels(names, looks), "1 % low"),
        height_in=1.1 + 0.15 * data["row_label"].nunique() * (1 + data["profile"].nunique()),
    )


def efficiency_points(analysis: Analysis) -> pd.DataFrame:
    """Power and speed of each profile in % of the reference; empty where power was not measured."""
    overall = analysis.overall
    speed = speed_metric(analysis)
    power = metric_for("power", analysis)
    if speed is None or power is None:
        return pd.DataFrame()
    rows: list[dict[str, Any]] = [
        {"profile": analysis.settings.reference, **_hundred("power"), **_hundred("speed")}
    ]
    by_key = {(r["metric"], r["profile"]): r for r in records(overall)}
    for profile in overall["profile"].unique():
        if (speed, profile) in by_key and (power, profile) in by_key:
            row: dict[str, Any] = {"profile": profile}
            for stem, metric in (("power", power), ("speed", speed)):
                found = by_key[metric, profile]
                row |= {
                    f"{stem}_pct": 100 * found["estimate"],
                    f"{stem}_low_pct": 100 * found["low"],
                    f"{stem}_high_pct": 100 * found["high"],
                }
            rows.append(row)
    points = pd.DataFrame(rows)
    points["on_front"] = charts.efficiency_front(list(points["power_pct"]), list(points["speed_pct"]))
    points["power_metric"] = power
    return points


def _hundred(stem: str) -> dict[str, float]:
    return {f"{stem}_pct": 100.0, f"{stem}_low_pct": 100.0, f"{stem}_high_pct": 100.0}


def efficiency_chart(analysis: Analysis, names: Names, looks: charts.Looks) -> Chart | None:
    points = efficiency_points(analysis)
    if len(points) < 2:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    front = " and ".join(data.loc[data["on_front"], "profile_label"])
    power = METRICS.compared_as[str(points["power_metric"].iloc[0])]
    return Chart(
        id="efficiency",
        heading="Speed against power",
        caption=(
            f"Geometric means over titles, in % of {names[analysis.settings.reference]}; mean power "
            f"{power.where}. The dashed line joins the profiles that no "
            "other profile "
            "beats in both."
        ),
        alt=f"On the efficiency front: {front}.",
        data=data,
        draw=charts.efficiency(points, looks, _labels(names, looks)),
        height_in=4.4,
    )


def drift_points(campaign: Campaign) -> pd.DataFrame:
    """Every accepted repeat against the mean of its cell, over the night."""
    rows = campaign.repeats.dropna(subset=["average_fps", "start_s"])
    rows = rows[rows["average_fps"] > 0]
    sentinel = rows["sentinel"].fillna(False).astype(bool)
    planned = rows[~sentinel].groupby("cell_id")["average_fps"]
    mean = rows["cell_id"].map(planned.mean()).astype(float)
    count = rows["cell_id"].map(planned.size())
    made = pd.DataFrame(
        {
            "hours": rows["start_s"].astype(float) / 3600,
            "title": rows["title"],
            "setting": rows["setting"],
            "profile": rows["profile"],
            "deviation_pct": 100 * (rows["average_fps"].astype(float) / mean - 1),
            "sentinel": sentinel,
            "repeat": _names_of(rows),
        }
    )
    return made[count > 1].reset_index(drop=True)


def _names_of(rows: pd.DataFrame) -> pd.Series[str]:
    """``repeat.attempt`` of each row; a sentinel is called one."""
    names = rows["repeat_index"].astype(str) + "." + rows["attempt_index"].astype(str)
    return names.mask(rows["sentinel"].fillna(False).astype(bool), "sentinel " + names)


def drift_chart(campaign: Campaign, names: Names, looks: charts.Looks) -> Chart | None:
    points = drift_points(campaign)
    if points.empty:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    spread = float(points["deviation_pct"].abs().max())
    return Chart(
        id="drift",
        heading="Drift over the night",
        caption="Each accepted repeat and sentinel against the mean of its cell's repeats; the line is the "
        "running median.",
        alt=f"No repeat is further than {spread:.1f} % from the mean of its cell.",
        data=data,
        draw=charts.drift(points, looks, _labels(names, looks)),
        height_in=3.4,
        frame=Frame(),
    )


def conditions_chart(campaign: Campaign, names: Names, looks: charts.Looks) -> Chart | None:
    rows = campaign.repeats
    points = pd.DataFrame(
        {
            "hours": rows["start_s"].astype(float) / 3600,
            "title": rows["title"],
            "setting": rows["setting"],
            "profile": rows["profile"],
            "start_temp_c": rows["start_temp_c"].astype(float),
            "start_ambient_temp_c": rows["start_ambient_temp_c"].astype(float),
            "repeat": _names_of(rows),
        }
    )
    start = points["start_temp_c"].dropna()
    if start.empty:
        return None
    data = points.assign(profile_label=[names[p] for p in points["profile"]])
    word, limit = start_word(campaign.plan), start_limit(campaign.plan)
    line = f" The dashed line is the plan's {limit[1]} rule." if limit else ""
    return Chart(
        id="start-conditions",
        heading="Temperature at the start of every repeat and sentinel",
        caption=f"At the end of the {word}.{line}",
        alt=f"Start temperatures between {start.min():.1f} and {start.max():.1f} °C.",
        data=data,
        draw=charts.start_conditions(points, looks, _labels(names, looks), word, limit),
        height_in=3.4,
        frame=Frame(),
    )


def telemetry_panels(traces: Traces) -> list[tuple[str, str]]:
    """The quantities of the telemetry chart with their axis labels: at most three panels."""
    panels = [next((q for q in panel if q[0] in traces.telemetry), None) for panel in TELEMETRY_PANELS]
    return [panel for panel in panels if panel is not None][:3]


def title_charts(campaign: Campaign, traces: Traces, names: Names) -> list[Chart]:
    """The charts of one title and setting: frame times, their distribution, telemetry."""
    looks = looks_of(campaign)
    labels = _labels(names, looks)
    label = names.row(traces.title, traces.setting)
    stem = f"{traces.title}-{traces.setting}"
    shown = ", ".join(f"{labels[p]}: {r}" for p, r in traces.repeats.items())
    made = []
    if not traces.frames.empty:
        longest = records(traces.frames.nlargest(1, "high_ms"))[0]
        made.append(
            Chart(
                id=f"frametimes-{stem}",
                heading=f"{label}: frame times",
                caption=(
                    "The filled shape reaches from the shortest to the longest frame of each slice of "
                    "time, so no "
                    f"stutter is lost; the line is the mean. Middle repeat of each profile ({shown})."
                ),
                alt=f"{label}: longest frame {longest['high_ms']:.1f} ms under {labels[longest['profile']]}.",
                data=traces.frames,
                draw=charts.frametimes(traces.frames, looks, labels),
                height_in=0.9 + 1.05 * traces.frames["profile"].nunique(),
                frame=Frame(top=0.3, between=0.62),
            )
        )
    if not traces.tail.empty:
        made.append(
            Chart(
                id=f"distribution-{stem}",
                heading=f"{label}: how often frames are slow",
                caption=(
                    f"Share of frames slower than a given time, all accepted repeats together "
                    f"({traces.frame_count:,} frames). Further left is better; the height of 1 % is where "
                    "the 1 % low "
                    "by percentile is read."
                ),
                alt=f"{label}: share of frames slower than a given time, one curve a profile.",
                data=traces.tail,
                draw=charts.distribution(traces.tail, looks, labels),
                height_in=3.6,
                frame=Frame(left=0.85),
            )
        )
    present = telemetry_panels(traces)
    first_stage = next(stage.word for stage, _ in all_rules(campaign.plan))
    if not traces.telemetry.empty and present:
        made.append(
            Chart(
                id=f"telemetry-{stem}",
                heading=f"{label}: {', '.join(text.split(',')[0] for _, text in present)} over time",
                caption=f"Mean of each slice of time, phases shaded. Middle repeats ({shown}).",
                alt=f"{label}: {', '.join(text for _, text in present)} from {first_stage} to window's end.",
                data=traces.telemetry,
                draw=charts.telemetry(traces.telemetry, traces.phases, looks, labels, present),
                height_in=1.0 + 1.35 * len(present),
                frame=Frame(top=0.55),
            )
        )
    return made


def _labels(names: Names, looks: charts.Looks) -> dict[str, str]:
    return {profile: names[profile] for profile in looks}


def captioned(chart: Chart, captions: Mapping[str, str]) -> Chart:
    """The chart with the plan's caption for it, or for its kind (``frametimes`` for every title's)."""
    own = captions.get(chart.id) or captions.get(chart.id.split("-")[0])
    return replace(chart, caption=own) if own else chart
