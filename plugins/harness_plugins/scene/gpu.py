"""The three scenes on a graphics card of any maker, headless, through WebGPU (extra ``gpu``).

One frame is in flight while the next is recorded, as in a game: a frame's end is the moment at which its
work is seen to be done, and its own time on the card comes from timestamps where the driver offers them.
"""

from __future__ import annotations

import struct
import time
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np

from harness_plugins.scene.cpu import Picture
from harness_plugins.scene.options import SceneOptions, parse_resolution

#: Longest usual frame on a card. The heaviest ones take up to 6.4 times as long, and some systems reset a
#: card that works on one task for 2 s (common practice, no source).
LONGEST_FRAME_S = 0.25
_LEAD_IN_FRAMES = 4
_FORMAT = "rgba8unorm"
_FINE = 3
_ACT_FRAMES, _BURST_FRAMES = 90, 20
_STEPS = {"tarn-ridge": 64, "ember-swarm": 200_000, "slow-tide": 4}
_ADAPTER_ORDER = ("DiscreteGPU", "IntegratedGPU", "VirtualGPU", "CPU", "Unknown")


def load_wgpu() -> Any:
    """The module ``wgpu``. Raises RuntimeError with the remedy where it is missing."""
    try:
        import wgpu
    except (ImportError, OSError) as error:
        raise RuntimeError(f"the gpu backend needs wgpu ({error}); install levelrig[gpu]") from error
    return wgpu


def find_adapters() -> list[Any]:
    """Graphics adapters of this machine, best first: real cards before software, newer interfaces first."""
    found = load_wgpu().gpu.enumerate_adapters_sync()
    return sorted(found, key=_rank)


def describe_adapter(adapter: Any) -> str:
    """Name, kind and interface of an adapter."""
    info = adapter.info
    return f"{info['device'] or info['description']} ({info['adapter_type']}, {info['backend_type']})"


def is_software(adapter: Any) -> bool:
    """Whether the adapter is a program rather than a card."""
    return str(adapter.info["adapter_type"]) == "CPU"


def _rank(adapter: Any) -> tuple[int, bool]:
    kind = str(adapter.info["adapter_type"])
    place = _ADAPTER_ORDER.index(kind) if kind in _ADAPTER_ORDER else len(_ADAPTER_ORDER)
    return place, str(adapter.info["backend_type"]) == "OpenGL"


def _choose(wanted: str | None) -> Any:
    adapters = find_adapters()
    fitting = [a for a in adapters if wanted is None or wanted.lower() in describe_adapter(a).lower()]
    if not fitting:
        there = "; ".join(map(describe_adapter, adapters)) or "none"
        what = "no graphics adapter" if wanted is None else f"no graphics adapter {wanted!r}"
        raise RuntimeError(
            f"{what} (there: {there}); install the card's driver with Vulkan support "
            "(a software driver will do: Debian's package mesa-vulkan-drivers)"
        )
    return fitting[0]


@dataclass
class _Slot:
    """What a frame in flight needs of its own."""

    params: Any
    resolved: Any
    answer: Any
    waiting: Any = None


