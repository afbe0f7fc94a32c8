"""A screen's usual mode from what it says of itself. Pure.

Source: VESA Enhanced Extended Display Identification Data Standard, Release A, section 3: a base block of 128
bytes, of which the first detailed timing descriptor (bytes 54 to 71) is the mode that the screen prefers.
"""

from __future__ import annotations

from harness.newplan.machine import Screen

_HEADER = bytes((0, 255, 255, 255, 255, 255, 255, 0))


def screen_of(edid: bytes) -> Screen | None:
    """The preferred mode in a screen's identification data; None where it holds none that can be."""
    block = edid[:128]
    if len(block) < 128 or block[:8] != _HEADER or sum(block) % 256:
        return None
    timing = block[54:72]
    clock_hz = int.from_bytes(timing[:2], "little") * 10_000
    across, across_blank = _pair(timing[2], timing[3], timing[4])
    down, down_blank = _pair(timing[5], timing[6], timing[7])
    if not (clock_hz and across and down):
        return None
    interlaced = 2 if timing[17] & 0x80 else 1
    lines = (down + down_blank) * interlaced
    refresh_hz = clock_hz / ((across + across_blank) * lines) * interlaced
    return Screen(across, down * interlaced, refresh_hz if 10 <= refresh_hz <= 1000 else None)


def _pair(low: int, blank_low: int, high: int) -> tuple[int, int]:
    return low | (high & 0xF0) << 4, blank_low | (high & 0x0F) << 8
