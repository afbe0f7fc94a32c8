"""A bare word never means a program that happens to lie in the working folder."""

from __future__ import annotations

import os
import sys

import pytest

from harness_plugins.external_control.run import find_program


@pytest.mark.skipif(sys.platform == "win32", reason="the search path of POSIX")
@pytest.mark.parametrize("entry", ["", ".", "bin"])
def test_a_relative_entry_of_the_search_path_counts_for_nothing(tmp_path, monkeypatch, entry):
    for folder in (tmp_path, tmp_path / "bin", tmp_path / "installed"):
        folder.mkdir(exist_ok=True)
        (folder / "tuner").write_text("#!/bin/sh\n")
        (folder / "tuner").chmod(0o755)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", entry)
    assert find_program("tuner") is None
    monkeypatch.setenv("PATH", os.pathsep.join([entry, str(tmp_path / "installed")]))
    assert find_program("tuner") == tmp_path / "installed" / "tuner"
    assert find_program("./tuner") == tmp_path / "tuner"