class GpuRenderer:
    """Draws one scene on a card. See :class:`harness_plugins.scene.renderer.Renderer`.

    Raises:
        RuntimeError: There is no card, or a frame is so long that the driver might reset it.
    """

    def __init__(self, options: SceneOptions) -> None:
        self._wgpu = load_wgpu()
        self._adapter = _choose(options.adapter)
        self._timed = "timestamp-query" in self._adapter.features
        largest = self._adapter.limits
        self._device = self._adapter.request_device_sync(
            required_features=["timestamp-query"] if self._timed else [],
            required_limits={
                name: largest[name] for name in ("max-buffer-size", "max-storage-buffer-binding-size")
            },
        )
        self._period_ns = _timestamp_period_ns(self._device) if self._timed else None
        self._options = options
        self._width, self._height = parse_resolution(options.resolution)
        self._steps = _STEPS[options.scene]
        self._picture = self._device.create_texture(
            size=(self._width, self._height, 1),
            format=_FORMAT,
            usage=self._wgpu.TextureUsage.STORAGE_BINDING
            | self._wgpu.TextureUsage.COPY_SRC
            | self._wgpu.TextureUsage.RENDER_ATTACHMENT,
        )
        self._view = self._picture.create_view()
        self._queries = self._device.create_query_set(type="timestamp", count=4) if self._timed else None
        self._slots = [self._make_slot() for _ in range(2)]
        self._count = 0
        self._scene = _SCENES[options.scene](self)
        self._lead_in()

    def describe(self) -> str:
        size = f"{self._width}x{self._height}"
        return f"{self._options.scene} {size} on {describe_adapter(self._adapter)}"

    def prepare(self) -> None:
        self._scene.clear = True

    def draw(self, frame: int, load: float) -> float | None:
        self._submit(frame, load)
        return self._await(self._slots[self._count % 2])

    def fingerprint(self) -> str | None:
        return None  # fetching the picture would be a stutter of our own

    def picture(self) -> Picture:
        self._finish()
        rows = self._device.queue.read_texture(
            {"texture": self._picture},
            {"bytes_per_row": self._width * 4, "rows_per_image": self._height},
            (self._width, self._height, 1),
        )
        pixels = np.frombuffer(rows, np.uint8).reshape(self._height, self._width, 4)
        return np.asarray(pixels[..., :3].mean(axis=2), np.uint8)

    def close(self) -> None:
        self._finish()
        self._device.destroy()

    def _lead_in(self) -> None:
        """Draw a few frames, so that shaders are compiled before the first frame that counts."""
        for number in range(_LEAD_IN_FRAMES):
            started_s = time.perf_counter()
            self._submit(number, self._options.load)
            self._finish()
            took_s = time.perf_counter() - started_s
            if number and took_s > LONGEST_FRAME_S and not is_software(self._adapter):
                raise RuntimeError(
                    f"one frame takes {took_s:.2f} s; over {LONGEST_FRAME_S} s the system may take the card "
                    "for hung and reset it; lower load or resolution"
                )
        self._submit(0, self._options.load)  # so that the first frame that counts has one before it

    def _submit(self, frame: int, load: float) -> None:
        """Hand a frame to the card."""
        index = self._count % 2
        slot = self._slots[index]
        self._count += 1
        encoder = self._device.create_command_encoder()
        self._scene.record(encoder, slot.params, index, frame, load)
        if self._queries is not None:
            encoder.resolve_query_set(self._queries, 2 * index, 2, slot.resolved, 0)
        encoder.copy_buffer_to_buffer(slot.resolved, 0, slot.answer, 0, 16)
        self._device.queue.submit([encoder.finish()])
        slot.waiting = slot.answer.map_async("READ_NOSYNC")

    def _await(self, slot: _Slot) -> float | None:
        """Wait until that slot's frame is done; its time on the card in ms where it is known."""
        if slot.waiting is None:
            return None
        slot.waiting.sync_wait()
        slot.waiting = None
        begin, end = struct.unpack("<QQ", slot.answer.read_mapped(copy=True))
        slot.answer.unmap()
        if self._period_ns is None or end <= begin:
            return None
        return float((end - begin) * self._period_ns * 1e-6)

    def _finish(self) -> None:
        for offset in range(2):
            self._await(self._slots[(self._count + offset) % 2])

    def _make_slot(self) -> _Slot:
        usage = self._wgpu.BufferUsage
        return _Slot(
            params=self._device.create_buffer(size=32, usage=usage.UNIFORM | usage.COPY_DST),
            resolved=self._device.create_buffer(size=256, usage=usage.QUERY_RESOLVE | usage.COPY_SRC),
            answer=self._device.create_buffer(size=16, usage=usage.MAP_READ | usage.COPY_DST),
        )

    # What the scenes below are made with.

    @property
    def device(self) -> Any:
        return self._device

    @property
    def usage(self) -> Any:
        return self._wgpu.BufferUsage

    @property
    def view(self) -> Any:
        """The picture, to draw into."""
        return self._view

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, pixels."""
        return self._width, self._height

    def amount(self, load: float) -> int:
        """Steps or embers for that load."""
        return max(1, round(self._steps * load))

    def module(self) -> Any:
        """The scene's shaders."""
        folder = resources.files("harness_plugins.scene") / "wgsl"
        parts = ("params.wgsl", f"{self._options.scene}.wgsl")
        return self._device.create_shader_module(
            code="\n".join((folder / part).read_text("utf-8") for part in parts)
        )

    def write_params(self, buffer: Any, *values: int) -> None:
        """Width, height, then up to six more."""
        words = (self._width, self._height, *values)
        self._device.queue.write_buffer(buffer, 0, struct.pack("<8I", *words, *[0] * (8 - len(words))))

    def stamps(self, index: int) -> dict[str, Any]:
        """Arguments of the frame's one pass, so that the card stamps its begin and end."""
        if self._queries is None:
            return {}
        return {
            "timestamp_writes": {
                "query_set": self._queries,
                "beginning_of_pass_write_index": 2 * index,
                "end_of_pass_write_index": 2 * index + 1,
            }
        }

    def bind(self, pipeline: Any, *resources_: Any) -> Any:
        """A bind group of these, in the order of their bindings."""
        entries = [
            {"binding": number, "resource": {"buffer": r, "offset": 0, "size": r.size}}
            if hasattr(r, "map_async")
            else {"binding": number, "resource": r}
            for number, r in enumerate(resources_)
            if r is not None
        ]
        return self._device.create_bind_group(layout=pipeline.get_bind_group_layout(0), entries=entries)


