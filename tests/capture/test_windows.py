"""Windows are watched from outside, on a real X server; the counts are those of the program."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from harness.capture import build
from harness.capture.one_program import capture_program
from harness.capture.x11 import NoDisplay, XClient
from harness.errors import FrameLogError, WorkloadFailed
from tests.capture.conftest import needs_compiler

PROGRAM = Path(__file__).parent / "programs" / "x_presents.py"


@pytest.fixture
def watched(display, monkeypatch):
    monkeypatch.setenv("DISPLAY", display)

    def run(act, count, period_s):
        words = [sys.executable, str(PROGRAM), act, str(count), str(period_s)]
        return capture_program(words, way="capture-window")

    return run


def test_each_completed_present_is_a_frame_by_the_display_s_own_clock(watched):
    found = watched("present", 60, 0.02)
    assert found.frames == 60
    assert found.log.clock == "rig"
    assert "Present of X, 200 × 100 pixels" in found.log.notes[0]
    assert "update time" in found.log.notes[0]


def test_what_damage_tells_is_called_an_estimate(watched):
    found = watched("draw", 60, 0.02)
    assert 20 <= found.frames <= 61  # on a machine that is busy, several are one event
    assert any("an estimate" in note for note in found.log.notes)


@needs_compiler
def test_a_title_whose_calls_can_t_be_captured_learns_that_its_windows_can_be_watched(display, monkeypatch):
    build.library()
    monkeypatch.setenv("DISPLAY", display)
    monkeypatch.setattr("harness.capture.workload.PROBE_AFTER_S", 0.0)
    with pytest.raises(FrameLogError, match=r"changed [0-9]+ times: set frames = 'capture-window'"):
        capture_program([sys.executable, str(PROGRAM), "draw", "40", "0.02"])


def test_a_program_without_a_window_is_an_error_that_says_so(display, monkeypatch):
    monkeypatch.setenv("DISPLAY", display)
    with pytest.raises(FrameLogError, match="no window of the title was found"):
        capture_program(["true"], way="capture-window")


@pytest.mark.parametrize("name", ["", ":9876", "elsewhere.example:0"])
def test_a_display_that_is_not_there_is_refused_before_the_title_starts(name, monkeypatch):
    with pytest.raises(NoDisplay):
        XClient({"DISPLAY": name})
    monkeypatch.setenv("DISPLAY", name)
    with pytest.raises(WorkloadFailed, match="the capture can't begin"):
        capture_program(["true"], way="capture-window")
