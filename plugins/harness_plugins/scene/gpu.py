"""The three scenes on a graphics card of any maker, headless, through WebGPU (extra ``gpu``).

Where the card stamps its own times, it always has the next frame waiting while it draws one, as a title keeps
it fed, and a frame ends when the card says so: a late look of this program changes no frame time. Without
stamps a frame is handed over once the one before is seen to be done.

What the frames of a pass differ in is on the card from the start: to hand it over frame by frame takes memory
from the driver and gives it back, at times in over 1 ms.
"""

from __future__ import annotations

import math
import struct
import time
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness_plugins.scene.cardclock import CardClock
from harness_plugins.scene.cpu import Picture
from harness_plugins.scene.drawn import Drawn
from harness_plugins.scene.gpu_device import (
    PARAMS_BYTES,
    Canvas,
    describe_adapter,
    is_software,
    timestamp_period_ns,
)
from harness_plugins.scene.gpu_scenes import SCENES
from harness_plugins.scene.options import SceneOptions, course_factor

#: Longest usual frame on a card. The heaviest ones take up to 6.4 times as long, and some systems reset a
#: card that works on one task for 2 s (common practice, no source).
LONGEST_FRAME_S = 0.25
_LEAD_IN_FRAMES = 8


@dataclass
class _Slot:
    """What every second frame needs of its own, so that one can be recorded while one is drawn."""

    params: Any
    resolved: Any
    answer: Any


class GpuRenderer:
    """Draws one scene on a card. See :class:`harness_plugins.scene.renderer.Renderer`.

    Raises:
        RuntimeError: There is no card, or a frame is so long that the driver might reset it.
    """

    def __init__(self, options: SceneOptions, card: str | None = None) -> None:
        self._options = options
        self._canvas = Canvas(options, card)
        self._device = self._canvas.device
        self._period_ns = timestamp_period_ns(self._device) if self._canvas.queries is not None else None
        self._slots = [self._make_slot() for _ in range(2)]
        self._count = 0
        self._clock = CardClock()
        self._before_s = 0.0  # end of the frame before, on the card's clock
        self._short_s = math.inf  # how long a short frame takes: so long the card surely works
        self._ahead = self._period_ns is not None and self._canvas.take_over_polling()
        self._scene = SCENES[options.scene](self._canvas)
        self._params = self._canvas.upload_params(
            self._scene.params(frame, options.load * course_factor(options.course, frame))
            for frame in range(options.frames_per_pass)
        )
        self._lead_in()

    def describe(self) -> str:
        options = self._options
        return f"{options.scene} {options.resolution} on {describe_adapter(self._canvas.adapter)}"

    def prepare(self) -> None:
        self._scene.clear = True

    def draw(self, frame: int, load: float) -> Drawn:
        recorded = self._record(frame, load)
        if self._ahead:
            expected_s = self._clock.on_rig_s(self._before_s) + self._short_s
            self._submit(recorded)
            return self._fetch(self._slots[self._count % 2], expected_s)
        self._canvas.wait()
        drawn = self._fetch(self._slots[(self._count - 1) % 2])
        self._submit(recorded)
        return drawn

    def fingerprint(self) -> str | None:
        return None  # fetching the picture would be a stutter of our own

    def picture(self) -> Picture:
        self._canvas.wait()
        self._canvas.give_polling_back()
        width, height = self._canvas.size
        rows = self._device.queue.read_texture(
            {"texture": self._canvas.picture},
            {"bytes_per_row": width * 4, "rows_per_image": height},
            (width, height, 1),
        )
        pixels = np.frombuffer(rows, np.uint8).reshape(height, width, 4)
        return np.asarray(pixels[..., :3].mean(axis=2), np.uint8)

    def close(self) -> None:
        self._canvas.wait()
        self._canvas.give_polling_back()
        self._device.destroy()

    def _lead_in(self) -> None:
        """Draw a few frames, so that shaders are compiled before the first frame that counts."""
        for number in range(_LEAD_IN_FRAMES):
            started_s = time.perf_counter()
            self._submit(self._record(number % self._options.frames_per_pass, self._options.load))
            self._canvas.wait()
            took_s = time.perf_counter() - started_s
            self._fetch(self._slots[(self._count - 1) % 2])
            if number and took_s > LONGEST_FRAME_S and not is_software(self._canvas.adapter):
                raise RuntimeError(
                    f"one frame takes {took_s:.2f} s; over {LONGEST_FRAME_S} s the system may take the card "
                    "for hung and reset it; lower load or resolution"
                )
        # So that the first frame that counts has one before it:
        self._submit(self._record(0, self._options.load))

    def _record(self, frame: int, load: float) -> Any:
        """Make the frame's commands ready, while the frame before is still being drawn."""
        index = self._count % 2
        slot = self._slots[index]
        encoder = self._device.create_command_encoder()
        encoder.copy_buffer_to_buffer(self._params, PARAMS_BYTES * frame, slot.params, 0, PARAMS_BYTES)
        self._scene.record(encoder, slot.params, index, frame, load)
        if self._canvas.queries is not None:
            encoder.resolve_query_set(self._canvas.queries, 2 * index, 2, slot.resolved, 0)
        encoder.copy_buffer_to_buffer(slot.resolved, 0, slot.answer, 0, 16)
        return encoder.finish()

    def _submit(self, recorded: Any) -> None:
        """Hand a recorded frame to the card."""
        self._count += 1
        self._device.queue.submit([recorded])

    def _fetch(self, slot: _Slot, expected_s: float | None = None) -> Drawn:
        """Wait for the frame of that slot: all work on the card is done, or it is expected at a time."""
        if self._period_ns is None:
            return Drawn(time.perf_counter(), None)
        seen_s = time.perf_counter()
        stamps = self._canvas.fetch(slot.answer, expected_s)
        if expected_s is not None:
            seen_s = time.perf_counter()
        begin_s, end_s = (tick * self._period_ns * 1e-9 for tick in struct.unpack("<QQ", stamps))
        took_s = end_s - max(begin_s, self._before_s)
        self._short_s = max(0.0, min(took_s, self._short_s * 1.01))
        self._before_s = end_s
        rig_s = self._clock.seen(end_s, seen_s)
        return Drawn(rig_s if self._ahead else seen_s, took_s * 1e3 if took_s > 0 else None)

    def _make_slot(self) -> _Slot:
        usage = self._canvas.usage
        return _Slot(
            params=self._device.create_buffer(size=PARAMS_BYTES, usage=usage.UNIFORM | usage.COPY_DST),
            resolved=self._device.create_buffer(size=256, usage=usage.QUERY_RESOLVE | usage.COPY_SRC),
            answer=self._device.create_buffer(size=16, usage=usage.MAP_READ | usage.COPY_DST),
        )
