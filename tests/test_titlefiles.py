"""A title's own files: put in place, read back, and put back whatever ends the night."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import psutil
import pytest

from harness.errors import ControlRefused, WorkloadFailed
from harness.plan.load import parse_plan
from harness.plan.schema import Plan
from harness.plugins import PluginHost
from harness.titlefiles import KIND, FilesControl, TitleFiles, home_environment, unmet_lines

HOST = PluginHost()
HEAD = """
[plan]
question = "Is it as fast?"
repeats = 2
reference = "factory"
[conditions]
cooldown = { seconds = 0 }
warm_up = { seconds = 0 }
soak = {}
[checks]
mark_only = ["foreign-cpu-load"]
[[profiles]]
name = "factory"
"""


class Kept:
    """Keeps the way back in memory, the first state of each kind."""

    def __init__(self) -> None:
        self.states: dict[str, Mapping[str, Any]] = {}

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None:
        self.states.setdefault(control_kind, json.loads(json.dumps(snapshot)))

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]:
        return self.states


def plan_of(folder: Path, files: str, more: str = "") -> Plan:
    text = f"""{HEAD}
[[titles]]
name = "pebble-harbour"
workload = "command"
command = ["./pebble"]
without_frames = true
measure_s = 3
{more}
{files}
"""
    return parse_plan(text, "plan.toml", HOST.kinds, base=folder)


@pytest.fixture
def here(tmp_path: Path) -> Path:
    (tmp_path / "stored").mkdir()
    (tmp_path / "stored" / "options.ini").write_text("quality = 4\n")
    (tmp_path / "game").mkdir()
    return tmp_path


def files_of(here: Path, more: str = "") -> tuple[TitleFiles, Kept, Plan]:
    files = f'[[titles.files]]\ncopy = "stored/options.ini"\nat = "{here}/game/options.ini"\n{more}'
    plan, kept = plan_of(here, files), Kept()
    return TitleFiles(plan, kept, here / "state"), kept, plan


def test_a_file_is_put_in_place_and_put_back_as_it_was(here: Path):
    target = here / "game" / "options.ini"
    target.write_text("quality = 1\n")
    target.chmod(0o640)
    os.utime(target, ns=(10**18, 10**18))
    files, kept, plan = files_of(here)
    files.put(plan.titles[0], None)
    assert target.read_text() == "quality = 4\n"
    target.write_text("what the title made of it")
    files.put(plan.titles[0], None)
    assert target.read_text() == "quality = 4\n"
    FilesControl().restore(kept.states[KIND])
    assert target.read_text() == "quality = 1\n"
    assert (stat.S_IMODE(target.stat().st_mode), target.stat().st_mtime_ns) == (0o640, 10**18)


def test_a_file_that_was_not_there_is_taken_away_again_with_the_folders_made_for_it(here: Path):
    files = f'[[titles.files]]\ncopy = "stored"\nat = "{here}/game/deep/config"\n'
    plan, kept = plan_of(here, files), Kept()
    TitleFiles(plan, kept, here / "state").put(plan.titles[0], None)
    assert (here / "game" / "deep" / "config" / "options.ini").is_file()
    FilesControl().restore(kept.states[KIND])
    assert list((here / "game").iterdir()) == []


def test_what_a_title_wrote_beside_its_files_is_left_alone(here: Path):
    files, kept, plan = files_of(here)
    files.put(plan.titles[0], None)
    (here / "game" / "slot2.sav").write_text("hours of play")
    FilesControl().restore(kept.states[KIND])
    assert [path.name for path in (here / "game").iterdir()] == ["slot2.sav"]


def test_a_copy_that_was_spoilt_is_not_taken_for_what_was_there(here: Path):
    (here / "game" / "options.ini").write_text("quality = 1\n")
    files, kept, plan = files_of(here)
    files.put(plan.titles[0], None)
    for path in (here / "state").iterdir():
        path.write_text("spoilt")
    with pytest.raises(ControlRefused, match=r"options\.ini is not as it was found.*damaged"):
        FilesControl().restore(kept.states[KIND])


def test_a_link_is_not_written_through(here: Path):
    (here / "elsewhere").write_text("mine")
    (here / "game" / "options.ini").symlink_to(here / "elsewhere")
    files, _, plan = files_of(here)
    with pytest.raises(WorkloadFailed, match="no ordinary file"):
        files.put(plan.titles[0], None)
    assert (here / "elsewhere").read_text() == "mine"


def test_a_stored_copy_that_is_missing_is_told(here: Path):
    (here / "stored" / "options.ini").unlink()
    files, _, plan = files_of(here)
    with pytest.raises(WorkloadFailed, match="there is no stored copy"):
        files.put(plan.titles[0], None)


def test_a_private_home_takes_what_goes_to_the_home_folder_and_nothing_is_kept(here: Path):
    files = '[[titles.files]]\ncopy = "stored"\nat = "~/.config/pebble"\n'
    plan, kept = plan_of(here, files, "private_home = true"), Kept()
    TitleFiles(plan, kept, here / "state").put(plan.titles[0], here / "home")
    assert (here / "home/.config/pebble/options.ini").is_file()
    assert kept.states == {}
    assert home_environment(here / "home")["XDG_CONFIG_HOME"] == str(here / "home/.config")


def test_what_the_title_wrote_back_is_looked_at(here: Path):
    files, _, plan = files_of(here, 'expect_lines = ["^quality = 4$", "height = 1440"]\n')
    files.put(plan.titles[0], None)
    assert unmet_lines(plan.titles[0], None) == ("height = 1440 (in options.ini)",)


#: The command line with a state folder of the test's own: as root it is the machine's otherwise.
LAUNCHER = """
import sys
from pathlib import Path
import harness.guard.changers, harness.guard.lock, harness.guard.record, harness.titlefiles
state = Path(sys.argv.pop(1))
modules = harness.guard.changers, harness.guard.lock, harness.guard.record, harness.titlefiles
for module in modules:
    module.state_folder = lambda: state
