"""What the report says where the card's own power reading is in doubt, and what would settle it. Pure."""

from __future__ import annotations

import math
from typing import Final

from harness.analysis import Analysis
from harness.analysis.power_doubt import PowerDoubt
from harness.metrics import METRICS
from harness.numerals import counted, decimals_of, out_of, unsigned
from harness.power_sensor.model import PowerSensorModel
from harness.power_sensor.way_out import ways_out
from harness.report.folder import Campaign
from harness.report.names import Names

#: What stands beside a number.
REMARK: Final = "power in doubt"
#: Titles for which ways out are worked out.
_MOST_WAYS: Final = 4
_QUANTITY: Final = {"counter": "energy_j", "averaged reading": "power_average_w"}


def doubted(analysis: Analysis, metric: str, title: str, setting: str, *profiles: str) -> bool:
    """Whether a number rests on a power in doubt, of any of these profiles."""
    known = METRICS.compared_as.get(metric)
    if known is None or not known.sensed:
        return False
    return any((title, setting, profile) in {d.cell for d in analysis.power_doubts} for profile in profiles)


def titles_in_doubt(analysis: Analysis, metric: str, profile: str) -> int:
    """In how many titles a comparison of that profile rests on a power in doubt."""
    sides = profile, analysis.settings.reference
    return len(
        {d.title for d in analysis.power_doubts if doubted(analysis, metric, d.title, d.setting, *sides)}
    )


def said(campaign: Campaign, analysis: Analysis, names: Names) -> list[str]:
    """What a reader must know of it, a sentence each; empty where nothing is in doubt."""
    doubts = analysis.power_doubts
    if not doubts:
        return []
    worst: dict[tuple[str, str], PowerDoubt] = {}
    for one in doubts:
        place = one.title, one.setting
        if place not in worst or not one.u_pct <= worst[place].u_pct:
            worst[place] = one
    listed = "; ".join(f"{names.row(*place)}{_how_much(one)}" for place, one in worst.items())
    many = out_of(sum(d.doubted for d in doubts), len(campaign.counted), "repeat")
    sentences = [
        f"The card's own power reading is in doubt in {many} (its sources disagree, or the frames keep the "
        f"time by which its sensor looks): {listed}. The intervals of power, energy per frame and FPS per "
        "watt hold this, and more repeats don't make it smaller."
    ]
    model = campaign.power_sensor
    if model is None:
        sentences.append(
            "How this card looks at its power is not known, so only what its sources disagree by is in the "
            "intervals; `levelrig doctor --power` measures it."
        )
        return sentences
    for place, one in list(worst.items())[:_MOST_WAYS]:
        way = _way_out(model, one)
        if way:
            sentences.append(f"{names.row(*place)}: {way[0].lower()}{way[1:]}")
    if len(worst) > _MOST_WAYS:
        sentences.append(f"The same holds for {counted(len(worst) - _MOST_WAYS, 'more title')}.")
    return sentences


def _how_much(one: PowerDoubt) -> str:
    if math.isnan(one.u_pct):
        return ""
    return f" (standard uncertainty up to {unsigned(one.u_pct, decimals_of(one.u_pct))} %)"


def _way_out(model: PowerSensorModel, one: PowerDoubt) -> str:
    source = model.of_quantity(_QUANTITY.get(one.source, "power_w"))
    if source is None or not one.rate_fps > 0 or not one.window_s > 0:
        return ""
    duty = None if not 0 < one.load_pct < 100 else one.load_pct / 100
    return ways_out(model, source, rate_hz=one.rate_fps, duty=duty, window_s=one.window_s).sentence
