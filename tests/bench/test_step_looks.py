"""What one look at the screen costs, in processor time. Needs Xvfb."""

from __future__ import annotations

import os
import shutil
import subprocess
import time

import numpy as np
import pytest

from harness.steps.likeness import Picture, find
from harness.steps.opening import open_desk

pytestmark = pytest.mark.bench
LOOKS = 30


def test_a_look_at_a_screen_of_1920_by_1080(monkeypatch, capsys):
    if shutil.which("Xvfb") is None:
        pytest.skip("Xvfb is not installed")
    pytest.importorskip("cv2")
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1920x1080x24"], pass_fds=[write],
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(write)
    monkeypatch.setenv("DISPLAY", f":{os.read(read, 20).decode().strip()}")
    os.close(read)
    desk = open_desk()
    picture = Picture(np.random.default_rng(1).integers(0, 256, (48, 200, 3), dtype=np.uint8))
    told = {}
    for name, area in {"anywhere": (1920, 1080), "at its place (206 × 54 px)": (206, 54)}.items():
        find(desk.grab(0, 0, *area), picture, thorough=False)
        begun_s = time.process_time()
        for _ in range(LOOKS):
            find(desk.grab(0, 0, *area), picture, thorough=False)
        told[name] = (time.process_time() - begun_s) / LOOKS * 1000
    begun_s = time.process_time()
    find(desk.grab(0, 0, 1920, 1080), picture)
    told["the look that decides a failure"] = (time.process_time() - begun_s) * 1000
    begun_s = time.process_time()
    for _ in range(LOOKS):
        desk.grab(0, 0, 1920, 1080)
    told["taking the picture alone"] = (time.process_time() - begun_s) / LOOKS * 1000
    desk.close()
    server.terminate()
    server.wait(10)
    with capsys.disabled():
        print({name: f"{cost_ms:.1f} ms" for name, cost_ms in told.items()})
