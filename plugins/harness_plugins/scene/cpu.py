"""The three scenes, drawn with NumPy on a thread pool.

The picture is a function of the frame number, the resolution and the load alone: work is cut into bands
whose size does not depend on the number of threads, so that the same frame is the same to the last bit on
one thread and on sixteen. NumPy lets go of the interpreter lock inside its loops; bands are large enough
for threads to gain by that.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness_plugins.scene.options import SceneName

F32 = NDArray[np.float32]
Picture = NDArray[np.uint8]
_BAND_PIXELS = 65_536  # smaller ones lose more to the interpreter lock than they gain


class Scene(Protocol):
    """Draws frames. ``prepare`` is called at the start of each pass, ``draw`` once for each frame."""

    def prepare(self) -> None: ...

    def draw(self, frame: int, load: float) -> None:
        """Draw frame ``frame`` of the pass (from 0), with ``load`` times the usual work."""

    def picture(self) -> Picture:
        """The frame drawn last, (height, width) grey levels."""


class Crew:
    """Runs a function over bands ``(start, stop)`` on a fixed number of threads and waits for all."""

    def __init__(self, threads: int) -> None:
        self.threads = threads
        self._pool = ThreadPoolExecutor(threads, "scene") if threads > 1 else None

    def over(self, length: int, band: int, work: Callable[[int, int], None]) -> None:
        starts = range(0, length, band)
        stops = [min(start + band, length) for start in starts]
        if self._pool is None:
            for start, stop in zip(starts, stops, strict=True):
                work(start, stop)
        else:
            list(self._pool.map(work, starts, stops))

    def close(self) -> None:
        if self._pool is not None:
            self._pool.shutdown()


class TarnRidge:
    """Hills under a low sun: every pixel's ray is marched over a height field made of sines."""

    _STEPS = 22

    def __init__(self, width: int, height: int, crew: Crew) -> None:
        self._crew, self._shape = crew, (height, width)
        self._band_rows = max(1, _BAND_PIXELS // width)
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        right = (x - width / 2) / height
        up = (height / 2 - y) / height - np.float32(0.12)
        length = np.sqrt(right * right + up * up + 1)
        self._dx, self._dy, self._dz = right / length, up / length, 1 / length
        self._buffers = np.empty((6, height, width), np.float32)
        self._shade = np.zeros((height, width), np.float32)

    def prepare(self) -> None:
        self._shade[:] = 0

    def draw(self, frame: int, load: float) -> None:
        steps = max(1, round(self._STEPS * load))
        travel = np.float32(frame * 0.03)
        sway = np.float32(0.4 * np.sin(frame * 0.011))

        def march(first: int, last: int) -> None:
            rows = slice(first, last)
            dx, dy, dz = self._dx[rows], self._dy[rows], self._dz[rows]
            t, px, pz, height, part, gap = (buffer[rows] for buffer in self._buffers)
            t.fill(0.6)
            for _ in range(steps):
                np.multiply(dx, t, out=px)
                np.add(px, sway, out=px)
                np.multiply(dz, t, out=pz)
                np.add(pz, travel, out=pz)
                _hills(px, pz, height, part)
                np.multiply(dy, t, out=gap)
                np.add(gap, np.float32(1.0), out=gap)
                np.subtract(gap, height, out=gap)
                np.multiply(gap, np.float32(0.45), out=gap)
                np.clip(gap, np.float32(-0.2), np.float32(1.5), out=gap)
                np.add(t, gap, out=t)
            # Light from the slope along the view, haze with distance; sky where the ray flew off.
            np.multiply(px, np.float32(2.9), out=part)
            np.cos(part, out=part)
            shade = self._shade[rows]
            np.multiply(part, np.float32(0.2), out=shade)
            np.add(shade, np.float32(0.3), out=shade)
            np.multiply(height, np.float32(0.32), out=part)
            np.add(shade, part, out=shade)
            np.multiply(t, np.float32(-0.13), out=part)
            np.exp(part, out=part)
            np.multiply(shade, part, out=shade)
            np.subtract(np.float32(1), part, out=part)
            np.multiply(part, np.float32(0.85), out=part)
            np.add(shade, part, out=shade)
            np.clip(shade, 0, 1, out=shade)

        self._crew.over(self._shape[0], self._band_rows, march)

    def picture(self) -> Picture:
        return (self._shade * 255).astype(np.uint8)


def _hills(x: F32, z: F32, height: F32, part: F32) -> None:
    """Height of the ground at (x, z), into ``height``; ``part`` is scratch."""
    np.multiply(x, np.float32(1.3), out=height)
    np.sin(height, out=height)
    np.multiply(z, np.float32(0.9), out=part)
    np.cos(part, out=part)
    np.multiply(height, part, out=height)
    np.multiply(height, np.float32(0.55), out=height)
    np.multiply(x, np.float32(2.9), out=part)
    np.add(part, z, out=part)
    np.sin(part, out=part)
    np.multiply(part, np.float32(0.22), out=part)
    np.add(height, part, out=height)
    np.multiply(z, np.float32(3.7), out=part)
    np.subtract(part, x, out=part)
    np.sin(part, out=part)
    np.multiply(part, np.float32(0.12), out=part)
    np.add(height, part, out=height)


class EmberSwarm:
    """Embers over a fire, in acts of 90 frames. An act opens with 20 frames of a burst, after its makers
    were drawn again: the stutter of a change of scene."""

    ACT_FRAMES, BURST_FRAMES = 90, 20
    _EMBERS = 700_000

    def __init__(self, width: int, height: int, crew: Crew) -> None:
        self._crew, self._shape = crew, (height, width)
        self._act = -1
        self._made = np.empty((4, 0), np.float32)
        self._place = np.empty(0, np.int32)
        self._scratch = np.empty((3, 0), np.float32)
        self._light: NDArray[np.int64] = np.zeros(width * height + 1, np.int64)

    def prepare(self) -> None:
        self._act = -1

    def draw(self, frame: int, load: float) -> None:
        height, width = self._shape
        act, within = divmod(frame, self.ACT_FRAMES)
        burst = within < self.BURST_FRAMES
        pixels = min(4.0, max(0.25, width * height / 129_600))
        count = int(self._EMBERS * load * pixels * (1.7 if burst else 1.0))
        if act != self._act or self._made.shape[1] < count:
            self._make(act, max(count, int(count * 1.7)))
        now = np.float32(frame / 60)

        def fly(first: int, last: int) -> None:
            angle, speed, phase, size = self._made[:, first:last]
            age, x, y = self._scratch[:, first:last]
            np.add(phase, now, out=age)
            np.floor(age, out=x)
            np.subtract(age, x, out=age)  # age as a share of the life, 0 to 1
            np.multiply(age, np.float32(9.0), out=x)
            np.add(x, angle, out=x)
            np.sin(x, out=x)
            np.multiply(x, size, out=x)
            np.cos(angle, out=y)
            np.multiply(y, speed, out=y)
            np.multiply(y, age, out=y)
            np.add(x, y, out=x)  # sideways: sway and drift
            np.multiply(x, np.float32(height * 0.8), out=x)
            np.add(x, np.float32(width / 2), out=x)
            np.sqrt(age, out=y)
            np.multiply(y, speed, out=y)
            np.subtract(np.float32(0.92), y, out=y)
            np.multiply(y, np.float32(height), out=y)
            inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
            place = y.astype(np.int32) * width + x.astype(np.int32)
            self._place[first:last] = np.where(inside, place, width * height)

        self._crew.over(count, _BAND_PIXELS, fly)
        self._light = np.bincount(self._place[:count], minlength=width * height + 1)

    def _make(self, act: int, count: int) -> None:
        random = np.random.Generator(np.random.PCG64(1000 + act))
        made = random.random((4, count), np.float32)
        made[0] *= np.float32(2 * np.pi)
        made[1] = np.float32(0.25) + made[1] * np.float32(0.15 * (3 + act % 3))
        made[3] *= np.float32(0.12)
        self._act, self._made = act, made
        self._place = np.empty(count, np.int32)
        self._scratch = np.empty((3, count), np.float32)

    def picture(self) -> Picture:
        height, width = self._shape
        light: NDArray[np.float64] = 1 - np.exp(-0.08 * self._light[: width * height].reshape(height, width))
        return (light * 255).astype(np.uint8)


class SlowTide:
    """The wave equation on a grid three times as fine as the picture; drops fall at known frames."""

    _FINE, _STEPS = 3, 3

    def __init__(self, width: int, height: int, crew: Crew) -> None:
        self._crew = crew
        self._size = (height * self._FINE, width * self._FINE)
        self._now, self._before, self._next = (np.zeros(self._size, np.float32) for _ in range(3))
        self._scratch = np.zeros(self._size, np.float32)
        self._band_rows = max(4, _BAND_PIXELS // self._size[1])

    def prepare(self) -> None:
        for surface in (self._now, self._before, self._next):
            surface[:] = 0

    def draw(self, frame: int, load: float) -> None:
        rows, columns = self._size
        if frame % 15 == 0:
            drop = frame // 15
            y = 20 + (drop * 7919 + 311) % (rows - 40)
            x = 20 + (drop * 104_729 + 577) % (columns - 40)
            self._now[y - 9 : y + 10, x - 9 : x + 10] += np.float32(1.0)
        for _ in range(max(1, round(self._STEPS * load))):
            self._crew.over(rows - 2, self._band_rows, self._step)
            self._before, self._now, self._next = self._now, self._next, self._before

    def _step(self, first: int, last: int) -> None:
        rows = slice(first + 1, last + 1)
        now, out, part = self._now, self._next[rows, 1:-1], self._scratch[rows, 1:-1]
        np.add(now[first:last, 1:-1], now[first + 2 : last + 2, 1:-1], out=part)
        np.add(part, now[rows, :-2], out=part)
        np.add(part, now[rows, 2:], out=part)
        np.multiply(part, np.float32(0.22), out=part)
        np.multiply(now[rows, 1:-1], np.float32(2 - 4 * 0.22), out=out)
        np.add(out, part, out=out)
        np.subtract(out, self._before[rows, 1:-1], out=out)
        np.multiply(out, np.float32(0.9985), out=out)

    def picture(self) -> Picture:
        fine = self._FINE
        shown: F32 = np.clip(0.35 + 0.9 * self._now[fine // 2 :: fine, fine // 2 :: fine], 0, 1)
        return (shown * 255).astype(np.uint8)


_SCENES: dict[SceneName, Callable[[int, int, Crew], Scene]] = {
    "tarn-ridge": TarnRidge,
    "ember-swarm": EmberSwarm,
    "slow-tide": SlowTide,
}


def make_scene(name: SceneName, width: int, height: int, crew: Crew) -> Scene:
    """The scene of that name at that resolution."""
    return _SCENES[name](width, height, crew)
