"""A graphics card through WebGPU: finding it, and what the scenes are made with on it."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterable, Sequence
from importlib import resources
from typing import Any

from harness_plugins.scene.options import SceneOptions, parse_resolution

FORMAT = "rgba8unorm"
#: Size of what a frame's shaders are told: eight words.
PARAMS_BYTES = 32
#: Between two looks whether a frame is done.
_NAP_S = 2e-4
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


def choose_adapter(wanted: str | None, card: str | None = None) -> Any:
    """The adapter to draw on. Raises RuntimeError with the remedy.

    Args:
        wanted: Part of its name, from the plan.
        card: The plan's card, ``vendor:device``. It is the one unless the plan names a software driver.
    """
    return pick_adapter(find_adapters(), wanted, card)


def pick_adapter(adapters: Sequence[Any], wanted: str | None, card: str | None) -> Any:
    """The same, of these, best first. Pure."""
    there = "; ".join(map(describe_adapter, adapters)) or "none"
    named = [a for a in adapters if wanted is None or wanted.lower() in describe_adapter(a).lower()]
    if card is None or (wanted is not None and named and is_software(named[0])):
        if named:
            return named[0]
        what = "no graphics adapter" if wanted is None else f"no graphics adapter {wanted!r}"
        raise RuntimeError(
            f"{what} (there: {there}); install the card's driver with Vulkan support "
            "(a software driver will do: Debian's package mesa-vulkan-drivers)"
        )
    own = [a for a in adapters if _pci_id(a) == card]
    if not own:
        raise RuntimeError(
            f"the plan's card ({card}) is no graphics adapter here (there: {there}); install its driver with "
            "Vulkan support, or name a software driver by the key adapter"
        )
    fitting = [a for a in own if a in named]
    if not fitting:
        raise RuntimeError(
            f"adapter = {wanted!r} is not the plan's card, {describe_adapter(own[0])}; leave it out"
        )
    if sum(a.info["backend_type"] == fitting[0].info["backend_type"] for a in own) > 1:
        raise RuntimeError(
            f"this machine has several cards of the model {describe_adapter(fitting[0])}, and this interface "
            "does not tell which is which; hide the others from the graphics driver, or take them out"
        )
    return fitting[0]


def _pci_id(adapter: Any) -> str:
    info = adapter.info
    return f"{info.get('vendor_id', 0):04x}:{info.get('device_id', 0):04x}"


class Canvas:
    """A device, the picture that one scene draws on it, and the making of what drawing needs.

    Attributes:
        adapter: The card.
        device: The device opened on it.
        usage: Names of the uses of a buffer.
        picture: The picture, a texture.
        view: The picture, to draw into.
        size: Width and height, pixels.
        queries: Timestamps of two frames, begin and end; None where the card offers none.
    """

    def __init__(self, options: SceneOptions, card: str | None = None) -> None:
        wgpu = load_wgpu()
        self.adapter = choose_adapter(options.adapter, card)
        timed = "timestamp-query" in self.adapter.features
        largest = self.adapter.limits
        self.device = self.adapter.request_device_sync(
            required_features=["timestamp-query"] if timed else [],
            required_limits={
                name: largest[name] for name in ("max-buffer-size", "max-storage-buffer-binding-size")
            },
        )
        self.usage = wgpu.BufferUsage
        self.size = parse_resolution(options.resolution)
        self.picture = self.device.create_texture(
            size=(*self.size, 1),
            format=FORMAT,
            usage=wgpu.TextureUsage.STORAGE_BINDING
            | wgpu.TextureUsage.COPY_SRC
            | wgpu.TextureUsage.RENDER_ATTACHMENT,
        )
        self.view = self.picture.create_view()
        self.queries = self.device.create_query_set(type="timestamp", count=4) if timed else None

    def wait(self) -> None:
        """Wait, in this thread, until the card has done all that was handed over.

        The library's public way waits in a thread of its own and hands on, which would let each frame's end
        be seen late by a chance of up to some ms; so its private name is used where it is still there.
        """
        poll_wait = getattr(self.device, "_poll_wait", None)
        if poll_wait is not None:
            poll_wait()
        else:
            self.device.queue.on_submitted_work_done_async().sync_wait()

    def take_over_polling(self) -> bool:
        """Let this thread alone ask the card what is done; False where the library does not let it.

        The library's own thread waits for all that was handed over and meanwhile holds what handing over the
        next frame needs: with two frames in flight the card would run dry now and then. Private names, hence
        the care.
        """
        names = ("_poller", "_poll", "_poll_wait")
        self._thread = getattr(self.device, "_poller", None)
        if self._thread is None or not all(hasattr(self.device, name) for name in names):
            return False
        self.device._poller = _NoThread()
        return True

    def give_polling_back(self) -> None:
        """Undo :meth:`take_over_polling`."""
        if isinstance(getattr(self.device, "_poller", None), _NoThread):
            self.device._poller = self._thread

    def fetch(self, buffer: Any, expected_s: float | None = None) -> bytes:
        """Content of a buffer once the card is done with it.

        Args:
            buffer: To read.
            expected_s: ``time.perf_counter`` at which that is expected, where later work is on the card too
                and this thread polls; else all work is waited for.
        """
        mapped = buffer.map_async("READ_NOSYNC")
        if expected_s is None:
            self.wait()
        else:
            time.sleep(max(0.0, expected_s - time.perf_counter() - _NAP_S))
            self.device._poll()
            while not mapped._thread_event.is_set():
                time.sleep(_NAP_S)
                self.device._poll()
        mapped.sync_wait()
        content = bytes(buffer.read_mapped(copy=True))
        buffer.unmap()
        return content

    def module(self, scene: str) -> Any:
        """The shaders of a scene."""
        folder = resources.files("harness_plugins.scene") / "wgsl"
        parts = ("params.wgsl", f"{scene}.wgsl")
        return self.device.create_shader_module(
            code="\n".join((folder / part).read_text("utf-8") for part in parts)
        )

    def upload_params(self, frames: Iterable[tuple[int, ...]]) -> Any:
        """A buffer with the parameters of all frames: :data:`PARAMS_BYTES` each, the picture's size first."""
        words = b"".join(struct.pack("<8I", *self.size, *given, *[0] * (6 - len(given))) for given in frames)
        return self.device.create_buffer_with_data(data=words, usage=self.usage.COPY_SRC)

    def stamps(self, index: int) -> dict[str, Any]:
        """Arguments of the frame's one pass, so that the card stamps its begin and end."""
        if self.queries is None:
            return {}
        return {
            "timestamp_writes": {
                "query_set": self.queries,
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
        return self.device.create_bind_group(layout=pipeline.get_bind_group_layout(0), entries=entries)


class _NoThread:
    """Stands where the library keeps its polling thread, and does nothing."""

    def get_token(self) -> _NoThread:
        return self

    def set_done(self) -> None: ...

    def stop(self) -> None: ...


def timestamp_period_ns(device: Any) -> float | None:
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
