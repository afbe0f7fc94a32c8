"""Nothing that lies in the working folder is imported by a process of ours."""

from __future__ import annotations

import subprocess
import sys
import venv
from pathlib import Path

import pytest

import harness
from harness.isolated import isolation_flag, python_command

PLANTED = "import pathlib; pathlib.Path({note!r}).write_text('imported')\nraise SystemExit(77)\n"
#: Modules of the standard library and of others that the program imports, and that a folder could hold too.
NAMES = ("statistics", "random", "secrets", "psutil", "pydantic", "json", "harness_plugins")


@pytest.fixture
def hostile(tmp_path):
    folder = tmp_path / "work"
    folder.mkdir()
    for name in NAMES:
        (folder / f"{name}.py").write_text(PLANTED.format(note=str(tmp_path / "note")))
    return folder


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ([sys.executable, "-m", "harness.cli", "--version"], 0),
        (python_command("harness.cli", "--version"), 0),
        (python_command("harness.guard", "no-such-record.json", "1"), 0),
        ([sys.executable, "-m", "harness.guard", "no-such-record.json", "1"], 0),
    ],
)
def test_a_module_in_the_working_folder_is_not_imported(hostile, tmp_path, words, code):
    ended = subprocess.run(
        words, cwd=hostile, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    assert ended.returncode == code, ended.stderr
    assert not (tmp_path / "note").exists()


def test_the_planted_modules_would_be_imported_by_an_unprotected_python(hostile, tmp_path):
    ended = subprocess.run([sys.executable, "-m", "statistics"], cwd=hostile, check=False)
    assert ended.returncode == 77
    assert (tmp_path / "note").exists()


def test_levelrig_is_found_in_isolation_wherever_it_is_installed(tmp_path, monkeypatch):
    """Editable in this environment: ``-I``. Through PYTHONPATH, as among the user's own packages: ``-P``."""
    assert isolation_flag() == "-I"
    monkeypatch.setenv("PYTHONPATH", str(Path(harness.__file__).parent.parent))
    monkeypatch.setattr("site.getsitepackages", list)
    assert isolation_flag() == "-P"
    bare = tmp_path / "bare"
    venv.create(bare, with_pip=False)
    python = bare / ("Scripts" if sys.platform == "win32" else "bin") / "python"
    for flag, found in (("-P", 0), ("-I", 1)):
        ended = subprocess.run(
            [
                str(python),
                flag,
                "-c",
                "import importlib.util as u; raise SystemExit(not u.find_spec('harness'))",
            ],
            check=False,
            cwd=tmp_path,
        )
        assert ended.returncode == found
