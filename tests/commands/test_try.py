"""``levelrig try`` from outside: real processes, what is said of them, what is left behind.

``--beside`` stands wherever the refusal to disturb another run is not what is tested: tests run side by side.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import pytest

from harness.cli import main

Tried = Callable[..., tuple[int, str]]
TITLE = """
import os, sys, time
mode = sys.argv[1]
print("loading", flush=True)
if mode == "crash":
    print("no device found"); sys.exit(3)
name = {"dated": time.strftime("log-%Y-%m-%d_%H-%M-%S.csv"), "nolog": ""}.get(mode, "frames.csv")
log = open(name, "w") if name else None
if log and mode != "empty":
    log.write("Frame,ClockUs,TookMs\\n"); log.flush()
if mode == "megabytes":
    for _ in range(40_000): print("x" * 100)
if mode == "bytes":
    sys.stdout.buffer.write(b"\\xff\\xfe\\x80 demo begins\\n"); sys.stdout.flush()
else:
    print("Demo Begins" if mode == "case" else "demo begins", flush=True)
begun_s = last_s = time.perf_counter(); n = 0
while time.perf_counter() - begun_s < (0.8 if mode == "score" else 600):
    time.sleep(0.009 + n % 7 / 3000)
    now_s = time.perf_counter(); n += 1
    if log and mode != "empty":
        log.write(f"{n},{(now_s - begun_s) * 1e6:.0f},{(now_s - last_s) * 1e3:.3f}\\n"); log.flush()
    last_s = now_s
print("average: 98.7 frames")
"""
HEAD = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[conditions]
warm_up = { seconds = 0.3 }
cooldown = { seconds = 300 }
[checks]
mark_only = ["foreign-cpu-load", "foreign-gpu-load", "frame-cap", "long-pause", "frame-log-short",
  "telemetry-gap", "window-short"]
[[profiles]]
name = "factory"
control = "processor"
[[profiles]]
name = "one-thread"
control = "processor"
thread_count = 1
"""
FRAMES = 'frame_log = { path = "frames.csv", interval_column = "TookMs", unit = "ms" }'


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan of one title for each mode, in a folder of its own."""
    (tmp_path / "title.py").write_text(TITLE)
    modes = {
        "good": FRAMES,
        "crash": FRAMES,
        "case": f"{FRAMES}\ndeadline_s = 3",
        "nolog": FRAMES,
        "dated": FRAMES,
        "column": FRAMES.replace("TookMs", "dt"),
        "empty": FRAMES,
        "megabytes": FRAMES,
        "bytes": FRAMES,
        "score": 'score_line = "mean: ([0-9.]+)"',
    }
    text = HEAD
    for mode, more in modes.items():
        text += f"""
