"""A machine's kernel files in a folder, with the drivers' rules behind them.

Files and links lie on disk, printed in the kernel's formats, so that whatever only reads needs nothing
else. Writes, and reads that have an effect, go through :class:`Tree`, which stands in for
``harness_plugins.hwmon.sysfs.files``: it asks the device's rules, which accept or refuse as the driver
does, and prints the files again. All state lies in one file beside them, under a lock, so that several
processes see one machine, and one that is killed leaves it as it was.

A device is a :class:`Device`; :mod:`tests.machine.amd`, :mod:`tests.machine.processors` have some.

    tree = Tree(tmp_path / "sys")
    tree.add(Card("navi31", "0000:03:00.0", kernel="6.12"))
    monkeypatch.setattr(sysfs, "files", tree)      # or tree.install(); in tests/plugins the fixture "tree"
    AmdgpuControl(tree.root).apply(profile)
    tree.state("0000:03:00.0")["firmware"]         # what the hardware holds, which no file shows
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import importlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Protocol

State = dict[str, Any]
_STATE_FILE = ".machine.json"


class Device(Protocol):
    """One device: what it shows and which writes it takes.

    ``description`` makes it again in another process: ``module:class`` and the arguments as JSON values.
    """

    def description(self) -> tuple[str, list[Any]]:
        """Where the class is, and what it is made with."""

    def home(self) -> str:
        """Its folder below the root, as ``devices/pci0000:00/0000:03:00.0``."""

    def links(self) -> Mapping[str, str]:
        """Links: place below the root -> target below the root."""

    def first_state(self) -> State:
        """State after boot, as JSON values."""

    def files(self, state: State) -> Mapping[str, str | bytes]:
        """All its attribute files, below its folder, as the kernel prints them now."""

    def read(self, state: State, name: str) -> None:
        """What a read of this file brings about. Raises OSError where the kernel refuses."""

    def write(self, state: State, name: str, text: str) -> None:
        """A write to this file. Raises OSError where the kernel refuses; the state is kept then."""


#: Number of the last change whose files were printed.
_PRINTED_FILE = ".machine.printed"


class Killed(BaseException):
    """The process is gone before its next write."""


class Tree:
    """See the module. Safe to use from several processes at once.

    Attributes:
        root: The machine's ``/sys``.
        writes: What this process wrote, as ``file text``.
        dies_at: Before which write of this process (from 0) it is killed; None for none.
        deaf_to: Writes that begin so (``file text``) are taken and do nothing.
        fault_at: Writes that begin so are not permitted.
        each_write_takes_s: Time before each write of this process.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(parents=True, exist_ok=True)
        self._devices: dict[str, Device] = {}
        self.writes: list[str] = []
        self.dies_at: int | None = None
        self.deaf_to: str | None = None
        self.fault_at: str | None = None
        self.each_write_takes_s = 0.0

    @classmethod
    def opened(cls, root: Path) -> Tree:
        """The machine that another process made."""
        tree = cls(root)
        for place, arguments in tree._load()["devices"].values():
            module, _, name = place.partition(":")
            device: Device = getattr(importlib.import_module(module), name)(*arguments)
            tree._devices[device.home()] = device
        with tree._changing() as content:
            for home, device in tree._devices.items():  # whoever was killed may not have come to it
                tree._print(home, device.files(content["states"][home]))
        return tree

    def install(self) -> Tree:
        """Every plugin of this process reads and writes here from now on."""
        from harness_plugins.hwmon import sysfs

        sysfs.files = self
        sysfs.ROOT = self.root
        return self

    def add(self, device: Device) -> Device:
        """Put a device into the machine."""
        with self._changing() as content:
            content["devices"][device.home()] = device.description()
            content["states"][device.home()] = device.first_state()
            self._devices[device.home()] = device
        for place, target in device.links().items():
            link = self.root / place
            link.parent.mkdir(parents=True, exist_ok=True)
            link.symlink_to(os.path.relpath(self.root / target, link.parent), target_is_directory=True)
        return device

    def state(self, name: str) -> State:
        """State of the device whose folder ends so."""
        state: State = self._load()["states"][self._home_of(name)]
        return state

    @contextlib.contextmanager
    def change(self, name: str) -> Iterator[State]:
        """Change a device's state by hand: another program, a reset, a fault. The files follow."""
        with self._changing() as content:
            yield content["states"][self._home_of(name)]

    def read(self, path: Path) -> bytes:
        """See :class:`harness_plugins.hwmon.sysfs.KernelFiles`."""
        real = path.resolve()
        home = self._owner(real)
        if home is not None and real.exists():
            name = str(real.relative_to(self.root / home))
            self._print_what_a_kill_left()
            state = self._load()["states"][home]
            before = dict(state)
            self._devices[home].read(state, name)
            if state != before:
                with self._changing() as content:
                    self._devices[home].read(content["states"][home], name)
        return real.read_bytes()

    def write(self, path: Path, data: bytes) -> int:
        """See :class:`harness_plugins.hwmon.sysfs.KernelFiles`."""
        real = path.resolve()
        if not real.exists():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
        home = self._owner(real)
        if home is None:
            raise OSError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        if self.dies_at is not None and len(self.writes) >= self.dies_at:
            raise Killed
        time.sleep(self.each_write_takes_s)
        name = str(real.relative_to(self.root / home))
        self.writes.append(f"{Path(name).name} {data.decode().strip()}")
        if self.fault_at is not None and self.writes[-1].startswith(self.fault_at):
            raise PermissionError(errno.EPERM, os.strerror(errno.EPERM), str(path))
        if self.deaf_to is not None and self.writes[-1].startswith(self.deaf_to):
            return len(data)
        refusal: OSError | None = None
        with self._changing() as content:
            content["written"].append([home, name, data.decode().strip()])
            try:
                self._devices[home].write(content["states"][home], name, data.decode())
            except OSError as error:
                refusal = error
        if refusal is not None:
            raise type(refusal)(refusal.errno, os.strerror(refusal.errno or errno.EINVAL), str(path))
        return len(data)

    def all_writes(self) -> list[str]:
        """Every write of every process so far, as ``file text``, in order."""
        return [f"{Path(name).name} {text}" for _, name, text in self._load()["written"]]

    def _home_of(self, name: str) -> str:
        return next(home for home in self._devices if home.endswith(name))

    def _owner(self, real: Path) -> str | None:
        homes = [home for home in self._devices if real.is_relative_to((self.root / home).resolve())]
        return max(homes, key=len, default=None)

    def _load(self) -> dict[str, Any]:
        path = self.root / _STATE_FILE
        content: dict[str, Any] = (
            json.loads(path.read_text()) if path.exists() else {"devices": {}, "states": {}, "written": []}
        )
        return content

    @contextlib.contextmanager
    def _changing(self) -> Iterator[dict[str, Any]]:
        with (self.root / ".machine.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            content = self._load()
            before = {home: json.dumps(state) for home, state in content["states"].items()}
            yield content
            content["changes"] = content.get("changes", 0) + 1
            fresh = self.root / f"{_STATE_FILE}.{os.getpid()}"
            fresh.write_text(json.dumps(content))
            fresh.replace(self.root / _STATE_FILE)
            for home, device in self._devices.items():
                if json.dumps(content["states"][home]) != before.get(home):
                    self._print(home, device.files(content["states"][home]))
            (self.root / _PRINTED_FILE).write_text(str(content["changes"]))

    def _print_what_a_kill_left(self) -> None:
        """A kernel's change is whole; of ours, a kill may strike between the state and the files."""
        printed = self.root / _PRINTED_FILE
        if printed.exists() and printed.read_text() == str(self._load().get("changes", 0)):
            return
        with self._changing() as content:
            for home, device in self._devices.items():
                self._print(home, device.files(content["states"][home]))

    def _print(self, home: str, files: Mapping[str, str | bytes]) -> None:
        for name, text in files.items():
            path = self.root / home / name
            data = text.encode() if isinstance(text, str) else text
            if not path.exists() or path.read_bytes() != data:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
