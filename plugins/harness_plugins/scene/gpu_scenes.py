"""What each scene asks of the card, frame by frame."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from harness_plugins.scene.gpu_device import FORMAT, Canvas
from harness_plugins.scene.options import SceneName

_FINE = 3
_ACT_FRAMES, _BURST_FRAMES = 90, 20
#: Steps, or embers, at load 1.
_AMOUNTS: dict[SceneName, int] = {"tarn-ridge": 64, "ember-swarm": 200_000, "slow-tide": 4}


class GpuScene(Protocol):
    """Records the work of a frame. ``clear`` asks it to go back to the content's start at the next one."""

    clear: bool

    def params(self, frame: int, load: float) -> tuple[int, ...]:
        """What the shaders are told of the frame, after the picture's size: see ``wgsl/params.wgsl``."""

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        """Record one pass.

        Args:
            encoder: Takes the pass.
            params: Uniform buffer of this frame, holding its :meth:`params`.
            index: Which of the two frames in flight it is.
            frame: Of the content, from 0.
            load: Multiple of the usual work.
        """


def _amount(scene: SceneName, load: float) -> int:
    return max(1, round(_AMOUNTS[scene] * load))


class _TarnRidge:
    """One dispatch; arithmetic alone."""

    clear = False

    def __init__(self, gpu: Canvas) -> None:
        self._gpu = gpu
        self._pipeline = gpu.device.create_compute_pipeline(
            layout="auto", compute={"module": gpu.module("tarn-ridge"), "entry_point": "main"}
        )
        self._groups: dict[Any, Any] = {}

    def params(self, frame: int, load: float) -> tuple[int, ...]:
        return _amount("tarn-ridge", load), frame

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        if index not in self._groups:
            self._groups[index] = gpu.bind(self._pipeline, params, gpu.view)
        work = encoder.begin_compute_pass(**gpu.stamps(index))
        work.set_pipeline(self._pipeline)
        work.set_bind_group(0, self._groups[index])
        work.dispatch_workgroups(*(-(-side // 8) for side in gpu.size))
        work.end()


class _EmberSwarm:
    """Small blended quads: vertex work, fill and blending. An act opens with a heavy frame and a burst."""

    clear = False

    def __init__(self, gpu: Canvas) -> None:
        self._gpu = gpu
        module = gpu.module("ember-swarm")
        add = {"src_factor": "one", "dst_factor": "one", "operation": "add"}
        self._pipeline = gpu.device.create_render_pipeline(
            layout="auto",
            vertex={"module": module, "entry_point": "fly", "buffers": []},
            primitive={"topology": "triangle-list"},
            fragment={
                "module": module,
                "entry_point": "glow",
                "targets": [{"format": FORMAT, "blend": {"color": add, "alpha": add}}],
            },
        )
        self._groups: dict[Any, Any] = {}

    def params(self, frame: int, load: float) -> tuple[int, ...]:
        act, within = divmod(frame, _ACT_FRAMES)
        factor = 4.0 if within == 0 else 1.7 if within < _BURST_FRAMES else 1.0
        return _amount("ember-swarm", load * factor), frame, act

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        count, *_ = self.params(frame, load)
        if index not in self._groups:
            self._groups[index] = gpu.bind(self._pipeline, params)
        work = encoder.begin_render_pass(
            color_attachments=[
                {
                    "view": gpu.view,
                    "load_op": "clear",
                    "store_op": "store",
                    "clear_value": (0.02, 0.02, 0.03, 1),
                }
            ],
            **gpu.stamps(index),
        )
        work.set_pipeline(self._pipeline)
        work.set_bind_group(0, self._groups[index])
        work.draw(count * 6)
        work.end()


class _SlowTide:
    """A few sweeps over large buffers each frame, then the picture."""

    clear = True

    def __init__(self, gpu: Canvas) -> None:
        self._gpu = gpu
        module = gpu.module("slow-tide")
        self._pipelines = {
            name: gpu.device.create_compute_pipeline(
                layout="auto", compute={"module": module, "entry_point": name}
            )
            for name in ("step", "drop", "show")
        }
        self._columns, self._rows = (side * _FINE for side in gpu.size)
        size = self._columns * self._rows * 4
        most = gpu.device.limits["max-storage-buffer-binding-size"]
        if size > most:
            raise RuntimeError(
                f"the water needs buffers of {size // 2**20} MiB, this card binds at most "
                f"{most // 2**20} MiB; lower the resolution"
            )
        usage = gpu.usage.STORAGE | gpu.usage.COPY_DST
        self._water = [gpu.device.create_buffer(size=size, usage=usage) for _ in range(2)]
        self._now = 0
        self._groups: dict[Any, Any] = {}

    def params(self, frame: int, load: float) -> tuple[int, ...]:
        return 0, frame, 0, self._rows, self._columns

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        if self.clear:
            for water in self._water:
                encoder.clear_buffer(water)
            self._now, self.clear = 0, False
        work = encoder.begin_compute_pass(**gpu.stamps(index))
        if frame % 15 == 0:
            # A drop falls into the newest state, which the shader knows as the one that it may write.
            self._sweep(work, "drop", params, index, 1 - self._now, (19, 19))
        for _ in range(_amount("slow-tide", load)):
            self._sweep(work, "step", params, index, self._now, (self._columns, self._rows))
            self._now = 1 - self._now
        self._sweep(work, "show", params, index, self._now, gpu.size)
        work.end()

    def _sweep(
        self, work: Any, name: str, params: Any, index: int, now: int, extent: tuple[int, int]
    ) -> None:
        gpu, pipeline = self._gpu, self._pipelines[name]
        key = name, index, now
        if key not in self._groups:
            current, other = self._water[now], self._water[1 - now]
            bound = {
                "step": (params, current, other),
                "drop": (params, None, other),
                "show": (params, current, None, gpu.view),
            }
            self._groups[key] = gpu.bind(pipeline, *bound[name])
        work.set_pipeline(pipeline)
        work.set_bind_group(0, self._groups[key])
        work.dispatch_workgroups(-(-extent[0] // 16), -(-extent[1] // 16))


SCENES: dict[SceneName, Callable[[Canvas], GpuScene]] = {
    "tarn-ridge": _TarnRidge,
    "ember-swarm": _EmberSwarm,
    "slow-tide": _SlowTide,
}
