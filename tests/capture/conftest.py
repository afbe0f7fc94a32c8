"""Small programs of our own, compiled once a session; no screen, no graphics library."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.capture.build import compile_to

PROGRAMS = Path(__file__).parent / "programs"
COMPILER = shutil.which("cc") or shutil.which("gcc")
needs_compiler = pytest.mark.skipif(
    sys.platform != "linux" or COMPILER is None, reason="the capture is for Linux, and needs a C compiler"
)


def until(wanted: Callable[[], object], within_s: float = 60.0) -> None:
    """Wait for something; an error where it does not come in time."""
    end_s = time.monotonic() + within_s
    while not wanted():
        assert time.monotonic() < end_s, f"not within {within_s} s"
        time.sleep(0.02)


def compiled(target: Path, *words: str) -> Path:
    assert COMPILER is not None
    subprocess.run([COMPILER, "-O1", "-o", str(target), *words], check=True)
    return target


@pytest.fixture(scope="session")
def native(tmp_path_factory) -> Path:
    """The library of the capture."""
    path = tmp_path_factory.mktemp("native") / "liblevelrig_capture.so"
    compile_to(path)
    return path


@pytest.fixture(scope="session")
def swapper(tmp_path_factory) -> Callable[..., list[str]]:
    """The words of a program that swaps buffers: of an act, so often."""
    folder = tmp_path_factory.mktemp("swapper")
    library = compiled(folder / "libstub.so", "-fPIC", "-shared", str(PROGRAMS / "stub_gl.c"))
    program = compiled(folder / "swapper", str(PROGRAMS / "swapper.c"), "-ldl", "-lpthread")
    return lambda act, count: [str(program), str(library), act, str(count)]


@pytest.fixture(scope="module")
def display():
    """An X server of the tests' own; its name."""
    if sys.platform != "linux" or shutil.which("Xvfb") is None:
        pytest.skip("needs the X server Xvfb")
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", "1", "-screen", "0", "1024x768x24", "-nolisten", "tcp", "-noreset"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert server.stdout is not None
    with server:
        yield f":{server.stdout.readline().strip()}"
        server.terminate()
