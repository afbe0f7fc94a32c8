"""One face for both backends: draw a frame, say how long the card took, show the picture."""

from __future__ import annotations

import time
import zlib
from typing import Protocol

from harness_plugins.scene.cpu import Crew, Picture, make_scene
from harness_plugins.scene.drawn import Drawn
from harness_plugins.scene.options import SceneOptions, parse_resolution


class Renderer(Protocol):
    """Draws the frames of one scene."""

    def describe(self) -> str:
        """What draws, in a line."""

    def prepare(self) -> None:
        """Go back to the content's start."""

    def draw(self, frame: int, load: float) -> Drawn:
        """Draw a frame and wait for one: for this one, or while this one is begun for the one before."""

    def fingerprint(self) -> str | None:
        """Checksum of the frame drawn last; None where taking it would cost more than the frame."""

    def picture(self) -> Picture:
        """The frame drawn last, (height, width) grey levels."""

    def close(self) -> None:
        """Give threads and device back."""


class CpuRenderer:
    """NumPy on a thread pool."""

    def __init__(self, options: SceneOptions, threads: int) -> None:
        self._crew = Crew(threads)
        width, height = parse_resolution(options.resolution)
        self._scene = make_scene(options.scene, width, height, self._crew)
        self._label = f"{options.scene} {width}x{height} on {threads} threads"

    def describe(self) -> str:
        return self._label

    def prepare(self) -> None:
        self._scene.prepare()

    def draw(self, frame: int, load: float) -> Drawn:
        self._scene.draw(frame, load)
        return Drawn(time.perf_counter(), None)

    def fingerprint(self) -> str | None:
        return f"{zlib.crc32(self._scene.picture().tobytes()):08x}"

    def picture(self) -> Picture:
        return self._scene.picture()

    def close(self) -> None:
        self._crew.close()


def open_renderer(options: SceneOptions, threads: int, card: str | None = None) -> Renderer:
    """The renderer that the options ask for, on that card (``vendor:device``) where it is drawn on one.

    Raises:
        RuntimeError: With the remedy.
    """
    if options.backend == "gpu":
        from harness_plugins.scene.gpu import GpuRenderer

        return GpuRenderer(options, card)
    return CpuRenderer(options, threads)
