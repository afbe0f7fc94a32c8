"""A desk on Windows: windows and keys through ``user32``, pictures through mss. Not tried on Windows.

Keys go as scan codes where a key has one, which titles that read the keyboard directly need, and as
characters otherwise. A program without elevated rights can send no keys to one that has them: the focus is
looked at before each act, and what does not arrive shows in the next picture.

Source: Microsoft, Win32 API: ``SendInput``, ``EnumWindows``, ``GetForegroundWindow``, ``MapVirtualKey``,
"Virtual-Key Codes"; structures from ``winuser.h``.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
from collections.abc import Sequence
from typing import Any, Final

from harness.steps.desk import Button, Desk, NoDesk, Window, missing_library

#: Virtual-key codes of keys that are no character.
_KEYS: Final = {
    "enter": 0x0D, "escape": 0x1B, "space": 0x20, "tab": 0x09, "backspace": 0x08, "delete": 0x2E,
    "insert": 0x2D, "home": 0x24, "end": 0x23, "page-up": 0x21, "page-down": 0x22, "up": 0x26,
    "down": 0x28, "left": 0x25, "right": 0x27, "shift": 0x10, "ctrl": 0x11, "alt": 0x12, "super": 0x5B,
    "caps-lock": 0x14, "print": 0x2C, "pause": 0x13, "menu": 0x5D,
    **{f"f{number}": 0x6F + number for number in range(1, 25)},
}  # fmt: skip
#: Keys whose scan code has the prefix E0.
_EXTENDED: Final = frozenset(
    ("delete", "insert", "home", "end", "page-up", "page-down", "up", "down", "left", "right", "super")
) | {"menu", "print"}
_BUTTONS: Final[dict[Button, tuple[int, int]]] = {
    "left": (0x0002, 0x0004), "right": (0x0008, 0x0010), "middle": (0x0020, 0x0040),
}  # fmt: skip
_MOUSE, _KEYBOARD = 0, 1
_MOVE_ABSOLUTE_WHOLE: Final = 0x0001 | 0x8000 | 0x4000
_EXTENDED_KEY, _KEY_UP, _UNICODE, _SCAN_CODE = 0x0001, 0x0002, 0x0004, 0x0008
_WM_CLOSE: Final = 0x0010
_VK_SHIFT: Final = 0x100
#: The screen made of all monitors: left, top, width, height.
_WHOLE_SCREEN: Final = (76, 77, 78, 79)


class _MouseInput(ctypes.Structure):
    _fields_ = (
        ("dx", ctypes.c_long), ("dy", ctypes.c_long), ("data", ctypes.c_ulong), ("flags", ctypes.c_ulong),
        ("time", ctypes.c_ulong), ("extra", ctypes.c_void_p),
    )  # fmt: skip


class _KeyInput(ctypes.Structure):
    _fields_ = (
        ("key", ctypes.c_ushort), ("scan", ctypes.c_ushort), ("flags", ctypes.c_ulong),
        ("time", ctypes.c_ulong), ("extra", ctypes.c_void_p),
    )  # fmt: skip


class _Either(ctypes.Union):
    _fields_ = (("mouse", _MouseInput), ("key", _KeyInput))


class _Input(ctypes.Structure):
    _fields_ = (("kind", ctypes.c_ulong), ("either", _Either))


class _Rectangle(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_long) for name in ("left", "top", "right", "bottom"))


class _Point(ctypes.Structure):
    _fields_ = (("x", ctypes.c_long), ("y", ctypes.c_long))


class WindowsDesk(Desk):
    """A desk of the session that runs this program."""

    def __init__(self) -> None:
        libraries: Any = getattr(ctypes, "windll", None)
        if libraries is None:
            raise NoDesk("this is no Windows; look which system levelrig runs on", permanent=True)
        self._user: Any = libraries.user32
        with contextlib.suppress(Exception):  # places in real pixels, whatever the scale of the display
            self._user.SetProcessDpiAwarenessContext(ctypes.c_void_p(-4))
        self._mss: Any = None
        self._down: set[str] = set()
        self._buttons_down: set[Button] = set()
        if not self._user.GetDesktopWindow() or not self.size()[0]:
            raise NoDesk(
                "no desktop can be reached: a service or a task without a session has none; start levelrig "
                "in the session in which the titles run",
                permanent=True,
            )

    def _whole(self) -> tuple[int, int, int, int]:
        left, top, width, height = (int(self._user.GetSystemMetrics(index)) for index in _WHOLE_SCREEN)
        return left, top, width, height

    def size(self) -> tuple[int, int]:
        return self._whole()[2:]

    def windows(self) -> Sequence[Window]:
        found: list[Window] = []
        make: Any = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)

        def take(handle: int, _: int) -> bool:
            if self._user.IsWindowVisible(handle) and not self._user.IsIconic(handle):
                window = self._window(handle)
                if window is not None:
                    found.append(window)
            return True

        self._user.EnumWindows(make(ctypes.c_bool, ctypes.c_void_p, ctypes.c_void_p)(take), 0)
        return found[::-1]  # the system tells them from the top

    def _window(self, handle: int) -> Window | None:
        area, corner, owner = _Rectangle(), _Point(0, 0), ctypes.c_ulong()
        if not self._user.GetClientRect(ctypes.c_void_p(handle), ctypes.byref(area)):
            return None
        self._user.ClientToScreen(ctypes.c_void_p(handle), ctypes.byref(corner))
        width, height = area.right - area.left, area.bottom - area.top
        if width < 2 or height < 2:
            return None
        length = int(self._user.GetWindowTextLengthW(ctypes.c_void_p(handle)))
        caption = ctypes.create_unicode_buffer(min(length, 1000) + 1)
        self._user.GetWindowTextW(ctypes.c_void_p(handle), caption, len(caption))
        self._user.GetWindowThreadProcessId(ctypes.c_void_p(handle), ctypes.byref(owner))
        left, top, _, _ = self._whole()
        return Window(
            int(handle),
            caption.value,
            int(owner.value) or None,
            corner.x - left,
            corner.y - top,
            width,
            height,
        )

    def focused(self) -> Window | None:
        handle = self._user.GetForegroundWindow()
        return next((window for window in self.windows() if window.id == handle), None) if handle else None

    def focus(self, window: Window) -> None:
        self._user.SetForegroundWindow(ctypes.c_void_p(window.id))

    def grab(self, x: int, y: int, width: int, height: int) -> Any:
        import numpy as np

        left, top, screen_width, screen_height = self._whole()
        begin_x, begin_y = max(0, x), max(0, y)
        end_x, end_y = min(screen_width, x + width), min(screen_height, y + height)
        if end_x <= begin_x or end_y <= begin_y:
            return np.zeros((0, 0, 3), np.uint8)
        area = {"left": begin_x + left, "top": begin_y + top}
        area |= {"width": end_x - begin_x, "height": end_y - begin_y}
        try:
            if self._mss is None:
                self._mss = importlib.import_module("mss").MSS()
            shot = self._mss.grab(area)
        except ImportError as error:
            raise NoDesk(missing_library(error), permanent=True) from error
        except Exception as error:
            raise NoDesk(f"the screen can't be read ({error}); look whether it is locked") from error
        return np.frombuffer(shot.raw, np.uint8).reshape(shot.height, shot.width, 4)[:, :, :3].copy()

    def key(self, name: str, down: bool) -> None:
        for key in self._keys(name) if down else reversed(self._keys(name)):
            self._send_key(key, name, down)
        (self._down.add if down else self._down.discard)(name)

    def _keys(self, name: str) -> list[int]:
        """Virtual-key codes that make it, with Shift where it needs that; empty: it goes as a character."""
        if name in _KEYS:
            return [_KEYS[name]]
        code = int(self._user.VkKeyScanW(ctypes.c_wchar(name)))
        if code & 0xFF == 0xFF or code & 0x600:  # no key, or one with Ctrl or Alt
            return [0]
        return [*([_KEYS["shift"]] if code & _VK_SHIFT else []), code & 0xFF]

    def _send_key(self, key: int, name: str, down: bool) -> None:
        flags = 0 if down else _KEY_UP
        if key == 0:
            for unit in memoryview(name.encode("utf-16-le")).cast("H"):
                self._send_key_event(0, unit, flags | _UNICODE)
            return
        scan = int(self._user.MapVirtualKeyW(key, 0))
        if scan:
            flags |= _SCAN_CODE | (_EXTENDED_KEY if name in _EXTENDED else 0)
        self._send_key_event(key, scan, flags)

    def _send_key_event(self, key: int, scan: int, flags: int) -> None:
        self._send(_Input(_KEYBOARD, _Either(key=_KeyInput(key, scan, flags, 0, None))))

    def _send(self, event: _Input) -> None:
        if self._user.SendInput(1, ctypes.byref(event), ctypes.sizeof(event)) != 1:
            raise NoDesk(
                "the system refused input: a program with elevated rights, a locked screen or a prompt has "
                "it; "
                "start levelrig with the same rights as the title"
            )

    def move(self, x: int, y: int) -> None:
        _, _, width, height = self._whole()
        there = (round(x * 65535 / max(1, width - 1)), round(y * 65535 / max(1, height - 1)))
        mouse = _MouseInput(*there, 0, _MOVE_ABSOLUTE_WHOLE, 0, None)
        self._send(_Input(_MOUSE, _Either(mouse=mouse)))

    def button(self, name: Button, down: bool) -> None:
        flag = _BUTTONS[name][0 if down else 1]
        self._send(_Input(_MOUSE, _Either(mouse=_MouseInput(0, 0, 0, flag, 0, None))))
        (self._buttons_down.add if down else self._buttons_down.discard)(name)

    def ask_to_close(self, window: Window) -> None:
        self._user.PostMessageW(ctypes.c_void_p(window.id), _WM_CLOSE, 0, 0)

    def close(self) -> None:
        with contextlib.suppress(Exception):
            for name in list(self._down):
                self.key(name, False)
            for button in list(self._buttons_down):
                self.button(button, False)
        if self._mss is not None:
            with contextlib.suppress(Exception):
                self._mss.close()
            self._mss = None
