"""Why an AMD card holds its clock down, out of ``gpu_metrics``.

Source: ``Documentation/gpu/amdgpu/thermal.rst``, section "gpu_metrics" ("throttler status"); forms of the
file in ``drivers/gpu/drm/amd/include/kgd_pp_interface.h`` of Linux 6.12 (and 6.1): a header of its size,
revision and content revision, then a structure. Those named here hold the status in bits that mean the
same on every card (``indep_throttle_status``; 1.3 at line 653, 2.2 at 980, 2.3 at 1033, 2.4 at 1092); the
bits stand in ``drivers/gpu/drm/amd/pm/swsmu/inc/amdgpu_smu.h``, lines 44 to 84. Other forms (1.0 to 1.2,
2.0, 2.1) have bits of each card's own, or none (3.0), and are not read.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from harness_plugins.hwmon import sysfs

#: Form (revision, content revision) -> place of the status in the file, bytes. Structures as a C compiler
#: lays them out.
_PLACES = {(1, 3): 112, (2, 2): 120, (2, 3): 120, (2, 4): 120}
#: The driver fills what a card does not tell with ones (``smu_cmn_init_soft_gpu_metrics``).
_UNTOLD = 2**64 - 1
#: First and last bit of the card's status -> bits of ``limit_reasons`` (:mod:`harness.telemetry.limits`).
_MEANINGS = (
    (0, 7, 0x4),  # PPT0 to 3, SPL, FPPT, SPPT: power
    (16, 23, 1 << 32),  # TDC, EDC, APCC: current
    (32, 37, 0x40),  # temperature of chip, core, memory, edge, hotspot, SoC
    (38, 41, 1 << 33),  # temperature of a voltage regulator
    (42, 43, 0x40),  # temperature of the coolant
    (44, 45, 1 << 33),  # VRHOT
    (46, 47, 0x8),  # PROCHOT: a signal from outside
)
_OTHER = 1 << 34


def limit_reasons(data: bytes) -> int | None:
    """Bits of ``limit_reasons`` from the file's content; None where it does not tell them.

    A bit that has no meaning here counts as "another limit".
    """
    if len(data) < 4:
        return None
    place = _PLACES.get((data[2], data[3]))
    if place is None or len(data) < place + 8:
        return None
    (status,) = struct.unpack_from("<Q", data, place)
    if status == _UNTOLD:
        return None
    bits = 0
    for first, last, meaning in _MEANINGS:
        mask = (1 << (last + 1)) - (1 << first)
        if status & mask:
            bits |= meaning
            status &= ~mask
    return bits | (_OTHER if status else 0)


@dataclass(frozen=True)
class MetricsReader:
    """The reasons of one card. A read asks the firmware for a whole table: at most ten times a second."""

    path: Path
    quantity: str = "limit_reasons"
    period_s: float = 0.1
    note: str = ""

    def read(self) -> float | None:
        """The bits; None where they can't be read now."""
        try:
            bits = limit_reasons(sysfs.files.read(self.path))
        except OSError:
            return None
        return None if bits is None else float(bits)

    @property
    def source(self) -> str:
        return f"{self.path.name}, indep_throttle_status"