class _TarnRidge:
    """One dispatch; arithmetic alone."""

    clear = False

    def __init__(self, gpu: GpuRenderer) -> None:
        self._gpu = gpu
        self._pipeline = gpu.device.create_compute_pipeline(
            layout="auto", compute={"module": gpu.module(), "entry_point": "main"}
        )
        self._groups: dict[Any, Any] = {}

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        gpu.write_params(params, gpu.amount(load), frame)
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

    def __init__(self, gpu: GpuRenderer) -> None:
        self._gpu = gpu
        module = gpu.module()
        add = {"src_factor": "one", "dst_factor": "one", "operation": "add"}
        self._pipeline = gpu.device.create_render_pipeline(
            layout="auto",
            vertex={"module": module, "entry_point": "fly", "buffers": []},
            primitive={"topology": "triangle-list"},
            fragment={
                "module": module,
                "entry_point": "glow",
                "targets": [{"format": _FORMAT, "blend": {"color": add, "alpha": add}}],
            },
        )
        self._groups: dict[Any, Any] = {}

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        act, within = divmod(frame, _ACT_FRAMES)
        factor = 4.0 if within == 0 else 1.7 if within < _BURST_FRAMES else 1.0
        count = gpu.amount(load * factor)
        gpu.write_params(params, count, frame, act)
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

    def __init__(self, gpu: GpuRenderer) -> None:
        self._gpu = gpu
        module = gpu.module()
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

    def record(self, encoder: Any, params: Any, index: int, frame: int, load: float) -> None:
        gpu = self._gpu
        gpu.write_params(params, 0, frame, 0, self._rows, self._columns)
        if self.clear:
            for water in self._water:
                encoder.clear_buffer(water)
            self._now, self.clear = 0, False
        work = encoder.begin_compute_pass(**gpu.stamps(index))
        if frame % 15 == 0:
            # A drop falls into the newest state, which the shader knows as the one that it may write.
            self._sweep(work, "drop", params, index, 1 - self._now, (19, 19))
        for _ in range(gpu.amount(load)):
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


_SCENES: dict[str, Any] = {"tarn-ridge": _TarnRidge, "ember-swarm": _EmberSwarm, "slow-tide": _SlowTide}


def _timestamp_period_ns(device: Any) -> float | None:
    """Length of one tick of the card's timestamps. None where the library does not tell: then no times.

    The standard promises nanoseconds; this library hands out the card's own ticks and tells their length
    only through a private name, hence the care.
    """
    try:
        from wgpu.backends.wgpu_native import lib

        period_ns = float(lib.wgpuQueueGetTimestampPeriod(device.queue._internal))
    except (ImportError, AttributeError):
        return None
    return period_ns if period_ns > 0 else None
