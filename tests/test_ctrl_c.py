"""Ctrl-C at any moment of a command's start-up, or of its work, ends it without a traceback."""

from __future__ import annotations

import signal
import subprocess
import sys
import time

import pytest

from harness import cli

PLAN = """
[plan]
question = "x?"
repeats = 2
reference = "a"
[[profiles]]
name = "a"
[[titles]]
name = "t"
workload = "scene"
scene = "slow-tide"
measure_s = 10
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.3, 0.8])
def test_ctrl_c_while_a_command_starts_leaves_no_traceback(after_s, tmp_path):
    (tmp_path / "plan.toml").write_text(PLAN)
    # It says when Python itself is up: what comes before no program can catch.
    words = [sys.executable, "-c", START, "check", "plan.toml"]
    started = subprocess.Popen(
        words, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    assert started.stdout is not None
    assert started.stdout.readline() == "up\n"
    time.sleep(after_s)
    started.send_signal(signal.SIGINT)
    _, said = started.communicate(timeout=120)
    assert "Traceback" not in said
    assert started.returncode in (0, 130, -signal.SIGINT)  # the last: after Python has begun to end


START = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
try:
    print("up", flush=True)
    import runpy
    runpy.run_module("harness.cli", run_name="__main__", alter_sys=True)
except KeyboardInterrupt:
    sys.exit(130)
"""


@pytest.mark.parametrize("error", [KeyboardInterrupt(), ImportError("numpy could not be imported")])
def test_what_ctrl_c_makes_of_an_import_is_no_failure(error, monkeypatch, capsys):
    def broken_off(name):
        signal.raise_signal(signal.SIGINT) if isinstance(error, KeyboardInterrupt) else _pressed(error)

    monkeypatch.setattr(cli.importlib, "import_module", broken_off)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        assert cli.main(["check", "plan.toml"]) == 130
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert "foresaw" not in capsys.readouterr().err


def _pressed(error):
    """As a compiled module does that is interrupted while it is imported."""
    try:
        signal.raise_signal(signal.SIGINT)
    except KeyboardInterrupt:
        raise error from None
