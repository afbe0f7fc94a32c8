"""The running campaign's side of the live page."""

import json
from pathlib import Path

from harness.engine.progress import Progress, Silent
from harness.watch import Beacon


class Told(Silent):
    def __init__(self) -> None:
        self.count = 0

    def on_progress(self, progress: Progress) -> None:
        self.count += 1


def progress(temp_c: float = 60.0) -> Progress:
    return Progress("soak", "a.b.c", 1, 2, 3, 8, 4.0, None, 120.0, {"core_temp_c": temp_c}, "steady")


def test_progress_is_passed_on_always_and_written_once_a_second(tmp_path: Path) -> None:
    now, told = [0.0], Told()
    beacon = Beacon(tmp_path, told, now_s=lambda: now[0])
    beacon.on_progress(progress(60))
    now[0] = 0.9
    beacon.on_progress(progress(61))
    assert json.loads((tmp_path / "live.json").read_text())["readings"] == {"core_temp_c": 60}
    now[0] = 1.1
    beacon.on_progress(progress(62))
    live = json.loads((tmp_path / "live.json").read_text())
    assert live["readings"] == {"core_temp_c": 62}
    assert (live["phase"], live["ends_in_s"], told.count) == ("soak", 120.0, 3)


def test_an_outcome_makes_the_next_progress_be_written_at_once(tmp_path: Path) -> None:
    beacon = Beacon(tmp_path, Silent(), now_s=lambda: 0.0)
    beacon.on_progress(progress(60))
    beacon.on_attempt("a.b.c", 1, 1, "accepted", None)
    beacon.on_progress(progress(70))
    assert json.loads((tmp_path / "live.json").read_text())["readings"] == {"core_temp_c": 70}


def test_the_history_is_bounded_however_long_the_night(tmp_path: Path) -> None:
    now = [0.0]
    beacon = Beacon(tmp_path, Silent(), now_s=lambda: now[0])
    for i in range(400):
        now[0] = 5.0 * i
        beacon.on_progress(progress(40 + i))
    history = json.loads((tmp_path / "live.json").read_text())["history"]
    assert len(history) == 180
    assert history[-1] == {"t_s": 5.0 * 399, "core_temp_c": 439}


def test_a_folder_that_can_not_be_written_does_not_reach_the_measurement(tmp_path: Path) -> None:
    told = Told()
    beacon = Beacon(tmp_path / "gone", told)
    beacon.on_progress(progress())
    beacon.close()
    assert told.count == 1


def test_nothing_is_left_behind_when_the_run_ends(tmp_path: Path) -> None:
    beacon = Beacon(tmp_path, Silent())
    beacon.on_progress(progress())
    beacon.close()
    beacon.close()
    assert list(tmp_path.iterdir()) == []
