"""What ``rig.json`` tells of an AMD or Intel card."""

from __future__ import annotations

import platform
from typing import Any

from harness.card import GraphicsCard
from harness_plugins.hwmon.graphics import graphics_at
from harness_plugins.hwmon.sysfs import read_number, read_text

#: Fact -> file of the card's device. Source: the kernel's ``Documentation/gpu/amdgpu/driver-misc.rst``.
_TEXTS = {"firmware_version": "vbios_version", "link_speed": "current_link_speed"}
_SIZES_MIB = {"memory_total_mib": "mem_info_vram_total"}


def card_facts(card: GraphicsCard) -> dict[str, Any]:
    """Who the card is; what it does not tell is left out. Its limits stand in the attempts, as read back."""
    found: dict[str, Any] = {"driver_version": f"{card.driver} of kernel {platform.release()}"}
    seen = graphics_at(card.address)
    if seen is None:
        return found
    found |= {fact: text for fact, name in _TEXTS.items() if (text := read_text(seen.device / name))}
    unique = read_text(seen.device / "unique_id")
    if unique:
        found["uuid"] = f"{card.facts()['uuid']}/{unique}"
    for fact, name in _SIZES_MIB.items():
        size = read_number(seen.device / name)
        if size:
            found[fact] = size // 2**20
    return found
