"""A title's output is taken whole, searched whole, and kept within a bound."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import SystemClock
from harness.lines import missing_in_file
from harness.output import HEAD_BYTES, TAIL_BYTES, BoundedFile, OutputPump
from harness.processes import TitleProcess

GAP = re.compile(rb"\n\[levelrig: (\d+) bytes left out here\]\n")


@given(st.lists(st.binary(max_size=40), max_size=20))
def test_the_beginning_and_the_end_are_kept_and_what_is_missing_is_counted(
    tmp_path_factory: pytest.TempPathFactory, parts: list[bytes]
) -> None:
    path = tmp_path_factory.mktemp("bounded") / "output.log"
    file = BoundedFile(path, head_bytes=16, tail_bytes=24)
    for part in parts:
        file.write(part)
        assert path.stat().st_size <= 40
    file.close()
    whole, kept = b"".join(parts), path.read_bytes()
    if len(whole) <= 40:
        assert kept == whole
        return
    notice = b"\n[levelrig: %d bytes left out here]\n" % (len(whole) - 40)
    assert kept == whole[:16] + notice + whole[-24:]


def test_a_second_launch_adds_to_the_file(tmp_path: Path) -> None:
    path = tmp_path / "output.log"
    for words in (b"first", b"second"):
        file = BoundedFile(path, head_bytes=8, tail_bytes=4)
        file.write(words)
        file.close()
    assert path.read_bytes().startswith(b"firstsec")


FLOOD = """
import sys
chunk = b"frame took 5.4 ms and nothing else\\n" * 30000
write = sys.stdout.buffer.write
def flood(megabytes):
    for _ in range(megabytes): write(chunk)
flood(150); write(b"resolution 2560x1440\\n"); flood(150)
write(b"\\xff\\x00" * 3_000_000 + b"\\nscore 42\\n")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="resource is POSIX")
def test_a_title_that_prints_300_mb_costs_bounded_memory_and_disk_and_no_line_is_missed(
    tmp_path: Path,
) -> None:
    # In a process of its own: the largest resident set of this one says nothing.
    program = (
        "import resource, sys, time; from pathlib import Path\n"
        "from harness.clock import SystemClock; from harness.patterns import Pattern\n"
        "from harness.processes import TitleProcess\n"
        "score, found = Pattern(r'^score (\\d+)$'), []\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024\n"
        "take = lambda block, a, b: found.extend(m.groups[0] for m in score.in_block(block))\n"
        "take(b'score 1\\n', 0, 0); before = peak(); gap = 0.0; last = time.monotonic()\n"
        f"t = TitleProcess([sys.executable, '-c', {FLOOD!r}], SystemClock(), cwd=Path({str(tmp_path)!r}),\n"
        f"  output_path=Path({str(tmp_path / 'output.log')!r}), take=take, keep=['^resolution 2560x1440$'])\n"
        "while t.exit_code() is None:\n"
        "    time.sleep(0.01); now = time.monotonic(); gap = max(gap, now - last); last = now\n"
        "t.end(0.0); print(peak() - before, found, round(gap, 3))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=300)
    assert done.stderr == ""
    grown_mib, found = done.stdout.split(" ", 1)
    assert found.startswith("['1', '42']")
    assert int(grown_mib) < 64
    output = tmp_path / "output.log"
    assert output.stat().st_size < HEAD_BYTES + TAIL_BYTES + 1000
    gap = GAP.search(output.read_bytes())
    assert gap is not None
    assert int(gap[1]) > 290_000_000
    assert missing_in_file(output, ["^resolution 2560x1440$", "^score", "3840"]) == ("3840",)


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe's end is awaited by poll")
def test_a_line_that_comes_in_two_parts_was_begun_before_the_first(tmp_path: Path) -> None:
    taken: list[tuple[bytes, float, float]] = []
    reading, writing = os.pipe()
    pump = OutputPump(
        os.fdopen(reading, "rb"), tmp_path / "out", time.perf_counter, lambda *line: taken.append(line)
    )
    stamped_s = time.perf_counter()
    os.write(writing, b"clock 5.0")
    while pump.bytes_read < 9:
        time.sleep(0.001)
    for _ in range(3):  # looks that find nothing more
        os.write(writing, b" ")
        time.sleep(0.05)
    os.write(writing, b"\n")
    os.close(writing)
    pump.close()
    ((block, since_s, now_s),) = taken
    assert block == b"clock 5.0   \n"
    assert since_s <= stamped_s < now_s
    assert pump.ended


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe's end is awaited by poll")
def test_closing_waits_for_no_stranger_that_holds_the_output_open(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    before = {path.name for path in Path("/proc/self/fd").iterdir()} if sys.platform == "linux" else set()
    pump = OutputPump(os.fdopen(reading, "rb"), tmp_path / "out", time.perf_counter)
    os.write(writing, b"last words\n")
    pump.close(within_s=60.0)
    assert pump.ended
    assert pump.last_words() == ["last words"]
    pump.close()
    os.close(writing)
    if sys.platform == "linux":
        assert {path.name for path in Path("/proc/self/fd").iterdir()} <= before


def test_a_line_without_end_is_no_burden_and_what_follows_is_read(tmp_path: Path) -> None:
    blocks: list[bytes] = []
    program = "import sys; w = sys.stdout.write\nfor _ in range(20): w('x' * 1000000)\nprint(); print('next')"
    title = TitleProcess(
        [sys.executable, "-c", program],
        SystemClock(),
        cwd=tmp_path,
        output_path=tmp_path / "output.log",
        take=lambda block, since_s, now_s: blocks.append(block),
    )
    end_s = time.monotonic() + 60
    while title.exit_code() is None and time.monotonic() < end_s:
        time.sleep(0.01)
    title.end(0.0)
    assert sum(map(len, blocks)) < 2_000_000
    assert blocks[-1].endswith(b"next\n")


@pytest.mark.skipif(sys.platform != "linux", reason="a pipe's holders can be told on Linux only")
def test_a_program_that_left_session_parent_and_environment_is_known_by_its_output_and_ended(
    tmp_path: Path,
) -> None:
    title = TitleProcess(
        [sys.executable, "-c", DOUBLE_FORK], SystemClock(), cwd=tmp_path, output_path=tmp_path / "output.log"
    )
    end_s = time.monotonic() + 20
    while title.exit_code() is None and time.monotonic() < end_s:
        time.sleep(0.01)
    assert title.exit_code() == 0
    assert title.alive()
    (left,) = title.tree()
    title.end(0.3)
    assert not left.is_running() or left.status() == psutil.STATUS_ZOMBIE
    assert not title.alive()
    assert "levelrig-output" not in {thread.name for thread in threading.enumerate()}


#: Leaves a grandchild in a session of its own, with an empty environment, that ignores the request to end.
DOUBLE_FORK = """
import os, sys
if os.fork() == 0:
    os.setsid()
    if os.fork() == 0:
        code = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(600)"
        os.execve(sys.executable, [sys.executable, "-c", code], {})
    os._exit(0)
os.wait()
"""
