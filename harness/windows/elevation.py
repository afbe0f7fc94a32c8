"""Windows: whether this process is elevated, and how a title is started that is not.

What applies and restores a profile runs elevated; a title must not: it would measure another program than the
one that people run, and whatever it starts could change the machine. So an elevated harness starts a title
through ``python -m harness.windows.elevation -- WORDS``, which gives it its own token without the
administrators' rights (CreateRestrictedToken with LUA_TOKEN, integrity level medium), waits for it and ends
with its exit code. A restricted version of one's own token needs no further privilege.

Source: learn.microsoft.com, "CreateRestrictedToken", "CreateProcessAsUserW", "GetTokenInformation"
(TOKEN_ELEVATION), "SetTokenInformation" (TOKEN_MANDATORY_LABEL) functions, "Well-known SIDs".
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
from collections.abc import Sequence
from typing import Any, Final

from harness.windows.calls import ELEVATION_REQUIRED, WindowsCalls, windows_calls

_TOKEN_ELEVATION, _TOKEN_INTEGRITY_LEVEL = 20, 25
_QUERY: Final = 0x0008
#: TOKEN_ASSIGN_PRIMARY | TOKEN_DUPLICATE | TOKEN_QUERY | TOKEN_ADJUST_DEFAULT
_OF_A_CHILD: Final = 0x0001 | 0x0002 | 0x0008 | 0x0080
_LUA_TOKEN: Final = 0x4
_MEDIUM: Final = "S-1-16-8192"
_SE_GROUP_INTEGRITY: Final = 0x20
_USE_HANDLES: Final = 0x100
#: Standard input, output and error: (DWORD)-10, -11, -12.
_STANDARD: Final = (0xFFFFFFF6, 0xFFFFFFF5, 0xFFFFFFF4)
_FOR_EVER: Final = 0xFFFFFFFF
#: Exit code where nothing could be started.
NOT_STARTED: Final = 126


class SidAndAttributes(ctypes.Structure):
    """``TOKEN_MANDATORY_LABEL``: a SID's address and attributes (16 bytes on 64 bits)."""

    _fields_ = (("sid", ctypes.c_void_p), ("attributes", ctypes.c_uint32))


class StartupInfo(ctypes.Structure):
    """``STARTUPINFOW`` (104 bytes on 64 bits)."""

    _fields_ = (
        ("size", ctypes.c_uint32),
        ("names", ctypes.c_void_p * 3),
        ("places", ctypes.c_uint32 * 7),
        ("flags", ctypes.c_uint32),
        ("show_window", ctypes.c_uint16),
        ("reserved_size", ctypes.c_uint16),
        ("reserved", ctypes.c_void_p),
        ("handles", ctypes.c_void_p * 3),
    )


class ProcessInformation(ctypes.Structure):
    """``PROCESS_INFORMATION`` (24 bytes on 64 bits)."""

    _fields_ = (
        ("process", ctypes.c_void_p),
        ("thread", ctypes.c_void_p),
        ("process_id", ctypes.c_uint32),
        ("thread_id", ctypes.c_uint32),
    )


def is_elevated(calls: WindowsCalls | None = None) -> bool:
    """Whether this process has the administrators' rights in force; False where that can't be told, and where
    this is not Windows."""
    calls = calls or windows_calls()
    if calls is None:
        return False
    token = ctypes.c_void_p()
    if not calls("OpenProcessToken", calls("GetCurrentProcess"), _QUERY, ctypes.addressof(token)):
        return False
    elevated, size = ctypes.c_uint32(), ctypes.c_uint32()
    try:
        got = calls(
            "GetTokenInformation", token.value, _TOKEN_ELEVATION, ctypes.addressof(elevated), 4,
            ctypes.addressof(size),
        )  # fmt: skip
    finally:
        calls("CloseHandle", token.value)
    return bool(got and elevated.value)


def plain_token(calls: WindowsCalls) -> Any:
    """This process's token without the administrators' rights. Raises OSError."""
    own, plain, sid = ctypes.c_void_p(), ctypes.c_void_p(), ctypes.c_void_p()
    _require(calls, "OpenProcessToken", calls("GetCurrentProcess"), _OF_A_CHILD, ctypes.addressof(own))
    try:
        _require(
            calls, "CreateRestrictedToken", own.value, _LUA_TOKEN, 0, None, 0, None, 0, None,
            ctypes.addressof(plain),
        )  # fmt: skip
    finally:
        calls("CloseHandle", own.value)
    try:
        _require(calls, "ConvertStringSidToSidW", _MEDIUM, ctypes.addressof(sid))
        label = SidAndAttributes(sid.value, _SE_GROUP_INTEGRITY)
        size = ctypes.sizeof(label) + int(calls("GetLengthSid", sid.value))
        _require(
            calls, "SetTokenInformation", plain.value, _TOKEN_INTEGRITY_LEVEL, ctypes.addressof(label), size
        )
    except OSError:
        calls("CloseHandle", plain.value)
        raise
    finally:
        if sid.value:
            calls("LocalFree", sid.value)
    return plain.value


def run_plainly(words: Sequence[str], calls: WindowsCalls) -> int:
    """Run a program without the administrators' rights, with our own input, output and folder; its exit code.

    Raises:
        OSError: It can't be started so; ``errno`` is the system's own number.
    """
    token = plain_token(calls)
    line = ctypes.create_unicode_buffer(subprocess.list2cmdline(words))
    startup, started = StartupInfo(size=ctypes.sizeof(StartupInfo), flags=_USE_HANDLES), ProcessInformation()
    startup.handles[:] = [calls("GetStdHandle", number) for number in _STANDARD]
    try:
        _require(
            calls, "CreateProcessAsUserW", token, None, ctypes.addressof(line), None, None, 1, 0, None, None,
            ctypes.addressof(startup), ctypes.addressof(started),
        )  # fmt: skip
    finally:
        calls("CloseHandle", token)
    calls("CloseHandle", started.thread)
    code = ctypes.c_uint32()
    try:
        calls("WaitForSingleObject", started.process, _FOR_EVER)
        calls("GetExitCodeProcess", started.process, ctypes.addressof(code))
    finally:
        calls("CloseHandle", started.process)
    return code.value


def _require(calls: WindowsCalls, name: str, *arguments: Any) -> None:
    if not calls(name, *arguments):
        error = calls.last_error()
        raise OSError(error, f"{name} failed (error {error})")


def main(words: Sequence[str], calls: WindowsCalls | None = None) -> int:
    """The program between an elevated harness and its title."""
    calls = calls or windows_calls()
    assert calls is not None, "only on Windows"
    try:
        code = run_plainly(words, calls)
        return code - 2**32 if code >= 2**31 else code  # as the C library takes an exit code
    except OSError as error:
        if error.errno != ELEVATION_REQUIRED:
            print(f"levelrig: {words[0]} can't be started without elevation: {error}", flush=True)
            return NOT_STARTED
    print(f"levelrig: {words[0]} asks for elevation itself, so it is started with it", flush=True)
    return subprocess.run(list(words), check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[sys.argv.index("--") + 1 :]))
