"""Which AMD and Intel graphics cards the kernel shows, whether or not they have monitoring files.

A card is known by its PCI address: the numbers of ``hwmonN`` and ``cardN`` change from boot to boot and when
a driver is loaded again. The processor's own graphics are told by what the drivers show of them:

- AMD: ``in1`` with the label ``vddnb`` is shown for processors with graphics only
  (``drivers/gpu/drm/amd/pm/amdgpu_pm.c``: 6.1 line 3324, 6.12 line 3720).
- Intel: on bus 0; cards sit behind a bridge. From memory.

Files of 6.1 have no ``hwmon`` folder for any Intel card (``i915_hwmon.c`` came with 6.2), nor any later
kernel for a processor's graphics (6.12 ``i915_hwmon.c`` line 875), so the drm folders are looked at too.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from harness.card import GraphicsCard, normal_address
from harness_plugins.hwmon import sysfs
from harness_plugins.hwmon.sysfs import Chip, find_chips, read_text

#: Driver -> kind of control that tunes its cards.
CONTROLS = {"amdgpu": "amdgpu", "xe": "intelgpu", "i915": "intelgpu"}
_MAKERS = {0x1002: "AMD", 0x8086: "Intel"}
_DRIVERS = {0x1002: ("amdgpu",), 0x8086: ("xe", "i915")}
_DRM = re.compile(r"card\d+")


@dataclass(frozen=True)
class Graphics:
    """One card as the kernel shows it.

    Attributes:
        address: PCI address.
        driver: ``amdgpu``, ``xe`` or ``i915``.
        device: Folder of the device.
        chip: Its monitoring files; None where its driver shows none.
        drm: Its folder ``cardN``; None where the kernel shows none.
    """

    address: str
    driver: str
    device: Path
    chip: Chip | None
    drm: Path | None

    @property
    def integrated(self) -> bool:
        """It is part of the processor."""
        if self.driver == "amdgpu":
            return self.chip is not None and read_text(self.chip.folder / "in1_label") == "vddnb"
        return self.address.startswith("0000:00:")

    def as_card(self) -> GraphicsCard:
        """The same for everybody else."""
        vendor, device = (_hexadecimal(self.device / name) for name in ("vendor", "device"))
        maker = "AMD" if self.driver == "amdgpu" else "Intel"
        named = read_text(self.device / "product_name") or (f"{device:04x}" if device else self.address)
        return GraphicsCard(
            identity=self.address,
            name=named if named.startswith(maker) else f"{maker} {named}",
            driver=self.driver,
            address=self.address,
            integrated=self.integrated,
            controls=(CONTROLS[self.driver],),
            pci_id=None if vendor is None or device is None else (vendor, device),
        )


def find_graphics(root: Path | None = None) -> list[Graphics]:
    """Every AMD and Intel card, in order of address. Wakes none."""
    root = root or sysfs.ROOT
    chips = {
        # The real folder lies below the device: it is never another device's, as a number may come to be.
        c.address: replace(c, folder=c.folder.resolve())
        for c in find_chips(root)
        if c.name in CONTROLS and normal_address(c.address)
    }
    found = {
        address: Graphics(address, chip.name, chip.device.resolve(), chip, None)
        for address, chip in chips.items()
    }
    for folder in sorted((root / "class" / "drm").glob("card*")):
        device = (folder / "device").resolve()
        address, vendor = device.name, _hexadecimal(device / "vendor")
        if not _DRM.fullmatch(folder.name) or vendor not in _MAKERS or not normal_address(address):
            continue
        chip = chips.get(address)
        driver = chip.name if chip is not None else (device / "driver").resolve().name
        if driver in _DRIVERS[vendor]:
            found[address] = Graphics(address, driver, device, chip, folder.resolve())
    return [found[address] for address in sorted(found)]


def graphics_at(address: str, root: Path | None = None) -> Graphics | None:
    """The card at that address, wherever its folders are now."""
    return next((one for one in find_graphics(root) if one.address == address), None)


def _hexadecimal(path: Path) -> int | None:
    try:
        return int(read_text(path) or "", 16)
    except ValueError:
        return None
