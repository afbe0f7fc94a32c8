"""The calls into Windows: name, library, argument types and result type, stated once and checked by tests.

Only types of fixed width are used: ``ctypes.wintypes`` takes its widths from the C compiler, so that a
structure made of them has another layout on Linux, where the tests look at it. Source of every signature:
learn.microsoft.com, page "<name> function", from memory.
"""

from __future__ import annotations

import ctypes
import functools
import sys
from collections.abc import Callable, Mapping
from ctypes import c_int32, c_size_t, c_ssize_t, c_uint16, c_uint32, c_void_p, c_wchar_p
from typing import Any, Final, NamedTuple, Protocol

#: Error codes of the system ("System Error Codes"), as far as they are told apart here.
ACCESS_DENIED: Final = 5
MORE_DATA: Final = 234
NO_MORE_ITEMS: Final = 259
ELEVATION_REQUIRED: Final = 740
INSUFFICIENT_BUFFER: Final = 122
TIMEOUT: Final = 1460


def callback(result: type[Any], *arguments: type[Any]) -> Any:
    """The type of a function that the system calls: ``stdcall``, which on 64 bits is the common one."""
    if sys.platform == "win32":
        return ctypes.WINFUNCTYPE(result, *arguments)
    return ctypes.CFUNCTYPE(result, *arguments)


#: ``HandlerRoutine`` of SetConsoleCtrlHandler: event -> whether it was dealt with.
ConsoleHandler: Final = callback(c_int32, c_uint32)
#: ``EnumWindowsProc`` of EnumWindows: window, parameter -> whether to go on.
WindowVisitor: Final = callback(c_int32, c_void_p, c_void_p)
#: ``WindowProc``: window, message, wParam, lParam -> result.
WindowProcedure: Final = callback(c_ssize_t, c_void_p, c_uint32, c_size_t, c_ssize_t)


class Call(NamedTuple):
    """One documented function.

    Attributes:
        library: The DLL that exports it.
        arguments: ctypes of its parameters.
        result: ctype of what it returns; None for nothing.
    """

    library: str
    arguments: tuple[Any, ...]
    result: Any


_BOOL, _DWORD, _HANDLE, _TEXT = c_int32, c_uint32, c_void_p, c_wchar_p

