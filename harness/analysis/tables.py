"""The tables of an analysis: columns, units, meaning. Missing is null, never 0."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from harness.columns import B, Column, F, I, S

if TYPE_CHECKING:
    import pandas as pd

_METRIC = (
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("label", S, "", "what a reader calls the metric", nullable=False),
    Column("group", S, "", "speed, power, temperature or sound", nullable=False),
)

CELL_COLUMNS: tuple[Column, ...] = (
    Column("cell_id", S, "", "title.setting.profile", nullable=False),
    Column("title", S, "", "title's name in the plan", nullable=False),
    Column("setting", S, "", "setting's name in the plan", nullable=False),
    Column("profile", S, "", "profile's name in the plan", nullable=False),
    *_METRIC,
    Column("unit", S, "", "unit of mean, sd, low and high", nullable=False),
    Column("n", I, "", "accepted repeats that carry the metric", nullable=False),
    Column("mean", F, "", "mean over repeats, in the unit of the row", nullable=False),
    Column("sd", F, "", "standard deviation between repeats; null for one repeat"),
    Column("low", F, "", "lower end of the t-interval for the mean; null for one repeat"),
    Column("high", F, "", "upper end of the t-interval for the mean; null for one repeat"),
)

_CLAIM = (
    Column("scale", S, "", "ratio (profile / reference) or difference (profile - reference)", False),
    Column("unit", S, "", "unit of estimate, low, high and the margins; empty for a ratio", False),
    Column("estimate", F, "", "ratio or difference, in the unit of the row", nullable=False),
    Column("low", F, "", "lower end of its interval; null where the scatter is unknown"),
    Column("high", F, "", "upper end of its interval; null where the scatter is unknown"),
    Column("margin_low", F, "", "lower end of what counts as the same", nullable=False),
    Column("margin_high", F, "", "upper end of what counts as the same", nullable=False),
    Column("df", F, "", "degrees of freedom of the interval"),
    Column("claimed", B, "", "true for a primary metric: it has a verdict; else it is described only", False),
    Column("claimed_together", I, "", "numbers of the family that keeps the error rate; 1: described", False),
    Column("interval_pct", F, "%", "confidence of this interval by itself: 100 - error rate / family", False),
    Column("p_difference", F, "", "two-sided p-value of 'no difference'"),
    Column("p_same", F, "", "p-value of 'differs by the margin or more': the larger of two one-sided tests"),
    Column("p_difference_adjusted", F, "", "p_difference times the family's size, 1 at most"),
    Column("p_same_adjusted", F, "", "p_same times twice the family's size, 1 at most"),
    Column("decision", S, "", "same, undecided, withheld, descriptive, or the word for up or down", False),
    Column("direction", S, "", "same, undecided, withheld, descriptive, better, worse, changed", False),
)  # fmt: skip

COMPARISON_COLUMNS: tuple[Column, ...] = (
    Column("title", S, "", "title's name in the plan", nullable=False),
    Column("setting", S, "", "setting's name in the plan", nullable=False),
    Column("profile", S, "", "profile that is compared", nullable=False),
    Column("reference", S, "", "profile that it is compared with", nullable=False),
    *_METRIC,
    *_CLAIM,
    Column("paired", B, "", "true where repeats of one block were compared with each other", nullable=False),
    Column("n_pairs", I, "", "pairs; null where not paired"),
    Column("n_profile", I, "", "repeats of the profile that were used", nullable=False),
    Column("n_reference", I, "", "repeats of the reference that were used", nullable=False),
    Column("sd", F, "", "scatter of one pair on the scale of the analysis (ln of the ratio, K or dB)"),
    Column("more_repeats_needed", I, "", "further repeats likely to decide, least; null: decided or unknown"),
    Column("more_repeats_at_most", I, "", "the same, most, by the range of the scatter; null: over 1000"),
    Column("sentence", S, "", "the row as a sentence fit to publish", nullable=False),
)  # fmt: skip

OVERALL_COLUMNS: tuple[Column, ...] = (
    Column("profile", S, "", "profile that is compared", nullable=False),
    Column("reference", S, "", "profile that it is compared with", nullable=False),
    *_METRIC,
    *_CLAIM,
    Column("n_titles", I, "", "titles that carry the metric for both profiles", nullable=False),
    Column("titles", S, "", "their names", nullable=False),
    Column("scatter", S, "", "what the interval rests on: scatter within titles, or between titles", False),
    Column("like_these_low", F, "", "lower end of the interval for similar titles"),
    Column("like_these_high", F, "", "upper end of the interval for similar titles"),
    Column("like_these_decision", S, "", "the decision by that interval; null for fewer than two titles"),
    Column("sd_between_titles", F, "", "scatter between titles on the scale of the analysis"),
    Column("sentence", S, "", "the row as a sentence fit to publish", nullable=False),
)  # fmt: skip

SENSITIVITY_COLUMNS: tuple[Column, ...] = (
    Column("profile", S, "", "profile that is compared", nullable=False),
    Column("reference", S, "", "profile that it is compared with", nullable=False),
    Column("metric", S, "", "name of the metric", nullable=False),
    Column("label", S, "", "what a reader calls the metric", nullable=False),
    Column("left_out", S, "", "title that is left out", nullable=False),
    Column("unit", S, "", "unit of estimate, low and high; empty for a ratio", nullable=False),
    Column("estimate", F, "", "ratio or difference over the other titles", nullable=False),
    Column("low", F, "", "lower end of its interval; null where the scatter is unknown"),
    Column("high", F, "", "upper end of its interval; null where the scatter is unknown"),
    Column("decision", S, "", "the decision without that title", nullable=False),
    Column("changes_decision", B, "", "true where that differs from the decision with it", nullable=False),
)

_DTYPES = {S: "object", I: "Int64", F: "float64", B: "bool"}


def frame(rows: Iterable[Mapping[str, Any]], columns: Sequence[Column]) -> pd.DataFrame:
    """Rows as a data frame with exactly these columns and their types; NaN and None become null."""
    import pandas as pd

    table = pd.DataFrame.from_records(list(rows), columns=[c.name for c in columns])
    return table.astype({c.name: _DTYPES[c.type] for c in columns})
