"""What watching a title costs: the look at its processes, and taking its output.

pytest tests/bench/test_title_cost.py -m bench -s
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import psutil
import pytest

from harness.clock import SystemClock
from harness.patterns import Pattern
from harness.processes import TitleProcess, own_cpu_s

pytestmark = pytest.mark.bench

#: As the driver and the sampler call, inside the window.
PULSE_S = 0.25
LOAD_EVERY_S = 1.0
WINDOW_S = 30.0


@pytest.mark.parametrize("count", [1, 31, 60])
def test_the_look_at_a_titles_processes(tmp_path: Path, count: int) -> None:
    program = (
        "import subprocess, sys, time\n"
        "sleeper = [sys.executable, '-S', '-c', 'import time; time.sleep(600)']\n"
        f"started = [subprocess.Popen(sleeper) for _ in range({count - 1})]\n"
        "print('up', flush=True); time.sleep(600)"
    )
    title = TitleProcess(
        [sys.executable, "-c", program], SystemClock(), cwd=tmp_path, output_path=tmp_path / "output.log"
    )
    try:
        while not title.last_words():
            time.sleep(0.1)
        assert len(title.tree()) == count
        title.last_sign_s()
        own_cpu_s()
        begun_s, used_s, due_s = time.perf_counter(), time.process_time(), 0.0
        while (now_s := time.perf_counter() - begun_s) < WINDOW_S:
            for _ in range(2):  # the driver looks at the title's life, then at its end
                title.exit_code()
                title.last_sign_s()
            if now_s >= due_s:
                due_s += LOAD_EVERY_S
                own_cpu_s()
            time.sleep(PULSE_S)
        share_pct = 100 * (time.process_time() - used_s) / (time.perf_counter() - begun_s)
        print(f"\n{count} processes of {len(psutil.pids())}: {share_pct:.3f} % of a core")
        assert share_pct <= 0.3
    finally:
        title.end(1.0)


@pytest.mark.parametrize("size_mb", [300])
def test_a_title_that_prints_as_fast_as_it_can(tmp_path: Path, size_mb: int) -> None:
    program = (
        "import sys, time; chunk = b'frame 123456 took 5.4 ms\\n' * 40000; begun = time.perf_counter()\n"
        f"for _ in range({size_mb}): sys.stdout.buffer.write(chunk)\n"
        "sys.stdout.flush(); print('took', time.perf_counter() - begun, file=sys.stderr)"
    )
    wanted = [Pattern(text) for text in (r"(a+)+$", r"^score ([\d.]+)", "results written")]
    gaps = [0.0]

    def take(block: bytes, since_s: float, now_s: float) -> None:
        for pattern in wanted:
            pattern.matches(block)

    process = psutil.Process()
    before, used_s = process.memory_info().rss, time.process_time()
    title = TitleProcess(
        [sys.executable, "-c", program],
        SystemClock(),
        cwd=tmp_path,
        output_path=tmp_path / "output.log",
        take=take,
    )
    begun_s = last_s = time.perf_counter()
    rss = before
    while title.exit_code() is None:
        time.sleep(0.01)
        now_s = time.perf_counter()
        gaps.append(now_s - last_s)
        last_s, rss = now_s, max(rss, process.memory_info().rss)
    took_s = time.perf_counter() - begun_s
    title.end(0.0)
    print(
        f"\n{size_mb} MB with three patterns: {size_mb / took_s:.0f} MB/s, "
        f"{1000 * (time.process_time() - used_s) / size_mb:.1f} ms of processor a MB, "
        f"resident set +{(rss - before) / 2**20:.0f} MiB, longest gap of a thread that looks every 10 ms: "
        f"{1000 * max(gaps):.0f} ms"
    )