CALLS: Final[Mapping[str, Call]] = {
    # staying awake, power
    "SetThreadExecutionState": Call("kernel32", (_DWORD,), _DWORD),
    "GetPwrCapabilities": Call("powrprof", (c_void_p,), ctypes.c_uint8),
    # jobs
    "CreateJobObjectW": Call("kernel32", (c_void_p, _TEXT), _HANDLE),
    "SetInformationJobObject": Call("kernel32", (_HANDLE, c_int32, c_void_p, _DWORD), _BOOL),
    "AssignProcessToJobObject": Call("kernel32", (_HANDLE, _HANDLE), _BOOL),
    "TerminateJobObject": Call("kernel32", (_HANDLE, _DWORD), _BOOL),
    "OpenProcess": Call("kernel32", (_DWORD, _BOOL, _DWORD), _HANDLE),
    "CloseHandle": Call("kernel32", (_HANDLE,), _BOOL),
    # windows
    "EnumWindows": Call("user32", (WindowVisitor, c_void_p), _BOOL),
    "GetWindowThreadProcessId": Call("user32", (_HANDLE, c_void_p), _DWORD),
    "IsWindowVisible": Call("user32", (_HANDLE,), _BOOL),
    "PostMessageW": Call("user32", (_HANDLE, _DWORD, c_void_p, c_void_p), _BOOL),
    "GetForegroundWindow": Call("user32", (), _HANDLE),
    "RegisterClassW": Call("user32", (c_void_p,), c_uint16),
    "UnregisterClassW": Call("user32", (_TEXT, _HANDLE), _BOOL),
    "CreateWindowExW": Call(
        "user32",
        (_DWORD, _TEXT, _TEXT, _DWORD, *[c_int32] * 4, _HANDLE, _HANDLE, _HANDLE, c_void_p),
        _HANDLE,
    ),
    "DefWindowProcW": Call("user32", (_HANDLE, _DWORD, c_size_t, c_ssize_t), c_ssize_t),
    "GetMessageW": Call("user32", (c_void_p, _HANDLE, _DWORD, _DWORD), _BOOL),
    "DispatchMessageW": Call("user32", (c_void_p,), c_ssize_t),
    "PostQuitMessage": Call("user32", (c_int32,), None),
    # consoles
    "GetStdHandle": Call("kernel32", (_DWORD,), _HANDLE),
    "GetConsoleMode": Call("kernel32", (_HANDLE, c_void_p), _BOOL),
    "SetConsoleMode": Call("kernel32", (_HANDLE, _DWORD), _BOOL),
    "SetConsoleCtrlHandler": Call("kernel32", (ConsoleHandler, _BOOL), _BOOL),
    "GenerateConsoleCtrlEvent": Call("kernel32", (_DWORD, _DWORD), _BOOL),
    "GetConsoleProcessList": Call("kernel32", (c_void_p, _DWORD), _DWORD),
    "SetProcessShutdownParameters": Call("kernel32", (_DWORD, _DWORD), _BOOL),
    # tokens
    "GetCurrentProcess": Call("kernel32", (), _HANDLE),
    "OpenProcessToken": Call("advapi32", (_HANDLE, _DWORD, c_void_p), _BOOL),
    "GetTokenInformation": Call("advapi32", (_HANDLE, c_int32, c_void_p, _DWORD, c_void_p), _BOOL),
    "SetTokenInformation": Call("advapi32", (_HANDLE, c_int32, c_void_p, _DWORD), _BOOL),
    "CreateRestrictedToken": Call(
        "advapi32",
        (_HANDLE, _DWORD, _DWORD, c_void_p, _DWORD, c_void_p, _DWORD, c_void_p, c_void_p),
        _BOOL,
    ),
    "ConvertStringSidToSidW": Call("advapi32", (_TEXT, c_void_p), _BOOL),
    "GetLengthSid": Call("advapi32", (c_void_p,), _DWORD),
    "LocalFree": Call("kernel32", (c_void_p,), c_void_p),
    "CreateProcessAsUserW": Call(
        "advapi32",
        (_HANDLE, _TEXT, c_void_p, c_void_p, c_void_p, _BOOL, _DWORD, c_void_p, _TEXT, c_void_p, c_void_p),
        _BOOL,
    ),
    "WaitForSingleObject": Call("kernel32", (_HANDLE, _DWORD), _DWORD),
    "GetExitCodeProcess": Call("kernel32", (_HANDLE, c_void_p), _BOOL),
    # the event log
    "CreateEventW": Call("kernel32", (c_void_p, _BOOL, _BOOL, _TEXT), _HANDLE),
    "EvtSubscribe": Call(
        "wevtapi", (_HANDLE, _HANDLE, _TEXT, _TEXT, _HANDLE, c_void_p, c_void_p, _DWORD), _HANDLE
    ),
    "EvtQuery": Call("wevtapi", (_HANDLE, _TEXT, _TEXT, _DWORD), _HANDLE),
    "EvtNext": Call("wevtapi", (_HANDLE, _DWORD, c_void_p, _DWORD, _DWORD, c_void_p), _BOOL),
    "EvtRender": Call(
        "wevtapi", (_HANDLE, _HANDLE, _DWORD, _DWORD, c_void_p, c_void_p, c_void_p), _BOOL
    ),
    "EvtClose": Call("wevtapi", (_HANDLE,), _BOOL),
    # who holds a file: the Restart Manager
    "RmStartSession": Call("rstrtmgr", (c_void_p, _DWORD, c_void_p), _DWORD),
    "RmRegisterResources": Call(
        "rstrtmgr", (_DWORD, _DWORD, c_void_p, _DWORD, c_void_p, _DWORD, c_void_p), _DWORD
    ),
    "RmGetList": Call("rstrtmgr", (_DWORD, c_void_p, c_void_p, c_void_p, c_void_p), _DWORD),
    "RmEndSession": Call("rstrtmgr", (_DWORD,), _DWORD),
    # counters of the graphics engines
    "PdhOpenQueryW": Call("pdh", (_TEXT, c_void_p, c_void_p), _DWORD),
    "PdhAddEnglishCounterW": Call("pdh", (_HANDLE, _TEXT, c_void_p, c_void_p), _DWORD),
    "PdhCollectQueryData": Call("pdh", (_HANDLE,), _DWORD),
    "PdhGetFormattedCounterArrayW": Call("pdh", (_HANDLE, _DWORD, c_void_p, c_void_p, c_void_p), _DWORD),
    "PdhCloseQuery": Call("pdh", (_HANDLE,), _DWORD),
}  # fmt: skip


class WindowsCalls(Protocol):
    """The system-call layer: what every mechanism is given, and what an emulation stands in for."""

    def __call__(self, name: str, *arguments: Any) -> Any:
        """Make the call of that name in :data:`CALLS`; its result as ctypes gives it."""

    def last_error(self) -> int:
        """``GetLastError`` of this thread's last call."""


class LoadedCalls:
    """The calls of the system itself, loaded as they are needed.

    Args:
        load: Opens a DLL by name.
    """

    def __init__(self, load: Callable[[str], Any] | None = None) -> None:
        self._load = load or _load
        self._found: dict[str, Any] = {}

    def __call__(self, name: str, *arguments: Any) -> Any:
        function = self._found.get(name)
        if function is None:
            call = CALLS[name]
            function = getattr(self._load(call.library), name)
            function.argtypes, function.restype = call.arguments, call.result
            self._found[name] = function
        return function(*arguments)

    def last_error(self) -> int:
        if sys.platform == "win32":
            return ctypes.get_last_error()
        return 0


@functools.cache
def _load(library: str) -> Any:
    if sys.platform == "win32":
        return ctypes.WinDLL(library, use_last_error=True)
    raise OSError(f"{library}: only on Windows")


@functools.cache
def windows_calls() -> WindowsCalls | None:
    """The system's own calls on Windows; None elsewhere."""
    return LoadedCalls() if sys.platform == "win32" else None
