"""One extension after a look, with the error rate kept."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from harness.analysis import AnalysisSettings
from harness.analysis.analyse import analyse
from harness.analysis.estimate import of_mean
from harness.analysis.extension import final_level, interval, p_above, spent
from harness.analysis.settings import FIRST_LOOK, Extension


@pytest.mark.parametrize("alpha", [0.025, 0.0125, 0.001])
def test_both_looks_together_spend_the_error_rate_by_the_bivariate_normal(alpha):
    """Source: ``scipy.stats.multivariate_normal``: P(z1 below its bound, (z1 + z2)/sqrt(2) above its own)."""
    first, last = stats.norm.isf(FIRST_LOOK * alpha), stats.norm.isf(final_level(alpha))
    both = stats.multivariate_normal([0, 0], [[1, 1 / np.sqrt(2)], [1 / np.sqrt(2), 1]])
    stays = both.cdf([first, last], rng=np.random.default_rng(1))
    assert 1 - stays == pytest.approx(alpha, rel=2e-3)
    assert spent(final_level(alpha)) == pytest.approx(alpha, rel=1e-3)


def test_interval_and_p_value_are_one():
    random = np.random.default_rng(4)
    first, second = of_mean(random.normal(0.2, 1, 5)), of_mean(random.normal(0.2, 1, 7))
    low, high = interval(first, second, 0.05)
    assert p_above(first, second, low) == pytest.approx(0.025, rel=1e-3)
    assert low < (first.value + second.value) / 2 < high


def test_extending_where_the_first_look_was_undecided_keeps_the_error_rate():
    """Each undecided first look is extended, by more repeats the closer it was: 5 % of false claims stay 5 %.

    Pooling all repeats in a plain t test, as if they had been planned, would not keep it.
    """
    random = np.random.default_rng(5)
    false = pooled = 0
    count = 6000
    for _ in range(count):
        x = random.normal(0, 1, 5)
        first = of_mean(x)
        t = abs(first.value / first.se)
        p = 2 * float(stats.t.sf(t, 4))
        if p <= FIRST_LOOK * 0.05:
            false += 1
        else:
            more = random.normal(0, 1, 2 if p < 0.2 else 12)
            low, high = interval(first, of_mean(more), 0.05)
            false += not low <= 0 <= high
            whole = of_mean(np.concatenate([x, more]))
            pooled += 2 * float(stats.t.sf(abs(whole.value / whole.se), whole.n - 1)) <= 0.05
        pooled += p <= 0.05 and p > FIRST_LOOK * 0.05
    assert false / count <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / count)
    assert pooled / count + FIRST_LOOK * 0.05 > 0.05 + 2 * np.sqrt(0.05 * 0.95 / count)


def night(repeats: int) -> pd.DataFrame:
    random = np.random.default_rng(6)
    return pd.DataFrame(
        [
            {
                "title": "a",
                "setting": "default",
                "profile": profile,
                "repeat_index": n,
                "block": n,
                "average_fps": 100 * np.exp(random.normal(0, 0.01)),
            }
            for n in range(1, repeats + 1)
            for profile in ("factory", "quiet")
        ]
    )


def test_the_first_look_is_a_little_wider_and_the_extension_decides_by_both_stages():
    plain = AnalysisSettings("factory", profiles=("factory", "quiet"))
    kept = AnalysisSettings("factory", profiles=("factory", "quiet"), extension=Extension(5, None))
    extended = AnalysisSettings("factory", profiles=("factory", "quiet"), extension=Extension(5, 10))
    five, ten = night(5), night(10)
    rows = [analyse(table, s).overall.iloc[0] for table, s in ((five, plain), (five, kept), (ten, extended))]
    widths = [row["high"] - row["low"] for row in rows]
    assert widths[0] < widths[1] < 1.15 * widths[0]
    assert widths[2] < widths[1]
    assert rows[2]["low"] < rows[2]["estimate"] < rows[2]["high"]
