"""A fabricated piece of the kernel's file tree, laid out as its documentation says."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from harness_plugins.hwmon import sysfs as kernel

if TYPE_CHECKING:
    from tests.machine.tree import Tree


class FakeSysfs:
    """``/sys`` in a temporary folder. Attribute files end in a line's end, as the kernel shows them."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def write(self, place: str, files: Mapping[str, object]) -> Path:
        """Write attribute files into a folder below the root; returns the folder."""
        folder = self.root / place
        for name, content in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{content}\n", "ascii")
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def add_chip(
        self,
        number: int,
        name: str,
        files: Mapping[str, object],
        address: str = "",
        device: Mapping[str, object] | None = None,
    ) -> Path:
        """Add ``class/hwmon/hwmonN`` with its link to its device; returns its folder."""
        home = self.write(f"devices/{address or f'platform-{number}'}", device or {})
        folder = self.write(f"class/hwmon/hwmon{number}", {"name": name, **files})
        (folder / "device").symlink_to(home, target_is_directory=True)
        return folder


@pytest.fixture
def sysfs(tmp_path: Path) -> FakeSysfs:
    if sys.platform == "win32":
        pytest.skip("the kernel's file tree is Linux's")
    return FakeSysfs(tmp_path / "sys")


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    """An empty machine, which every plugin of this process reads and writes; ``add`` devices to it."""
    if sys.platform == "win32":
        pytest.skip("the kernel's file tree is Linux's")
    from tests.machine.tree import Tree  # needs a POSIX system

    machine = Tree(tmp_path / "sys")
    monkeypatch.setattr(kernel, "files", machine)
    return machine
