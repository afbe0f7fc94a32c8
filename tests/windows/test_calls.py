"""Signatures, as the system's own calls would get them, and as the emulation checks them at each call."""

from __future__ import annotations

import ctypes
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

import harness.windows
from harness.windows.awake import PowerCapabilities
from harness.windows.calls import CALLS, LoadedCalls
from harness.windows.elevation import ProcessInformation, SidAndAttributes, StartupInfo
from harness.windows.endsession import Message, WindowClass
from harness.windows.engines import CounterItem
from harness.windows.jobs import ExtendedLimits
from tests.windows.emulation import FakeWindows, fits

#: What a documented parameter or result is made of here: fixed widths only, since c_long is 8 bytes on Linux.
FIXED = {
    ctypes.c_uint8, ctypes.c_uint16, ctypes.c_int32, ctypes.c_uint32, ctypes.c_void_p, ctypes.c_wchar_p,
    ctypes.c_size_t, ctypes.c_ssize_t,
}  # fmt: skip


@pytest.mark.parametrize("name", CALLS)
def test_every_call_is_given_its_types_before_it_is_made(name):
    """Without them ctypes passes and returns a handle as a 32-bit int, so it is cut."""
    seen = {}

    class Function:
        argtypes = restype = "not set"

        def __call__(self, *arguments):
            seen.update(argtypes=self.argtypes, restype=self.restype, arguments=arguments)
            return 1

    functions = {name: Function()}
    calls = LoadedCalls(lambda library: seen.setdefault("library", library) and SimpleNamespace(**functions))
    calls(name, *CALLS[name].arguments)
    assert seen["library"] == CALLS[name].library
    assert (seen["argtypes"], seen["restype"]) == (CALLS[name].arguments, CALLS[name].result)
    for kind in (*CALLS[name].arguments, CALLS[name].result):
        assert kind is None or kind in FIXED or issubclass(kind, ctypes._CFuncPtr)


def test_every_call_that_a_module_makes_is_stated_and_every_stated_one_is_made():
    texts = "".join(path.read_text() for path in Path(harness.windows.__file__).parent.glob("*.py"))
    made = set(re.findall(r'calls\(\s*"(\w+)"', texts))
    made |= set(re.findall(r'_require\((?:\s*calls,)?\s*"(\w+)"', texts))
    made |= set(re.findall(r'self\._calls\(\s*"(\w+)"', texts))
    assert made == set(CALLS)


def test_the_emulation_refuses_what_a_call_does_not_take():
    windows = FakeWindows(SetThreadExecutionState=lambda flags: 1)
    assert windows("SetThreadExecutionState", 0x80000003) == 1
    with pytest.raises(AssertionError):
        windows("SetThreadExecutionState")
    with pytest.raises((TypeError, ctypes.ArgumentError)):
        windows("SetThreadExecutionState", "awake")
    with pytest.raises(OverflowError):
        fits(ctypes.c_uint32, 2**32)


@pytest.mark.parametrize(
    ("structure", "size_bytes"),
    # 64-bit sizes from the Windows SDK's headers, from memory.
    [
        (PowerCapabilities, 76),
        (CounterItem, 24),
        (ExtendedLimits, 144),
        (StartupInfo, 104),
        (ProcessInformation, 24),
        (SidAndAttributes, 16),
        (WindowClass, 72),
        (Message, 48),
    ],
)
def test_structures_have_the_sizes_that_the_system_expects(structure, size_bytes):
    assert ctypes.sizeof(structure) == size_bytes
