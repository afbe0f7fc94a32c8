"""Commands that change hardware are found by mark, session and output, and nothing else is ended."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

import pytest

from harness.guard.changers import BOOK_NAME, end_changers, mark, note_command
from harness.identity import own_identity
from harness.proctable import look_at

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="sessions and outputs are read from /proc")
SLEEP = "import time; time.sleep(300)"
#: A shell that starts a sleeper by these words and leaves.
LEAVES = "import subprocess, sys; print(subprocess.Popen([sys.executable, '-c', {sleep!r}], {more}).pid)"


@pytest.fixture
def state(tmp_path):
    folder = tmp_path / "state"
    folder.mkdir(mode=0o700)
    return folder


def started(tmp_path, code, environment):
    output = tmp_path / "own" / "output.log"
    output.parent.mkdir(exist_ok=True)
    with output.open("ab") as file:
        return output, subprocess.Popen(
            [sys.executable, "-c", code], stdout=file, stderr=file, env=environment, start_new_session=True
        )


def lives(pid):
    return look_at(pid) is not None


@pytest.mark.parametrize(
    "more",
    [
        "env={}",
        "env={}, start_new_session=True",
        "env={}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL",
    ],
    ids=["same session, same output", "another session", "another output"],
)
def test_what_a_command_without_its_environment_left_behind_is_ended(state, tmp_path, more):
    output, command = started(tmp_path, LEAVES.format(sleep=SLEEP, more=more), {})
    note_command(command.pid, output, state)
    command.wait()
    left = int(output.read_text())
    output.unlink()
    assert lives(left)
    assert end_changers(folder=state) == []
    assert not lives(left)
    assert not (state / BOOK_NAME).exists()


def test_a_running_command_and_its_child_in_a_session_of_its_own_are_ended(state, tmp_path):
    more = "env={}, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL"
    code = (
        LEAVES.format(sleep=SLEEP, more=more).replace("print(", "print(", 1)
        + f"; sys.stdout.flush(); {SLEEP}"
    )
    output, command = started(tmp_path, code, {})
    note_command(command.pid, output, state)
    while not output.read_text().strip():
        time.sleep(0.02)
    child = int(output.read_text())
    assert end_changers(folder=state) == []
    assert not lives(child)
    assert not lives(command.pid)
    command.wait()


def test_a_marked_command_is_ended_without_the_book(tmp_path):
    _, command = started(tmp_path, SLEEP, {**os.environ, **mark()})
    time.sleep(0.3)
    assert end_changers() == []
    assert not lives(command.pid)
    command.wait()


@pytest.mark.parametrize(
    "why", ["other birth", "written by others", "of a living program", "damaged", "link"]
)
def test_a_stranger_is_left_alone(state, tmp_path, why):
    """As where the number of a session was given out again, or where the book is not our own."""
    output, stranger = started(tmp_path, SLEEP, {})
    seen = look_at(stranger.pid)
    place = own_identity().split("/")[2:]
    by = own_identity()
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    if why == "of a living program":
        by = "/".join((str(other.pid), f"{look_at(other.pid).born:.2f}", *place))
    born = seen.born - 5 if why == "other birth" else seen.born
    path = "/nowhere/output.log" if why == "other birth" else str(output)
    line = json.dumps([by, stranger.pid, born, path])
    book = state / BOOK_NAME
    book.write_text("[1, 2]\n{" if why == "damaged" else line + "\n")
    if why == "written by others":
        book.chmod(0o666)
    if why == "link":
        book.rename(tmp_path / "elsewhere")
        book.symlink_to(tmp_path / "elsewhere")
    assert end_changers(folder=state) == []
    assert lives(stranger.pid)
    other.communicate()
    stranger.kill()
    stranger.wait()
