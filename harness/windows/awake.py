"""Windows: the machine does not fall asleep by idleness while a program asks for it, nor does its screen.

Source: learn.microsoft.com, "SetThreadExecutionState function": the state belongs to the thread that sets it
and ends with it or with the next call; 0 means that it failed. It does not keep a person, the lid or the
power button from sending the machine to sleep, nor a machine with modern standby on battery.
"""

from __future__ import annotations

import ctypes
from typing import Final

from harness.windows.calls import WindowsCalls

ES_CONTINUOUS: Final = 0x80000000
ES_SYSTEM_REQUIRED: Final = 0x00000001
ES_DISPLAY_REQUIRED: Final = 0x00000002


class PowerCapabilities(ctypes.Structure):
    """``SYSTEM_POWER_CAPABILITIES`` (76 bytes), the members that are not read put together."""

    _fields_ = (
        ("buttons_and_states", ctypes.c_uint8 * 20),
        ("always_on_always_connected", ctypes.c_uint8),
        ("disks_and_spare", ctypes.c_uint8 * 9),
        ("batteries_present", ctypes.c_uint8),
        ("batteries_are_short_term", ctypes.c_uint8),
        ("rest", ctypes.c_uint32 * 11),
    )


def stay_awake(calls: WindowsCalls) -> bool:
    """Keep system and screen awake from now on, for as long as this thread lives; whether it was granted."""
    return bool(calls("SetThreadExecutionState", ES_CONTINUOUS | ES_SYSTEM_REQUIRED | ES_DISPLAY_REQUIRED))


def let_sleep(calls: WindowsCalls) -> None:
    """Take it back. By the same thread."""
    calls("SetThreadExecutionState", ES_CONTINUOUS)


def modern_standby(calls: WindowsCalls) -> bool | None:
    """Whether the machine has modern standby (``AoAc``: the S0 low power idle state); None: not known."""
    found = PowerCapabilities()
    if not calls("GetPwrCapabilities", ctypes.addressof(found)):
        return None
    return bool(found.always_on_always_connected)
