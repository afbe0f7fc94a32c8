"""What the live page's server costs the rig: share of a core without and with a visitor."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from harness.plan.cells import expand
from harness.plan.order import arrange
from harness.plan.schema import Plan
from harness.rig import RigFacts
from harness.store.campaign import CampaignStore

pytestmark = pytest.mark.bench
SECONDS = float(os.environ.get("LEVELRIG_WATCH_SECONDS", "60"))
PLAN = """
[plan]
question = "What does watching cost?"
repeats = 5
reference = "p0"
""" + "".join(
    f'[[{kind}]]\nname = "{kind[0]}{i}"\n{more}\n'
    for kind, count, more in (("profiles", 4, ""), ("titles", 10, 'workload = "made-up"'))
    for i in range(count)
)
START = datetime(2026, 3, 14, 20, 5, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A campaign of 200 planned repeats, open in this process."""
    plan = Plan.model_validate(tomllib.loads(PLAN))
    cells = expand(plan)
    path = tmp_path / "night"
    store = CampaignStore.open(
        path,
        plan_text=PLAN,
        plan_source="night.toml",
        cells=cells,
        slots=arrange(plan, cells),
        facts=RigFacts(rig_id="rig-1", boot_id="boot-1", facts={}),
        now_utc=START,
    )
    yield path
    store.close()


def run_night(folder: Path, ended: threading.Event) -> None:
    """What a run leaves for the page: a beacon each second and a title that logs 120 frames a second."""
    log = folder / "frames.csv"
    log.write_text("frame,pass,end_s,frametime_ms,gpu_ms\n", encoding="ascii")
    options = {"interval_column": "frametime_ms", "presentation_time_column": "end_s", "time_unit": "s"}
    history = [{"t_s": 5.0 * i, "core_temp_c": 60.0, "power_w": 300.0} for i in range(180)]
    second = 0
    while not ended.wait(1.0):
        second += 1
        with log.open("a", encoding="ascii") as file:
            for frame in range(120 * second, 120 * second + 120):
                file.write(f"{frame},1,{frame / 120:.7f},{1000 / 120:.4f},\n")
        if second % 5 == 0:
            history = [*history[1:], {**history[-1], "t_s": history[-1]["t_s"] + 5.0}]
        live = {
            "pid": os.getpid(), "written_utc": datetime.now(UTC).isoformat(), "phase": "measure",
            "cell_id": "t0.default.p0", "repeat_index": 1, "attempt_index": 1, "accepted": 0, "wanted": 200,
            "phase_s": float(second), "phase_left_s": 20.0, "ends_in_s": 5400.0, "detail": "",
            "readings": {"core_temp_c": 61.0, "power_w": 301.0}, "history": history,
            "frame_log": {"path": str(log), "spec": {"path": "frames.csv", "options": options}},
        }  # fmt: skip
        part = folder / ".live"
        part.write_text(json.dumps(live), encoding="utf-8")
        part.replace(folder / "live.json")


def share_pct(process: psutil.Process, seconds: float) -> float:
    """Processor time of a process in % of one core over some seconds."""
    before, start_s = process.cpu_times(), time.monotonic()
    time.sleep(seconds)
    after = process.cpu_times()
    used_s = after.user + after.system - before.user - before.system
    return 100 * used_s / (time.monotonic() - start_s)


def test_the_live_page_costs_at_most_half_a_percent_of_a_core(folder: Path) -> None:
    ended, seen = threading.Event(), dict[str, Any]()
    writer = threading.Thread(target=run_night, args=(folder, ended), daemon=True)
    writer.start()
    command = [sys.executable, "-m", "harness.cli", "watch", str(folder), "--port", "0"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    address = next(word for line in server.stdout for word in line.split() if word.startswith("http"))

    def visit() -> None:
        with (
            contextlib.suppress(httpx.HTTPError),  # the server ends before its visitor
            httpx.Client(trust_env=False, timeout=None) as web,
            web.stream("GET", f"{address}events") as page,
        ):
            for line in page.iter_lines():
                if line.startswith("data: ") and "running_fps" in line:
                    seen.update(json.loads(line.removeprefix("data: ")))

    visitor = threading.Thread(target=visit, daemon=True)
    try:
        process = psutil.Process(server.pid)
        time.sleep(5)
        alone = share_pct(process, SECONDS / 3)
        visitor.start()
        time.sleep(5)
        watched = share_pct(process, SECONDS)
    finally:
        ended.set()
        server.terminate()
        server.communicate()
        visitor.join()
        writer.join()
    print(f"\nserver: {alone:.2f} % of a core without, {watched:.2f} % with a visitor")
    assert seen["running_fps"] == pytest.approx(120, rel=1e-3), "the frame rate was read all the while"
    assert watched <= 0.5
