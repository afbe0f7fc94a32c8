"""Which program a plan's word means, and what the system could not start is told before it is tried.

Common practice, no source: what ``execve`` refuses was tried on Linux by hand for each case here.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from harness.programs import NoProgram, find_program, hindrance, plan_path, windows_hindrance

posix = pytest.mark.skipif(sys.platform == "win32", reason="how POSIX systems start programs")


@posix
@pytest.mark.parametrize("entry", ["", ".", "bin"])
def test_a_relative_entry_of_the_search_path_counts_for_nothing(tmp_path, monkeypatch, entry):
    for folder in (tmp_path, tmp_path / "bin", tmp_path / "installed"):
        make(folder / "tuner")
    monkeypatch.chdir(tmp_path / "bin")
    monkeypatch.setenv("PATH", entry)
    with pytest.raises(NoProgram, match="there is no program 'tuner', looked for on the search path"):
        find_program("tuner", [])
    monkeypatch.setenv("PATH", os.pathsep.join([entry, str(tmp_path / "installed")]))
    assert find_program("tuner", [tmp_path]) == tmp_path / "installed" / "tuner"
    assert find_program("./tuner", [tmp_path]) == tmp_path / "tuner"


@posix
def test_a_relative_path_is_looked_for_in_the_plans_folder_first(tmp_path, monkeypatch):
    plans, here = tmp_path / "plans", tmp_path / "here"
    for folder in (plans, here):
        make(folder / "both")
    make(here / "mine")
    monkeypatch.chdir(here)
    assert plan_path("both", plans) == plans / "both"
    assert plan_path("mine", plans) == here / "mine"
    assert plan_path("neither", plans) == plans / "neither"
    assert plan_path("neither", None) == here / "neither"
    assert find_program("./both", [plans, here]) == plans / "both"


@posix
@pytest.mark.parametrize(
    ("content", "mode", "said"),
    [
        (b"#!/bin/sh\nexit 0\n", 0o755, None),
        (b"\x7fELF\x02\x01\x01\x00", 0o755, None),
        (b"echo hello\n", 0o755, "a text without a first line such as #!/bin/sh"),
        (b"", 0o755, "is empty"),
        (b"#!/bin/sh\n", 0o644, "is not executable"),
        (b"#!/bin/sh\r\nexit 0\r\n", 0o755, "ends as lines do on Windows"),
        (b"#!/opt/no/such/shell\n", 0o755, "asks for the interpreter '/opt/no/such/shell'"),
        (b"#!/usr/bin/env no-such-interpreter\n", 0o755, "asks for the interpreter 'no-such-interpreter'"),
    ],
)
def test_what_the_system_can_not_start_is_told(tmp_path, content, mode, said):
    path = make(tmp_path / "title", content)
    path.chmod(mode)
    found = hindrance(path)
    assert (found is None) if said is None else (said in found[0])


@posix
def test_a_folder_and_backslashes_are_told(tmp_path):
    with pytest.raises(NoProgram, match="is a folder, no program"):
        find_program(str(tmp_path), [])
    with pytest.raises(NoProgram, match=r"separated by / here.*titles/quay") as caught:
        find_program(r"titles\quay", [tmp_path])
    assert caught.value.permanent


def test_windows_starts_programs_by_their_ending():
    assert windows_hindrance(Path("title.EXE")) is None
    assert windows_hindrance(Path("title.py"))[1].startswith("write its interpreter before it")


def make(path: Path, content: bytes = b"#!/bin/sh\n") -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    path.chmod(0o755)
    return path
