"""Programs outside the test on the card, through whole campaigns."""

from __future__ import annotations

from harness.testing import ScriptedSensor
from tests.engine.test_campaign import attempts, rig_with, run


class Desktop(ScriptedSensor):
    """A sensor that also tells which programs are on the card: those of each window in turn."""

    def __init__(self, clock, windows, fails=False):
        super().__init__({"core_temp_c": 40.0, "power_w": 200.0}, clock)
        self.windows, self.takes, self.fails = windows, 0, fails

    def programs(self):
        """Called as a window begins, and as it ends."""
        if self.fails:
            raise RuntimeError("the driver is gone")
        self.takes += 1
        ended = self.takes // 2
        return self.windows[(ended - 1) % len(self.windows)] if self.takes % 2 == 0 else {"before": 99.0}


def night(folder, windows, fails=False):
    rig = rig_with()
    rig.sensors = [Desktop(rig.clock, windows, fails)]
    result, _ = run(folder, rig)
    return result, attempts(folder)


def test_a_desktop_that_comes_and_goes_costs_no_attempt(tmp_path):
    windows = [{f"desk-{n}": 0.3 for n in range(16) if (n + shift) % 8} for shift in range(8)]
    result, rows = night(tmp_path / "c", windows)
    assert (result.accepted, len(rows)) == (8, 8)


def test_one_window_under_a_program_that_loads_the_card_is_measured_again(tmp_path):
    quiet = {"desk": 1.0}
    result, rows = night(tmp_path / "c", [quiet, {**quiet, "encoder": 40.0}, *[quiet] * 20])
    assert result.accepted == 8
    assert [row["reason_code"] for row in rows].count("foreign-gpu-load") == 1
    assert rows[1]["reason"].endswith(": encoder")


def test_a_sensor_that_fails_to_tell_costs_no_attempt(tmp_path):
    result, rows = night(tmp_path / "c", [{}], fails=True)
    assert (result.accepted, len(rows)) == (8, 8)
