"""An X server without a screen, and pictures of the test title cut from what it shows."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

TITLE = Path(__file__).with_name("title.py")
#: Name -> left, top, right, bottom in the title's window, of what its menu shows.
CUTS = {
    "heading": (130, 20, 350, 60),
    "settings": (138, 148, 342, 196),
    "sail-lit": (138, 88, 342, 136),
}
DIALOG_CUT = (88, 88, 392, 232)
LATER_CUT = (186, 166, 294, 210)


def until(wanted: Callable[[], object], what: str, within_s: float = 30.0) -> None:
    """Wait until that is so."""
    end_s = time.monotonic() + within_s
    while not wanted():
        assert time.monotonic() < end_s, f"not within {within_s} s: {what}"
        time.sleep(0.03)


@pytest.fixture(scope="session")
def display() -> Iterator[str]:
    """An Xvfb of its own; the variable DISPLAY names it meanwhile."""
    pytest.importorskip("Xlib")
    pytest.importorskip("mss")
    pytest.importorskip("cv2")
    pytest.importorskip("tkinter")
    if shutil.which("Xvfb") is None:
        pytest.skip("Xvfb is not installed")
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x800x24"],
        pass_fds=[write],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    name = f":{os.read(read, 20).decode().strip()}"
    before = os.environ.get("DISPLAY")
    os.environ["DISPLAY"] = name
    yield name
    if before is None:
        del os.environ["DISPLAY"]
    else:
        os.environ["DISPLAY"] = before
    server.terminate()
    server.wait(10)
    os.close(read)


class Shown:
    """A program of a test's own on the display, and what it prints."""

    def __init__(self, *words: str) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, str(TITLE), *words], stdout=subprocess.PIPE, text=True
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.strip())

    def said(self, line: str) -> None:
        """Wait until it printed that line."""
        until(lambda: line in self.lines, f"the line {line!r}")

    def end(self) -> None:
        self.process.kill()
        self.process.wait(10)
        self._reader.join(10)
        if self.process.stdout is not None:
            self.process.stdout.close()


@pytest.fixture
def title(display: str) -> Iterator[Shown]:
    shown = Shown("--load_s=0.2")
    shown.said("menu")
    yield shown
    shown.end()


@pytest.fixture(scope="session")
def pictures(display: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with pictures of the menu and the dialog, as a person would cut them."""
    from harness.steps.opening import open_desk

    folder = tmp_path_factory.mktemp("pictures")
    desk = open_desk()

    def cut(cuts: dict[str, tuple[int, int, int, int]], words: list[str], line: str) -> None:
        shown = Shown("--load_s=0.2", *words)
        shown.said(line)

        def pixels() -> Any:
            own = [window for window in desk.windows() if window.process_id == shown.process.pid]
            return desk.grab(own[0].x, own[0].y, own[0].width, own[0].height) if own else None

        until(lambda: (seen := pixels()) is not None and seen.std() > 20, "its picture")
        whole = pixels()
        shown.end()
        for name, (left, top, right, bottom) in cuts.items():
            Image.fromarray(whole[top:bottom, left:right, ::-1].copy()).save(folder / f"{name}.png")

    cut(CUTS, [], "menu")
    cut({"dialog": DIALOG_CUT, "later": LATER_CUT}, ["--dialog=1", "--seed=1"], "dialog")
    desk.close()
    return folder
