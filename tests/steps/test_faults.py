"""A night of titles that go wrong at their steps, with real windows: each ends in a clear reason with
pictures, and the night goes on."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from harness.engine.campaign import run_campaign
from harness.engine.progress import Silent, StopSignal
from harness.plan.load import load_plan
from harness.plugins import PluginHost, PluginRig
from tests.steps.conftest import CUTS, TITLE

#: Name of the title -> its arguments, and what the reason of its attempt says; None: it is accepted.
TITLES: dict[str, tuple[str, str | None]] = {
    "as-planned": ("", None),
    "never-a-window": ("--never=1", "step 1 of 6 (wait for a window 'Pebble'): it did not come within 2 s"),
    "dialog-on-top": ("--dialog=1", "step 2 of 6 (wait for the picture settings.png"),
    "menu-moved": ("--shift=20", "instead, moved by 0 and 20 px"),
    "crash-while-loading": ("--crash=loading", "exit code 3"),
    "focus-stolen": ("", "the focus was taken by the window 'Chat'"),
    "dialog-answered": ("--dialog=1", None),
    "sign-in-asked": ("--dialog=1", "the picture dialog.png came: it wants somebody to answer"),
}
SURPRISE = '[[titles.surprises]]\nname = "newer"\npicture = "dialog.png"\n'
ANSWER = SURPRISE + 'sequence = "later"\n[titles.sequences]\nlater = [{ click = "later.png" }]\n'


CHAT = """
import pathlib, time, tkinter
while not pathlib.Path("go").exists():
    time.sleep(0.1)
root = tkinter.Tk()
root.title("Chat")
root.geometry("260x120+700+500")
root.after(300, root.focus_force)
root.after(900, lambda: pathlib.Path("chat-is-up").touch())
root.mainloop()
"""
COMPANION = (
    '[[titles.companions]]\nname = "chat"\nstarts = "with"\nworking_folder = "{work_folder}"\n'
    f'command = ["{{python}}", "-c", {json.dumps(CHAT)}]\n'
)


def steps(name: str) -> str:
    heading = f"{{ picture = 'settings.png', at = {list(CUTS['settings'][:2])}, within_s = 4 }}"
    press, wait = "", "{ press = 'up' }"
    if name == "focus-stolen":
        press = "{ press = 'up' }, { command = ['touch', '{work_folder}/go'] }, { file = 'chat-is-up' }, "
    within = "within_s = 2" if name == "never-a-window" else "within_s = 30"
    return (
        f"steps = [{{ window = 'Pebble', {within} }}, {heading}, {press}{wait}, {{ press = 'down' }}, "
        "{ begin = true }, { end = true }]\n"
    )


@pytest.fixture(scope="module")
def night(display: str, pictures: Path, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("faults")
    for path in pictures.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    text = (
        '[plan]\nquestion = "Does it step?"\nrepeats = 1\nreference = "factory"\n'
        "[conditions]\ncooldown = { seconds = 0 }\nwarm_up = { seconds = 0 }\nsoak = {}\n"
        '[retries]\nattempts_per_repeat = 1\n[checks]\nmark_only = ["foreign-cpu-load"]\n'
        '[[profiles]]\nname = "factory"\n'
    )
    for name, (words, _) in TITLES.items():
        more = ANSWER if name == "dialog-answered" else ""
        if name == "sign-in-asked":
            more = SURPRISE + 'says = "it wants somebody to answer"\n'
        more += COMPANION if name == "focus-stolen" else ""
        own = [*words.split(), "--load_s=0.3"]
        command = json.dumps(["{python}", str(TITLE), *own])
        text += (
            f'[[titles]]\nname = "{name}"\nworkload = "command"\ncommand = {command}\nmeasure_s = 1\n'
            f"without_frames = true\n{steps(name)}{more}"
        )
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    host = PluginHost()
    plan = load_plan(folder / "plan.toml", host)
    rig = PluginRig(host, plan)
    run_campaign(
        plan=plan,
        plan_text=text,
        plan_source="plan.toml",
        rig=rig,
        folder=folder / "night",
        observer=Silent(),
        stop=StopSignal(),
    )
    return folder / "night"


def attempt(night: Path, name: str) -> tuple[dict[str, Any], Path]:
    (folder,) = (night / "attempts").glob(f"{name}.*/1.1")
    return json.loads((folder / "attempt.json").read_text()), folder


def kept(folder: Path, name: str) -> Image.Image:
    return Image.open(io.BytesIO(gzip.decompress((folder / f"screen.{name}.png.gz").read_bytes())))


@pytest.mark.parametrize("name", TITLES)
def test_each_title_ends_as_it_should_and_the_night_goes_on(night: Path, name: str):
    row, folder = attempt(night, name)
    reason = TITLES[name][1]
    if reason is None:
        assert row["verdict"] == "accepted", row
        assert kept(folder, "begin").size == kept(folder, "end").size == (480, 320)
    else:
        assert row["verdict"] == "failed"
        assert reason in row["reason"], row["reason"]


@pytest.mark.parametrize("name", [name for name, (_, reason) in TITLES.items() if reason])
def test_a_failed_step_leaves_the_screen_and_the_picture_that_was_wanted(night: Path, name: str):
    row, folder = attempt(night, name)
    if name == "crash-while-loading":
        assert row["reason_code"] == "title-failed"
        assert "(at step" in row["reason"]
    else:
        assert row["reason_code"] == "step-failed"
    assert kept(folder, "failed").size == (1280, 800)
    if "settings.png" in row["reason"]:
        left, top, right, bottom = CUTS["settings"]
        assert kept(folder, "wanted").size == (right - left, bottom - top)
    account = json.loads(gzip.decompress((folder / "steps.json.gz").read_bytes()))
    assert account["failure"]


def test_an_answered_surprise_is_a_mark(night: Path):
    row, _ = attempt(night, "dialog-answered")
    assert any(mark.startswith("surprise: newer came and was answered") for mark in row["marks"])


def test_what_had_the_focus_got_no_key(night: Path):
    _, folder = attempt(night, "focus-stolen")
    said = gzip.decompress((folder / "output.log.gz").read_bytes()).decode()
    assert said.count("key ") == 1


def test_the_report_shows_each_failed_step_beside_the_picture_that_was_wanted(night: Path):
    from harness.report.folder import read_campaign
    from harness.report.names import Names
    from harness.report.sections.screens import screens_section

    campaign = read_campaign(night)
    section = screens_section(campaign, Names(campaign))
    rows = {row.title: row for row in section.shots}
    assert set(rows) == set(TITLES)
    assert [shot.caption for shot in rows["menu-moved"].shots] == [
        "The screen then",
        "The picture that was wanted",
    ]
    assert "moved by 0 and 20 px" in rows["menu-moved"].heading
    assert [(shot.width, shot.height) for shot in rows["as-planned"].shots] == [(480, 320)] * 3
    assert all(
        shot.source.startswith("data:image/jpeg;base64,") for row in section.shots for shot in row.shots
    )
