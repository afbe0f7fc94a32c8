"""Windows: the end of the user's session is heard through a window that nobody sees.

A console handler is not told of a log off or a shutdown in a program that has loaded user32, which Python's
own library does by way of others. Such a program is asked by messages to its top windows: WM_QUERYENDSESSION,
then WM_ENDSESSION; it may be ended once it has answered the second, at the latest after about 5 s. Source:
learn.microsoft.com, "SetConsoleCtrlHandler function" (remarks), "WM_ENDSESSION message",
"RegisterClassW", "CreateWindowExW", "GetMessageW" functions.
"""

from __future__ import annotations

import contextlib
import ctypes
import threading
from collections.abc import Callable, Iterator
from typing import Any, Final

from harness.windows.calls import WindowProcedure, WindowsCalls

#: What the end of a session is called where signals are listed.
NAME: Final = "WM_ENDSESSION"
_WM_DESTROY, _WM_CLOSE, _WM_QUERYENDSESSION, _WM_ENDSESSION = 0x02, 0x10, 0x11, 0x16
_CLASS_NAME: Final = "levelrig-session-end"
_READY_WITHIN_S: Final = 5.0


class WindowClass(ctypes.Structure):
    """``WNDCLASSW`` (72 bytes on 64 bits)."""

    _fields_ = (
        ("style", ctypes.c_uint32),
        ("procedure", ctypes.c_void_p),
        ("extra_bytes", ctypes.c_int32 * 2),
        ("handles", ctypes.c_void_p * 4),
        ("menu_name", ctypes.c_wchar_p),
        ("class_name", ctypes.c_wchar_p),
    )


class Message(ctypes.Structure):
    """``MSG`` (48 bytes on 64 bits)."""

    _fields_ = (
        ("window", ctypes.c_void_p),
        ("number", ctypes.c_uint32),
        ("first", ctypes.c_size_t),
        ("second", ctypes.c_ssize_t),
        ("time_ms", ctypes.c_uint32),
        ("place", ctypes.c_int32 * 2),
    )


@contextlib.contextmanager
def heard_session_end(
    calls: WindowsCalls, asked: Callable[[str], None], wait: Callable[[], Any]
) -> Iterator[None]:
    """While inside, the end of the session is passed on, and held up until the program is done.

    Args:
        calls: The system's calls.
        asked: Called with :data:`NAME`, in a thread of its own.
        wait: Returns once the program is done; the system does not wait longer than it wants to.
    """
    made: list[Any] = []
    ready = threading.Event()

    def answer(window: Any, number: int, first: int, second: int) -> int:
        if number == _WM_QUERYENDSESSION:
            return 1
        if number == _WM_ENDSESSION:
            if first:  # else the session goes on after all
                asked(NAME)
                wait()
            return 0
        if number == _WM_DESTROY:
            calls("PostQuitMessage", 0)
            return 0
        return int(calls("DefWindowProcW", window, number, first, second))

    procedure = WindowProcedure(answer)  # the system keeps its address, so it must live as long

    def listen() -> None:
        kind = WindowClass(procedure=ctypes.cast(procedure, ctypes.c_void_p), class_name=_CLASS_NAME)
        calls("RegisterClassW", ctypes.addressof(kind))  # fails where it was registered before: it stays so
        window = calls("CreateWindowExW", 0, _CLASS_NAME, _CLASS_NAME, 0, 0, 0, 0, 0, None, None, None, None)
        made.append(window)
        ready.set()
        message = Message()
        while window and calls("GetMessageW", ctypes.addressof(message), None, 0, 0) > 0:
            calls("DispatchMessageW", ctypes.addressof(message))
        calls("UnregisterClassW", _CLASS_NAME, None)

    thread = threading.Thread(target=listen, name="levelrig-session-end", daemon=True)
    thread.start()
    ready.wait(_READY_WITHIN_S)
    try:
        yield
    finally:
        if made and made[0]:
            calls("PostMessageW", made[0], _WM_CLOSE, None, None)
            thread.join(_READY_WITHIN_S)
