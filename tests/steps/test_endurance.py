"""Real graphical programs, each measured unattended many times in a row without a failed run.

Needs Xvfb and, from Debian's archive, mesa-utils, vulkan-tools with mesa-vulkan-drivers, and xmahjongg.
Figures stand in tests/bench/FIGURES.md.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from PIL import Image

from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.load import load_plan
from harness.plugins import PluginHost, PluginRig
from tests.steps.conftest import TITLE, until

pytestmark = pytest.mark.endurance
REPEATS = 30
#: xmahjongg's buttons: left, top, right, bottom in its window.
ICONS = {"hint": (766, 12, 806, 66), "new": (906, 8, 952, 66), "quit": (952, 12, 998, 66)}
MAHJONGG = shutil.which("xmahjongg") or "/usr/games/xmahjongg"

HEAD = f"""
[plan]
question = "Do titles with steps run unattended?"
repeats = {REPEATS}
reference = "factory"
[conditions]
cooldown = {{ seconds = 0 }}
warm_up = {{ seconds = 0 }}
soak = {{}}
[retries]
attempts_per_repeat = 1
[checks]
mark_only = ["foreign-cpu-load"]
[[profiles]]
name = "factory"
"""
#: Name -> command and the rest of its table.
TITLES = {
    "gears": (
        ["glxgears"],
        "measure_s = 2\nwithout_frames = true\nsteps = [{ window = 'glxgears' }, { press = ['left', 'up'] }, "
        "{ begin = true }, { end = true }, { press = 'escape' }, { leave = 'menu' }]\n",
    ),
    "cube": (
        ["vkcube"],
        "measure_s = 2\nwithout_frames = true\nsteps = [{ window = true }, { press = 'left' }, "
        "{ begin = true }, { end = true }, { press = 'escape' }, { leave = 'menu' }]\n",
    ),
    "tiles": (
        [MAHJONGG],
        "measure_s = 2\nwithout_frames = true\nsteps = [{ picture = 'hint.png' }, { click = 'new.png' }, "
        "{ line = 'board number', then = 'go-on', within_s = 2 }, { picture = 'hint.png' }, "
        "{ begin = true }, { move = [300, 300] }, { end = true }, { click = 'quit.png' }, "
        "{ leave = 'menu' }]\n",
    ),
    "harbour": (
        ["{python}", str(TITLE), "--load_s=2", "--dialog=0.5", "--frames={work_folder}/frames.csv"],
        "measure_s = 2\nframe_log = { path = 'frames.csv', presentation_time_column = 't', "
        "interval_column = 'ms', unit = 'ms', time_unit = 's' }\nsteps = [{ picture = 'settings.png' }, "
        "{ click = 'settings.png' }, { press = 'right' }, { press = 'escape' }, { press = 'up' }, "
        "{ picture = 'sail-lit.png' }, { press = 'enter' }, { line = 'scene begins' }, { begin = true }, "
        "{ end = true }, { press = 'escape' }, { leave = 'close' }]\n"
        "[[titles.surprises]]\nname = 'newer'\npicture = 'dialog.png'\nsequence = 'later'\n"
        "[titles.sequences]\nlater = [{ click = 'later.png' }]\n",
    ),
}


def cut_icons(folder: Path) -> None:
    from harness.steps.opening import open_desk

    program = subprocess.Popen([MAHJONGG], stdout=subprocess.DEVNULL)
    desk = open_desk()
    until(lambda: [w for w in desk.windows() if w.process_id == program.pid], "its window")
    time.sleep(1)
    (window,) = [w for w in desk.windows() if w.process_id == program.pid]
    whole = desk.grab(window.x, window.y, window.width, window.height)
    program.kill()
    program.wait(10)
    desk.close()
    for name, (left, top, right, bottom) in ICONS.items():
        Image.fromarray(whole[top:bottom, left:right, ::-1].copy()).save(folder / f"{name}.png")


def test_four_programs_are_measured_again_and_again_without_a_failed_run(
    display: str, pictures: Path, tmp_path: Path, capsys
):
    for path in pictures.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    cut_icons(tmp_path)
    text = HEAD + "".join(
        f'[[titles]]\nname = "{name}"\nworkload = "command"\ncommand = {json.dumps(command)}\n{rest}'
        for name, (command, rest) in TITLES.items()
    )
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    host = PluginHost()
    plan = load_plan(tmp_path / "plan.toml", host)
    folder, begun_s, before = tmp_path / "night", time.monotonic(), os.times()
    run_campaign(
        plan=plan, plan_text=text, plan_source="plan.toml", rig=PluginRig(host, plan), folder=folder,
        observer=Silent(), stop=StopSignal(),
    )  # fmt: skip
    took_s, after = time.monotonic() - begun_s, os.times()
    rows = [json.loads(path.read_text()) for path in (folder / "attempts").glob("*/*/attempt.json")]
    lost = [(row["cell_id"], row.get("reason")) for row in rows if row["verdict"] != "accepted"]
    counts = {name: sum(row["title"] == name for row in rows) for name in TITLES}
    with capsys.disabled():
        own_s = after.user + after.system - before.user - before.system
        print(f"\n{counts} attempts in {took_s:.0f} s, {own_s:.0f} s of processor by levelrig; lost: {lost}")
        marks = sorted({mark.split(":")[0] for row in rows for mark in row["marks"]})
        print(f"marks: {marks}")
    assert lost == []
    assert min(counts.values()) >= REPEATS  # an outlier is measured once more
