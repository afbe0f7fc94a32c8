from __future__ import annotations

import ctypes
import queue
import threading

from harness.windows.calls import WindowProcedure
from harness.windows.endsession import Message, WindowClass, heard_session_end
from tests.windows.emulation import FakeWindows


class Desk:
    """Message loops: a window gets its messages by DispatchMessageW in the thread that made it."""

    def __init__(self):
        self.messages, self.procedure, self.makers, self.windows_left = queue.Queue(), None, [], 0
        self.windows = FakeWindows(
            RegisterClassW=self._register,
            UnregisterClassW=lambda name, module: 1,
            CreateWindowExW=self._make,
            DefWindowProcW=self._usual,
            GetMessageW=self._next,
            DispatchMessageW=self._dispatch,
            PostQuitMessage=lambda code: self.messages.put((0x12, 0)),
            PostMessageW=lambda window, number, first, second: self.messages.put((number, 0)) or 1,
        )

    def _register(self, address):
        self.procedure = WindowProcedure(WindowClass.from_address(address).procedure)
        return 0xC001

    def _make(self, *arguments):
        self.makers.append(threading.get_ident())
        self.windows_left += 1
        return 0x42

    def _usual(self, window, number, first, second):
        if number == 0x10:  # WM_CLOSE destroys the window
            self.windows_left -= 1
            self.procedure(window, 0x02, 0, 0)
        return 0

    def _next(self, into, window, first, last):
        number, parameter = self.messages.get(timeout=30)
        message = Message.from_address(into)
        message.window, message.number, message.first = 0x42, number, parameter
        return int(number != 0x12)  # 0 for WM_QUIT

    def _dispatch(self, address):
        assert threading.get_ident() == self.makers[-1]
        message = Message.from_address(address)
        return self.procedure(message.window, message.number, message.first, message.second)


def test_a_log_off_is_passed_on_and_held_up_until_the_program_is_done():
    desk, asked, done = Desk(), [], threading.Event()
    answered = threading.Event()
    dispatch = desk.windows.answers["DispatchMessageW"]
    desk.windows.answers["DispatchMessageW"] = lambda address: (
        dispatch(address),
        answered.set() if Message.from_address(address).number == 0x16 else None,
    )[0]
    with heard_session_end(desk.windows, asked.append, done.wait):
        assert desk.procedure(0x42, 0x11, 0, 0) == 1  # WM_QUERYENDSESSION: it may end
        desk.messages.put((0x16, 1))
        while not asked:
            pass
        assert asked == ["WM_ENDSESSION"]
        assert not answered.wait(0.2), "the process may be ended now, with the card changed"
        done.set()
        assert answered.wait(10)
    assert desk.windows_left == 0


def test_a_session_that_goes_on_after_all_asks_for_nothing():
    desk, asked = Desk(), []
    with heard_session_end(desk.windows, asked.append, lambda: None):
        desk.messages.put((0x16, 0))
    assert asked == []
    assert desk.windows_left == 0


def test_without_a_window_nothing_is_heard_and_nothing_hangs():
    desk = Desk()
    desk.windows.answers["CreateWindowExW"] = lambda *_: None
    with heard_session_end(desk.windows, print, lambda: None):
        pass
    assert desk.windows.named("GetMessageW") == []


def test_structures_hold_what_the_system_reads_at_its_place():
    """WNDCLASSW: the procedure at byte 8; MSG: message at 8, wParam at 16."""
    assert WindowClass.procedure.offset == 8
    assert (Message.number.offset, Message.first.offset) == (8, 16)
    assert ctypes.sizeof(ctypes.c_size_t) == 8
