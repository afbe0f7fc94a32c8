"""OpenGL's swap calls are recorded in whichever way a program comes by them; no screen is needed."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from harness.capture import LOGS
from harness.capture.reading import OTHER_WINDOW, REFUSED, read_capture
from harness.capture.recorder import CaptureLog, Recorder
from harness.capture.switch import RingFolder, variables
from harness.capture.why_nothing import why_nothing
from tests.capture.conftest import needs_compiler

pytestmark = needs_compiler


class Run:
    """One captured run."""

    def __init__(self, words, native, folder):
        rings = RingFolder()
        log = CaptureLog(folder / LOGS["capture"])
        self.recorder = Recorder(rings.path, log)
        self.recorder.start()
        added = variables(rings.reachable(native), rings.path, {}, display_times=False)
        done = subprocess.run(words, env=added, capture_output=True, text=True, timeout=60, check=False)
        self.recorder.finish()
        rings.remove()
        self.exit_code, self.said = done.returncode, done.stdout.strip()
        self.rows = log.rows
        self.path = log.path

    def read(self):
        return read_capture(self.path, "capture")


@pytest.fixture
def run(native, swapper, tmp_path):
    return lambda act, count: Run(swapper(act, count), native, tmp_path)


@pytest.mark.parametrize(("act", "kind"), [("dlsym", "glx"), ("address", "glx"), ("egl", "egl")])
def test_a_swap_is_recorded_however_its_address_was_got(run, act, kind):
    done = run(act, 500)
    assert (done.said, done.rows) == ("500", {kind: 500})
    log = done.read()
    assert log.frames.num_rows == 499  # between 500 presents
    assert log.clock == "rig"
    assert "call time" in log.notes[0]


def test_what_a_library_lacks_is_not_found_through_the_capture(run):
    assert run("absent", 0).exit_code == 0


def test_a_swap_that_fails_is_no_frame_and_its_time_counts_to_the_next(run):
    log = run("refused", 100).read()
    assert (log.frames.num_rows, log.left_out[REFUSED]) == (89, 10)


def test_the_largest_window_counts_and_the_other_is_left_out_with_its_count(run):
    log = run("windows", 100).read()
    assert (log.frames.num_rows, log.left_out[OTHER_WINDOW]) == (99, 200)
    assert any("1 other window presented 200 times" in note for note in log.notes)


def test_two_threads_lose_nothing(run):
    done = run("threads", 20_000)
    assert (done.said, done.rows) == ("40000", {"glx": 40_000})
    log = done.read()
    assert (
        log.frames.num_rows
        + log.left_out.get("first row: no frame before it", 0)
        + sum(log.dropped.values())
        + log.left_out.get("no time since the frame before", 0)
        == 40_000
    )
    assert any("2 threads or queues" in note for note in log.notes)


def test_a_forked_process_has_a_record_of_its_own(run):
    done = run("fork", 300)
    assert done.rows == {"glx": 900 - 300}
    assert len(done.recorder.programs) == 2


def test_a_title_that_clears_its_environment_before_its_first_frame_is_recorded(run):
    assert run("scrubbed", 50).rows == {"glx": 50}


def test_a_hundred_windows_after_one_another_all_have_their_size(run):
    done = run("new-windows", 100)
    assert done.rows == {"glx": 500}
    rows = [line.split(",") for line in done.path.read_text().splitlines() if line.startswith("glx")]
    assert {int(row[6]) for row in rows} == {100 * window for window in range(1000, 1100)}


def test_a_title_whose_files_must_be_small_runs_on_and_the_reason_is_told(native, swapper, tmp_path):
    """A file beyond the limit would end it: setrlimit(2), RLIMIT_FSIZE."""
    words = ["sh", "-c", 'ulimit -f 100; exec "$@"', "sh", *swapper("dlsym", 50)]
    done = Run(words, native, tmp_path)
    assert (done.exit_code, done.said, done.rows) == (0, "50", {})
    assert "ulimit -f" in why_nothing(None, done.recorder.failures)


@pytest.mark.parametrize("name", ["two words", "a:b", "a;b", "a$ORIGIN"])
def test_a_library_in_a_folder_that_variables_can_t_name_is_loaded(native, swapper, tmp_path, name):
    library = tmp_path / name / native.name
    library.parent.mkdir()
    shutil.copy(native, library)
    done = Run(swapper("dlsym", 50), library, tmp_path)
    assert done.rows == {"glx": 50}


def test_what_a_killed_title_presented_is_kept(run):
    done = run("crash", 1234)
    assert done.exit_code == -9
    assert done.rows == {"glx": 1234}
    assert done.read().frames.num_rows == 1233


def test_a_ring_that_runs_over_is_counted_and_never_silent(native, swapper, tmp_path):
    """Nobody reads while 70,000 swaps go into a ring of 65,536."""
    rings = RingFolder()
    log = CaptureLog(tmp_path / LOGS["capture"])
    recorder = Recorder(rings.path, log)
    added = variables(native, rings.path, {}, display_times=False)
    subprocess.run(swapper("dlsym", 70_000), env=added, check=True, capture_output=True, timeout=60)
    recorder.finish()
    rings.remove()
    assert log.rows == {"glx": 65_536, "lost": 70_000 - 65_536}
    with pytest.raises(Exception, match="lost as the ring of the capture ran over"):
        read_capture(log.path, "capture")
