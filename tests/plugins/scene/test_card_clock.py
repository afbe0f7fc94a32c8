"""The card's clock beside the rig's, where looks are late by chance."""

from __future__ import annotations

import numpy as np
import pytest

from harness_plugins.scene.cardclock import CardClock


@pytest.mark.parametrize("drift", [0.0, 4e-5, -4e-5], ids=["equal", "card slower", "card faster"])
def test_late_looks_move_no_frame_time_by_more_than_a_hundredth_of_a_frame(drift: float) -> None:
    random = np.random.default_rng(5)
    true_s = 1000.0 + np.cumsum(np.full(20_000, 0.005))
    late_s = 1e-4 + random.exponential(3e-5, true_s.size) + 3e-3 * (random.random(true_s.size) < 0.05)
    clock = CardClock()
    found_s = np.array(
        [clock.seen(t * (1 - drift) - 777.0, t + late) for t, late in zip(true_s, late_s, strict=True)]
    )
    frametime_ms = np.diff(found_s[100:]) * 1e3
    assert abs(frametime_ms - 5.0).max() < 0.05
    assert frametime_ms.mean() == pytest.approx(5.0, rel=1e-5)
    assert (found_s - true_s)[100:].min() > 0
    assert (found_s - true_s)[100:].max() < 4e-4