from harness.cli import main
sys.exit(main())
"""


def until(true: Callable[[], object], within_s: float = 60.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def processes_of(here: Path) -> list[psutil.Process]:
    return [
        process
        for process in psutil.process_iter(["cmdline"])
        if process.pid != os.getpid() and str(here) in " ".join(process.info["cmdline"] or [])
    ]


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
@pytest.mark.parametrize("everything", [False, True])
def test_files_are_back_after_a_kill(here: Path, everything: bool):
    """Of the run alone: its watch puts them back. Of the watch too: the next restore does."""
    target = here / "game" / "options.ini"
    target.write_text("quality = 1\n")
    program = json.dumps(["{python}", "-c", f"import time; here = {str(here)!r}; time.sleep(600)"])
    text = HEAD + (
        f'[[titles]]\nname = "pebble"\nworkload = "command"\ncommand = {program}\nmeasure_s = 60\n'
        f'without_frames = true\n[[titles.files]]\ncopy = "stored/options.ini"\nat = "{target}"\n'
    )
    (here / "plan.toml").write_text(text)
    words = [sys.executable, "-P", "-c", LAUNCHER, str(here / "state")]
    run = subprocess.Popen(
        [*words, "run", str(here / "plan.toml"), "--into", str(here / "night")],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    until(lambda: target.read_text() == "quality = 4\n")
    if everything:
        for process in processes_of(here):
            process.send_signal(signal.SIGKILL)
    run.kill()
    run.wait(10)
    if everything:
        assert target.read_text() == "quality = 4\n"
        ended = subprocess.run([*words, "restore"], capture_output=True, text=True, check=False, timeout=60)
        assert "files" in ended.stdout + ended.stderr
        assert target.read_text() == "quality = 1\n"
    else:
        until(lambda: target.read_text() == "quality = 1\n")
    until(lambda: not (here / "state" / "restore.json").exists())
    until(lambda: not processes_of(here))
