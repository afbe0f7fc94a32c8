"""The Vulkan layer with a real loader and a software driver; counts against those of the program itself.

Needs the Vulkan headers and loader, Mesa's software driver and Xvfb (Debian: libvulkan-dev,
mesa-vulkan-drivers, xvfb); without them it is skipped.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from harness.capture.build import SOURCES
from harness.capture.one_program import capture_program
from harness.capture.reading import OTHER_WINDOW
from harness.errors import FrameLogError
from tests.capture.conftest import COMPILER, PROGRAMS, compiled, needs_compiler

pytestmark = [
    needs_compiler,
    pytest.mark.skipif(not Path("/usr/include/vulkan/vulkan.h").is_file(), reason="needs the Vulkan headers"),
]


def test_our_declarations_are_those_of_the_public_headers(tmp_path):
    """Source: the Vulkan headers of the Khronos Group, as this machine has them."""
    subprocess.run(
        [COMPILER, "-std=gnu11", "-fsyntax-only", f"-I{SOURCES}", str(PROGRAMS / "abi_check.c")], check=True
    )


@pytest.fixture(scope="module")
def presents(tmp_path_factory):
    return compiled(
        tmp_path_factory.mktemp("presents") / "presents",
        str(PROGRAMS / "presents.c"),
        "-ldl",
        "-lpthread",
    )


@pytest.fixture
def run(display, presents, monkeypatch):
    monkeypatch.setenv("DISPLAY", display)
    if subprocess.run([presents, "plain", "1"], capture_output=True, check=False).returncode:
        pytest.skip("no Vulkan driver presents here")
    return lambda act, count, way="capture": capture_program([str(presents), act, str(count)], way=way)


@pytest.mark.parametrize(
    ("act", "count", "frames", "noted"),
    [
        ("recreate", 202, 202, "its frames went through 101 swapchains of 1 window"),
        ("turns", 100, 200, "presents came from 2 threads"),
        ("crash", 100, 100, "Vulkan, 320 × 240 pixels"),
    ],
)
def test_frames_are_counted_as_the_program_counts_them(run, act, count, frames, noted):
    found = run(act, count)
    assert found.frames == frames
    assert noted in " ".join(found.log.notes)
    assert OTHER_WINDOW not in found.log.left_out


def test_the_larger_of_two_windows_counts(run):
    """Up to two presents of the small one come after the last of the large one."""
    found = run("windows", 50)
    assert 50 <= found.frames <= 52
    assert found.frames + found.log.left_out[OTHER_WINDOW] == 150


def test_two_processes_are_one_title(run):
    found = run("fork", 50)
    assert found.frames + found.log.left_out.get(OTHER_WINDOW, 0) == 100


def test_times_of_display_that_a_device_does_not_tell_are_an_error(run):
    """Mesa's software driver up to 22.3 has no VK_KHR_present_wait; one that has it tells them."""
    try:
        found = run("plain", 60, "capture-display")
    except FrameLogError as error:
        found = error
    if isinstance(found, FrameLogError):
        assert "tells no times of display" in str(found)
    else:
        assert "display time" in found.log.notes[0]
        assert found.frames > 30