[[titles]]
name = "{mode}"
workload = "command"
command = ["{{python}}", '{tmp_path / "title.py"}', "{"good" if mode == "column" else mode}"]
ready_line = "demo begins"
measure_s = 1.2
{more}
"""
    (tmp_path / "plan.toml").write_text(text)
    return tmp_path / "plan.toml"


def start(plan: Path, *words: str, **options: Any) -> subprocess.Popen[str]:
    environment = {**os.environ, "TMPDIR": str(plan.parent), "COLUMNS": "100"}
    return subprocess.Popen(
        [sys.executable, "-m", "harness.cli", "try", str(plan), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=plan.parent,
        env=environment,
        **options,
    )


@pytest.fixture
def tried(
    plan: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[int, str]]:
    """Tries a title in this process; gives exit code, and all that was printed."""
    monkeypatch.setattr(tempfile, "tempdir", str(plan.parent))
    monkeypatch.chdir(plan.parent)

    def call(*words: str) -> tuple[int, str]:
        try:
            code = main(["try", str(plan), "--beside", *words])
        except SystemExit as ended:  # argparse
            code = int(ended.code or 0)
        out, err = capfd.readouterr()
        return code, out + err

    return call


def left_by(plan: Path) -> list[Path]:
    return sorted(plan.parent.glob("levelrig-try-*"))


def alive_in(folder: Path) -> list[int]:
    return [
        process.pid
        for process in psutil.process_iter(["cmdline", "status"])
        if process.info["status"] != psutil.STATUS_ZOMBIE
        and str(folder / "title.py") in (process.info["cmdline"] or [])
    ]


def test_a_try_tells_each_step_and_counts_nothing(plan: Path, tried: Tried):
    code, said = tried("good", "--seconds", "2.5")
    assert code == 0, said
    for part in (
        "good · default · factory, once; nothing is counted",
        "others by --profile: one-thread",
        "skipped in a try",
        "title.py good",
        "by ready_line, which this line matches: demo begins",
        "over by its time",
        "2.5 s, as planned",
        "columns: Frame, ClockUs, TookMs",
        "in the window: average",
        "not judged, as it needs the night's other attempts: start-temperature",
        "ACCEPTED",
    ):
        assert part in said
    assert "FPS" in said.partition("window ")[2].partition("in the window")[0], "the rate while it ran"
    (folder,) = left_by(plan)
    assert str(folder) in said
    assert (folder / "title" / "frames.csv").read_text().startswith("Frame,")
    assert not (plan.parent / "campaigns").exists()
    assert alive_in(plan.parent) == []


def test_as_json_the_account_is_one_document(plan: Path, tried: Tried):
    _, said = tried("good", "--json", "--profile", "one-thread")
    found = json.loads(said[said.index("{") :])
    assert (found["verdict"], found["exit_code"], found["counted"]) == ("accepted", 0, False)
    assert found["programs"][0]["command"][1:] == [str(plan.parent / "title.py"), "good"]
    assert found["ready"]["by"].endswith("demo begins")
    assert found["log"]["rows"] > 20
    assert {check["said"] for check in found["checks"]} <= {"fine", "marks", "not judged"}
    assert found["changes"] == []


@pytest.mark.parametrize(
    ("mode", "parts"),
    [
        ("crash", ["exit code 3", "no device found", "FAILED"]),
        ("case", ["not ready after", "the nearest is: Demo Begins", 'ready_line = "Demo Begins"',
                  "ready_after_s = 30"]),
        ("nolog", ["none that the plan's path means", "nothing that was written in this run looks like"]),
        ("dated", ['path = "log-*.csv"', 'interval_column = "TookMs"', 'unit = "ms"']),
        ("column", ["no column 'dt'", 'interval_column = "TookMs"', 'path = "frames.csv"']),
        ("empty", ["no header and no rows", "REJECTED"]),
        ("score", ["no line of the title matched score_line", 'score_line = "average: ([0-9.]+)"']),
    ],
)  # fmt: skip
def test_what_would_not_count_is_told_with_what_to_change(tried: Tried, mode: str, parts: list[str]):
    code, said = tried(mode)
    assert code == 4, said
    for part in parts:
        assert part in said
    assert "Traceback" not in said


@pytest.mark.parametrize("mode", ["megabytes", "bytes"])
def test_whatever_a_title_prints_it_is_tried(tried: Tried, mode: str):
    code, said = tried(mode)
    assert code == 0, said
    assert "demo begins" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["god"], "no title is named \"god\"; did you mean 'good'?"),
        (["good", "--setting", "defalt"], "did you mean 'default'?"),
        (["good", "--profile", "one-tread"], "did you mean 'one-thread'?"),
        (["good", "--seconds", "0"], "above 0"),
        (["good", "--seconds", "long"], "above 0"),
        (["good", "--into", "."], "it is there and not empty"),
    ],
)
def test_a_slip_of_the_pen_is_told_and_leaves_nothing(plan: Path, tried: Tried, words: list[str], said: str):
    code, text = tried(*words)
    assert code == 2
    assert said in text
    assert left_by(plan) == []


def wait_for(process: subprocess.Popen[str], text: str) -> str:
    assert process.stdout is not None
    said = ""
    for line in process.stdout:
        said += line
        if text in line:
            return said
    raise AssertionError(f"it ended without {text!r}: {said}")


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX")
@pytest.mark.parametrize(
    ("mode", "at"),
    [
        ("good", "ready "),
        pytest.param("case", "start ", marks=pytest.mark.endurance),
        pytest.param("good", "warm-up ", marks=pytest.mark.endurance),
    ],
)
def test_ctrl_c_ends_the_title_in_each_step_with_the_account_so_far(plan: Path, mode: str, at: str):
    process = start(plan, "--beside", mode, "--seconds", "60")
    said = wait_for(process, at)
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=120)
    assert process.returncode == 130, said + rest
    assert "INTERRUPTED" in rest
    assert "Traceback" not in rest
    assert alive_in(plan.parent) == []


@pytest.mark.endurance  # the mechanism has its own tests in tests/test_processes.py
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is POSIX")
def test_a_try_that_is_killed_in_its_window_leaves_no_title_running(plan: Path):
    process = start(plan, "--beside", "good", "--seconds", "60")
    wait_for(process, "warm-up ")
    time.sleep(0.5)
    process.kill()
    process.communicate()
    end_s = time.monotonic() + 60
    while alive_in(plan.parent) and time.monotonic() < end_s:
        time.sleep(0.1)
    assert alive_in(plan.parent) == []


def test_a_try_does_not_disturb_another_one_unless_it_is_told_to(plan: Path):
    first = start(plan, "--beside", "good", "--seconds", "60")
    wait_for(first, "ready ")
    second = start(plan, "good")
    said, _ = second.communicate(timeout=120)
    first.kill()
    first.communicate()
    assert second.returncode == 3
    assert "a try would spoil what it measures" in said
    assert "--beside" in said
    assert len(left_by(plan)) == 1


def test_a_built_in_scene_is_tried_alike(plan: Path, tried: Tried):
    with plan.open("a") as file:
        file.write(
            '\n[[titles]]\nname = "tide"\nworkload = "scene"\nscene = "slow-tide"\nresolution = "64x36"\n'
            "measure_s = 2\n"
        )
    code, said = tried("tide")
    assert code == 0, said
    assert "harness_plugins.scene" in said
    assert "in the window: average" in said


def test_companions_stand_in_the_account_and_one_that_dies_is_the_finding(plan: Path, tried: Tried):
    with plan.open("a") as file:
        file.write(f"""
[[titles]]
name = "accompanied"
workload = "command"
command = ["{{python}}", '{plan.parent / "title.py"}', "good"]
ready_line = "demo begins"
measure_s = 60
{FRAMES}
[[titles.companions]]
name = "recorder"
command = ["{{python}}", "-uc", "import time; print('recording'); time.sleep(3); print('disk full'); exit(5)"]
ready_line = "recording"
""")
    code, said = tried("accompanied")
    assert code == 4, said
    assert "companion   recorder: " in said
    assert "companion-failed: companion recorder: it ended by itself with exit code 5" in said
    assert "disk full" in said
