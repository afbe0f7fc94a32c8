"""Campaigns whose titles write date-times in aligned columns, and a compressed JSON array."""

from __future__ import annotations

import datetime as dt
import json
import lzma

import numpy as np
import pytest

from tests.engine import test_frame_log_campaigns as campaigns

MIDNIGHT = dt.datetime(2031, 3, 9, 23, 59, 50, tzinfo=dt.UTC)


class StampedWorkload(campaigns.TextLogWorkload):
    """Writes its log in aligned columns, with clock times that pass midnight."""

    def packed(self, steps_ms, ends_s) -> bytes:
        stamps = [MIDNIGHT + dt.timedelta(seconds=float(end - self._start_s)) for end in ends_s]
        rows = [f"{at:%H:%M:%S.%f}   {step:>12,.3f}" for at, step in zip(stamps, steps_ms * 1e3, strict=True)]
        return "\n".join(["at               took", *rows, ""]).encode()

    def stop(self, grace_s: float) -> None:
        if not self.stopped and self.launch is not None:
            span_s = self._clock.now_s() - self._start_s
            steps_ms = np.resize(campaigns.STEP_MS, int(1.2 * span_s / campaigns.STEP_MS.mean() * 1e3))
            ends_s = self._start_s + np.cumsum(steps_ms) / 1e3
            done = ends_s <= self._clock.now_s()
            self._path.write_bytes(self.packed(steps_ms[done], ends_s[done]))
        campaigns.ScriptedWorkload.stop(self, grace_s)


class NestedWorkload(StampedWorkload):
    """Writes one JSON array of objects within objects, compressed by xz."""

    def packed(self, steps_ms, ends_s) -> bytes:
        rows = [{"frame": {"at": float(e), "took": float(s)}} for e, s in zip(ends_s, steps_ms, strict=True)]
        return lzma.compress(json.dumps(rows).encode())


MAPPINGS = {
    StampedWorkload: 'presentation_time_column = "at", time_unit = "clock", interval_column = "took", '
    'unit = "us", thousands = ",", delimiter = "spaces"',
    NestedWorkload: 'presentation_time_column = "frame.at", time_unit = "s", interval_column = "frame.took", '
    'clock = "rig"',
}


@pytest.mark.parametrize("workload", MAPPINGS)
def test_a_night_of_such_logs_is_accepted_and_has_the_frame_rate_that_was_written(
    workload, tmp_path, monkeypatch
):
    monkeypatch.setattr(campaigns, "TextLogWorkload", workload)
    rows, told, _ = campaigns.run(tmp_path / "c", MAPPINGS[workload])
    assert [row["verdict"] for row in rows] == ["accepted", "accepted"], (rows, told)
    for row in rows:
        assert row["average_fps"] == pytest.approx(1e3 / campaigns.STEP_MS.mean(), rel=0.02)
