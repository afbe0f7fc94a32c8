"""Windows: which programs hold a file open, by the Restart Manager.

Source: learn.microsoft.com, "RmStartSession function", "RmRegisterResources function", "RmGetList function",
"RM_PROCESS_INFO structure", from memory. An installer asks the same before it replaces a file.
"""

from __future__ import annotations

import ctypes
from pathlib import Path
from typing import Final

from harness.windows.calls import MORE_DATA, WindowsCalls

_KEY_SIGNS: Final = 32  # CCH_RM_SESSION_KEY
_AT_FIRST: Final = 8
_LOOKS: Final = 3


class ProcessInfo(ctypes.Structure):
    """``RM_PROCESS_INFO`` (668 bytes)."""

    _fields_ = (
        ("process_id", ctypes.c_uint32),
        ("started_low", ctypes.c_uint32),
        ("started_high", ctypes.c_uint32),
        ("name", ctypes.c_uint16 * 256),  # CCH_RM_MAX_APP_NAME + 1
        ("service", ctypes.c_uint16 * 64),  # CCH_RM_MAX_SVC_NAME + 1
        ("kind", ctypes.c_uint32),
        ("status", ctypes.c_uint32),
        ("session", ctypes.c_uint32),
        ("restartable", ctypes.c_int32),
    )


def holders_of(calls: WindowsCalls, path: Path) -> list[str]:
    """Programs that hold a file, as ``name (process 123)``; empty where the system does not tell."""
    session, key = ctypes.c_uint32(), (ctypes.c_uint16 * (_KEY_SIGNS + 1))()
    if calls("RmStartSession", ctypes.addressof(session), 0, ctypes.addressof(key)):
        return []
    try:
        files = (ctypes.c_wchar_p * 1)(str(path))
        if calls("RmRegisterResources", session.value, 1, ctypes.addressof(files), 0, None, 0, None):
            return []
        needed, reasons = ctypes.c_uint32(_AT_FIRST), ctypes.c_uint32()
        for _ in range(_LOOKS):  # holders come and go between asking for their number and for their names
            count = ctypes.c_uint32(needed.value)
            found = (ProcessInfo * count.value)()
            code = calls(
                "RmGetList", session.value, ctypes.addressof(needed), ctypes.addressof(count),
                ctypes.addressof(found), ctypes.addressof(reasons),
            )  # fmt: skip
            if code == 0:
                return [f"{_text(one.name)} (process {one.process_id})" for one in found[: count.value]]
            if code != MORE_DATA:
                break
        return []
    finally:
        calls("RmEndSession", session.value)


def _text(signs: ctypes.Array[ctypes.c_uint16]) -> str:
    raw = bytes(memoryview(signs).cast("B"))
    return raw.decode("utf-16-le", "replace").split("\0")[0] or "a program"
