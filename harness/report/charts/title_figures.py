"""The charts of one title and setting. Reads its frames and telemetry, writes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from harness.plan.schema import all_rules
from harness.report.charts import drawn_title
from harness.report.charts.chart import Chart, Frame
from harness.report.charts.drawn_title import STRIP_IN
from harness.report.charts.figures import labels_of, looks_of
from harness.report.charts.interactive_title import packed
from harness.report.charts.traces import envelope, exceedance
from harness.report.elements import records
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.by_frame_rate import seconds_of

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
        phases: Columns ``profile``, ``phase``, ``start_s``, ``end_s``.
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
    phases = []
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
            packs.append(packed(profile, int(place[0]), is_middle, short, width_s, start_s))
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
            phases.append(phase_spans(samples).assign(profile=profile))
    return Traces(
        title,
        setting,
        _stack(frames, ["profile", "t_s", "low_ms", "high_ms", "mean_ms"]),
        _stack(tails, ["profile", "frametime_ms", "slower_pct"]),
        _stack(series, ["profile", "t_s"]),
        _stack(phases, ["profile", "phase", "start_s", "end_s"]),
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
    phase = named["phase"].astype(str).to_numpy(dtype=object)
    t_s = named["t_s"].to_numpy(dtype=np.float64)
    firsts = np.flatnonzero(np.r_[True, phase[1:] != phase[:-1]])
    ends = np.r_[t_s[firsts[1:]], t_s[-1]]
    return pd.DataFrame({"phase": phase[firsts], "start_s": t_s[firsts], "end_s": ends})


def telemetry_panels(traces: Traces) -> list[tuple[str, str]]:
    """The quantities of the telemetry chart with their axis labels: at most three panels."""
    panels = [next((q for q in panel if q[0] in traces.telemetry), None) for panel in TELEMETRY_PANELS]
    return [panel for panel in panels if panel is not None][:3]


def title_charts(campaign: Campaign, traces: Traces, names: Names) -> list[Chart]:
    """The charts of one title and setting: frame times, their distribution, telemetry."""
    looks = looks_of(campaign)
    labels = labels_of(names, looks)
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
                draw=drawn_title.frametimes(traces.frames, looks, labels),
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
                draw=drawn_title.distribution(traces.tail, looks, labels),
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
                heading=f"{label} over time",
                caption=(
                    "Mean of each slice of time. The strips above show the phases of each profile's attempt, "
                    f"the shaded ground is the measured window. Middle repeats ({shown})."
                ),
                alt=f"{label}: {', '.join(text for _, text in present)} from {first_stage} to window's end.",
                data=traces.telemetry,
                draw=drawn_title.telemetry(traces.telemetry, traces.phases, looks, labels, present),
                height_in=1.0 + STRIP_IN * traces.phases["profile"].nunique() + 1.35 * len(present),
                frame=Frame(top=0.55 + STRIP_IN * traces.phases["profile"].nunique()),
            )
        )
    return made
