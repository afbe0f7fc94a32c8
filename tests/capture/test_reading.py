"""A captured log is read as a frame log; the logs are written by hand, so what is in them is known."""

from __future__ import annotations

import numpy as np
import pytest

from harness.capture import LOGS
from harness.capture.reading import NOT_DISPLAYED, read_capture
from harness.capture.recorder import COLUMNS, FIRST_LINE
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.recent import GrowingLog

MS = 1_000_000
START_NS = 5_000_000_000_000


def row(kind, at_ms, **keys):
    known = {
        "kind": kind, "process": 7, "surface": 1, "swapchain": 2, "call_ns": START_NS + round(at_ms * MS),
        "return_ns": 0, "width": 1920, "height": 1080, "result": 0, "thread": 7, "queue": 5, "image": 0,
        "present_id": 0, "largest": 1, **keys,
    }  # fmt: skip
    return ",".join(str(known[name]) for name in COLUMNS)


@pytest.fixture
def log(tmp_path):
    def write(rows, way="capture"):
        path = tmp_path / LOGS[way]
        path.write_text("\n".join([FIRST_LINE, ",".join(COLUMNS), "# process 7 is /games/basalt", *rows, ""]))
        return path

    return write


def test_frame_times_are_those_between_calls_on_the_rig_s_clock(log):
    found = read_capture(log([row("vulkan", 10 * n) for n in range(60)]), "capture")
    assert found.clock == "rig"
    np.testing.assert_allclose(found.frames["frametime_ms"].to_numpy(), 10.0, atol=1e-6)
    assert found.frames["t_s"][0].as_py() == pytest.approx(START_NS / 1e9 + 0.010, abs=1e-9)
    assert found.rows_read == 60


def test_display_times_are_tied_to_their_presents_by_number(log):
    """Presented every 10 ms, displayed 25 ms later; each fourth was never seen displayed."""
    presents = [row("vulkan", 10 * n, present_id=n + 1) for n in range(80)]
    displays = [row("displayed", 10 * n + 25, present_id=n + 1) for n in range(80) if n % 4]
    found = read_capture(log([*presents, *displays], "capture-display"), "capture-display")
    assert (found.frames.num_rows, found.left_out[NOT_DISPLAYED]) == (59, 20)
    assert found.frames["t_s"][0].as_py() == pytest.approx(START_NS / 1e9 + 0.045, abs=1e-9)
    assert "display time" in found.notes[0]


def test_no_time_of_display_is_an_error_that_says_what_to_set(log):
    path = log([row("vulkan", n, present_id=n + 1) for n in range(50)], "capture-display")
    with pytest.raises(FrameLogError, match="set frames = 'capture'"):
        read_capture(path, "capture-display")


def test_one_frame_is_an_error_that_says_why(log):
    with pytest.raises(FrameLogError, match="one frame, and a frame time is between two"):
        read_capture(log([row("vulkan", 0)]), "capture")


def test_presents_out_of_order_are_sorted_and_counted(log):
    times = [10 * n for n in range(50)]
    times[20], times[21] = times[21], times[20]
    found = read_capture(log([row("vulkan", t) for t in times]), "capture")
    np.testing.assert_allclose(found.frames["frametime_ms"].to_numpy(), 10.0, atol=1e-6)
    assert any("1 present arrived out of order and was sorted" in note for note in found.notes)


def test_presents_of_two_processes_that_were_read_by_turns_are_not_out_of_order(log):
    turns = [(process, 10 * n) for start in (0, 25) for process in (7, 8) for n in range(start, start + 25)]
    rows = [row("vulkan", at_ms + (process == 8), process=process) for process, at_ms in turns]
    assert not any("out of order" in note for note in read_capture(log(rows), "capture").notes)


def test_a_few_lost_records_are_a_gap_in_which_nothing_is_measured(log):
    """Three of 603 were lost: their time is no frame of 40 ms."""
    before, after = ([row("vulkan", 10 * n) for n in part] for part in (range(300), range(303, 603)))
    found = read_capture(log([*before, row("lost", 2990, image=3), *after]), "capture")
    assert found.dropped["lost as the ring of the capture ran over"] == 3
    assert found.frames["frametime_ms"].to_numpy().max() < 11
    assert found.worst is not None


def test_what_a_process_could_not_do_is_noted(log):
    found = read_capture(log([*(row("vulkan", 10 * n) for n in range(50)), "# failed: space-28"]), "capture")
    assert any("could not record: there is no memory for its ring" in note for note in found.notes)


def test_a_count_of_lost_records_beyond_all_measure_is_refused_and_not_made_room_for(log):
    path = log([*(row("vulkan", 10 * n) for n in range(50)), row("lost", 490, image=2**62)])
    with pytest.raises(FrameLogError, match="records were lost as levelrig could not keep up"):
        read_capture(path, "capture")


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ("t,ms\n1,2\n", "no log of levelrig's capture"),
        (f"{FIRST_LINE}\n{','.join(COLUMNS)}\n", "0 rows and no frame"),
        (f"{FIRST_LINE}\nkind,call_ns\nvulkan,5\n", "columns are not those"),
        (f"{FIRST_LINE}\n{','.join(COLUMNS)}\n{'x,' * 13}1\n", "can't be read"),
    ],
)
def test_what_is_no_captured_log_is_refused(tmp_path, content, complaint):
    path = tmp_path / "presents.csv"
    path.write_text(content)
    with pytest.raises(FrameLogError, match=complaint):
        read_capture(path, "capture")


def test_a_log_that_grows_tells_the_frame_rate_of_its_largest_window(log):
    from harness.capture.reading import LIVE_MAPPING

    rows = []
    for n in range(300):
        rows += [row("vulkan", 10 * n), row("vulkan", 10 * n + 3, surface=9, largest=0)]
    fps = GrowingLog(log(rows), ColumnMapping.model_validate(LIVE_MAPPING)).recent_fps()
    assert fps == pytest.approx(100, rel=0.01)
