from __future__ import annotations

import ctypes
import threading

from harness.commands.signals import stop_on_signals
from harness.engine.progress import StopSignal
from harness.windows.console import end_last, heard_endings, no_quick_edit
from tests.windows.emulation import FakeWindows, poke


class Console:
    """A console: its mode, and handlers called newest first, each event in a thread of its own."""

    def __init__(self, mode=0x1F7, there=True):
        self.mode, self.handlers, self.ended = mode, [], False
        self.windows = FakeWindows(
            GetStdHandle=lambda number: 0x3 if there else 0xFFFFFFFFFFFFFFFF,
            GetConsoleMode=lambda handle, into: poke(into, self.mode) or 1,
            SetConsoleMode=self._set,
            SetConsoleCtrlHandler=self._handle,
            SetProcessShutdownParameters=lambda level, flags: 1,
            RegisterClassW=lambda address: 0,
            UnregisterClassW=lambda name, module: 1,
            CreateWindowExW=lambda *arguments: None,
        )

    def _set(self, handle, mode):
        if mode & 0x80:  # ENABLE_EXTENDED_FLAGS: without it quick edit stays as it is
            self.mode = mode
        else:
            self.mode = (mode & ~0x40) | (self.mode & 0x40)
        return 1

    def _handle(self, handler, add):
        address = ctypes.cast(handler, ctypes.c_void_p).value
        if add:
            self.handlers.append((address, handler))
        else:
            self.handlers = [entry for entry in self.handlers if entry[0] != address]
        return 1

    def announce(self, event):
        """The system's thread; the process ends as soon as a handler says that it dealt with a close."""

        def run():
            for _, handler in reversed(self.handlers):
                if handler(event):
                    self.ended = True
                    return

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread


def test_a_click_holds_nothing_while_inside_and_selects_again_after():
    console = Console(mode=0x1F7)  # a classic console's default has quick edit, 0x40
    with no_quick_edit(console.windows) as changed:
        assert changed
        assert not console.mode & 0x40
        assert console.mode & 0x7 == 0x7
    assert console.mode == 0x1F7


def test_without_a_console_or_without_quick_edit_nothing_is_changed():
    for console in (Console(there=False), Console(mode=0x1B7)):
        with no_quick_edit(console.windows) as changed:
            assert not changed
        assert console.windows.named("SetConsoleMode") == []


def test_a_console_that_is_closed_waits_for_the_run_and_the_run_is_asked_to_stop():
    console, done, asked = Console(), threading.Event(), []
    with heard_endings(console.windows, asked.append, done.wait):
        thread = console.announce(2)
        while not asked:
            pass
        assert asked == ["CTRL_CLOSE_EVENT"]
        assert not console.ended, "the process would be ended now, with the card changed"
        done.set()
        thread.join(10)
        assert console.ended
    assert console.handlers == []


def test_ctrl_c_and_ctrl_break_are_left_to_python():
    console, asked = Console(), []
    with heard_endings(console.windows, asked.append, lambda: None):
        for event in (0, 1):
            console.announce(event).join(10)
    assert asked == []
    assert not console.ended


def test_a_log_off_stops_a_run_as_an_end_by_the_system():
    console, done, stop = Console(), threading.Event(), StopSignal()
    with stop_on_signals(stop, calls=console.windows, wait_for_the_end=done.wait) as received:
        assert not console.mode & 0x40
        thread = console.announce(5)
        while not stop.pending:
            pass
        assert received.names == ["CTRL_LOGOFF_EVENT"]
        assert "interrupted by CTRL_LOGOFF_EVENT" in stop.take().reason
        done.set()
        thread.join(10)
    assert console.mode & 0x40


def test_the_guard_is_ended_after_the_others_at_a_shutdown():
    """SetProcessShutdownParameters: 0x100 to 0x1FF are ended last, after all that have the default 0x280."""
    console = Console()
    assert end_last(console.windows)
    ((level, _),) = console.windows.named("SetProcessShutdownParameters")
    assert 0x100 <= level <= 0x1FF
