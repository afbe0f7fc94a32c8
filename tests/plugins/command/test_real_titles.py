"""Whole nights with real programs that don't behave."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import psutil
import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and forks are POSIX")

PLAN = """
[plan]
question = "Does it count?"
repeats = 1
reference = "factory"
[conditions]
cooldown = {{ seconds = 0 }}
warm_up = {{ seconds = 0.5 }}
[checks]
foreign_cpu_load_at_most_pct = false
unsteady = "mark"
[retries]
attempts_per_repeat = 2
[[profiles]]
name = "factory"
[[titles]]
name = "mill-race"
workload = "command"
command = ["{{python}}", "{program}"]
measure_s = 3
deadline_s = 60
frame_log = {{ path = "frames.csv", interval_column = "dt", unit = "ms" }}
{more}
"""

FRAMES = """
def frames(seconds):
    import time
    with open("frames.csv", "w") as f:
        f.write("t,dt\\n")
        begun = t = time.perf_counter()
        while t - begun < seconds:
            time.sleep(0.01); n = time.perf_counter()
            f.write(f"{n - begun:.6f},{1000 * (n - t):.4f}\\n"); f.flush(); t = n
            yield
"""


def night(folder: Path, program: str, more: str = "") -> list[dict[str, Any]]:
    """Run it as a title's night; every attempt's row."""
    (folder / "title.py").write_text(FRAMES + program)
    (folder / "plan.toml").write_text(PLAN.format(program=folder / "title.py", more=more))
    command = [sys.executable, "-c", "import sys; from harness.cli import main; sys.exit(main())"]
    done = subprocess.run(
        [*command, "run", str(folder / "plan.toml"), "--into", str(folder / "night")],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert "Traceback" not in done.stdout + done.stderr
    code = (
        "import json, sys, pyarrow.parquet as pq; "
        "t = pq.read_table(sys.argv[1], columns=['verdict', 'reason']); print(json.dumps(t.to_pylist()))"
    )
    rows = subprocess.run(
        [sys.executable, "-c", code, str(folder / "night" / "dataset" / "attempts.parquet")],
        capture_output=True,
        text=True,
        check=True,
    )
    found: list[dict[str, Any]] = json.loads(rows.stdout)
    return found


def test_a_title_that_ignores_the_request_to_end_and_prints_much_is_judged_by_its_window(
    tmp_path: Path,
) -> None:
    program = (
        "import signal, sys; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('in game', flush=True)\n"
        "for number, _ in enumerate(frames(600)):\n"
        "    sys.stdout.write('x' * 100_000 + '\\n')\n"
        "    if number == 200: print('resolution 640x480')\n"
    )
    rows = night(tmp_path, program, 'ready_line = "in game"\nexpect_lines = ["^resolution 640x480$"]')
    assert [(row["verdict"], row["reason"]) for row in rows] == [("accepted", None)]


def test_a_title_whose_launcher_leaves_at_once_is_measured_and_leaves_no_copy(tmp_path: Path) -> None:
    program = (
        "import os, sys, time\n"
        "if os.fork(): sys.exit(0)\n"
        "os.setsid()\n"
        "if os.fork(): os._exit(0)\n"
        "open(sys.argv[0] + '.pid', 'a').write(f'{os.getpid()} ')\n"
        "print('in game', flush=True)\n"
        "for _ in frames(600): pass\n"
    )
    rows = night(tmp_path, program, 'ready_line = "in game"')
    assert [(row["verdict"], row["reason"]) for row in rows] == [("accepted", None)]
    started = [int(pid) for pid in (tmp_path / "title.py.pid").read_text().split()]
    # A zombie is nobody's copy: in a container there may be no one to collect it.
    left = [pid for pid in started if psutil.pid_exists(pid) and psutil.Process(pid).status() != "zombie"]
    assert (len(started), left) == (1, [])


def test_a_launcher_that_only_asks_a_service_is_told_of_process_name(tmp_path: Path) -> None:
    rows = night(tmp_path, "print('asked')\n")
    assert rows
    assert all("process_name" in row["reason"] for row in rows)
