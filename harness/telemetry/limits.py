"""Why a driver holds the clock down: the bits of ``limit_reasons`` in plain words.

The bits are those of NVIDIA's management library (``nvml.h``, ``nvmlClocksEventReason...``); other sensors
translate theirs to the same bits, and to our own from 2^32 on for what that library has no bit for. An
unknown bit is kept and named by its number, never dropped.
"""

from __future__ import annotations

from collections.abc import Iterable

#: Bit -> words. 0x200 and 0x400 stand only among the library's older names, yet drivers still set them.
LIMIT_REASON_WORDS: dict[int, str] = {
    0x1: "card idle",
    0x2: "clocks set by an application",
    0x4: "power limit (software)",
    0x8: "hardware slowdown",
    0x10: "kept in step with another card",
    0x20: "temperature limit (software)",
    0x40: "temperature limit (hardware)",
    0x80: "external power brake",
    0x100: "clocks set by the display",
    0x200: "voltage limit of the board",
    0x400: "reliability limit of the voltage",
    1 << 32: "current limit",
    1 << 33: "temperature limit (voltage regulator)",
    1 << 34: "another limit of the card",
}

#: Bits that speak of trouble; the power limit is the normal state of a card under full load.
ALARMING_BITS = 0x8 | 0x20 | 0x40 | 0x80 | 1 << 33
#: No limit: the driver sets it whenever it looks between two frames.
IDLE_BIT = 0x1


def reason_words(bits: int) -> list[str]:
    """Decode a bit mask; ``bit_N`` for a bit that this program does not know. Empty for no reason."""
    words = []
    position = 0
    while bits >> position:
        bit = 1 << position
        if bits & bit:
            words.append(LIMIT_REASON_WORDS.get(bit, f"bit_{position}"))
        position += 1
    return words


def all_reasons(masks: Iterable[int]) -> list[str]:
    """Every reason that occurs in any of the masks, in order of its bit."""
    bits = 0
    for mask in masks:
        bits |= mask
    return reason_words(bits)
