"""The error that a repeat's own frames leave in its average."""

import numpy as np
import pytest
from scipy import signal

from harness.frames.doubt import relative_se_pct


def test_the_error_of_an_autocorrelated_series_is_the_one_of_its_effective_sample_size():
    """Source: n (1 - rho)/(1 + rho) effective values of an AR(1) (Bayley & Hammersley 1946)."""
    random = np.random.default_rng(1)
    rho, n, found = 0.8, 20_000, []
    for _ in range(50):
        series = 10 + signal.lfilter([np.sqrt(1 - rho**2)], [1, -rho], random.normal(0, 0.5, n))
        found.append(relative_se_pct(series))
    expected = 100 * 0.5 / 10 / np.sqrt(n * (1 - rho) / (1 + rho))
    assert np.mean(found) == pytest.approx(expected, rel=0.1)
    naive = 100 * 0.5 / 10 / np.sqrt(n)
    assert np.mean(found) > 2.5 * naive


def test_too_few_frames_say_nothing():
    assert relative_se_pct(np.full(39, 10.0)) is None
    assert relative_se_pct(np.empty(0)) is None
