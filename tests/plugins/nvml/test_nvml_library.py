"""The adapter under the wheel: no refusal stays silent, no unwritten answer is taken for one.

Codes, names and structures: NVML API reference (nvml.h), as the wheel nvidia-ml-py 13.615.71 carries them.
"""

from __future__ import annotations

import ctypes
import itertools
from ctypes import byref, c_uint

import pynvml
import pytest

from harness_plugins.nvml.codes import CallFailed
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK, ClockOffset, Library
from harness_plugins.nvml.recording import Recorder, Replay

SETTERS = [
    ("set_power_limit_mw", (250_000,), "nvmlDeviceSetPowerManagementLimit"),
    ("lock_core_clocks_mhz", (345, 1500), "nvmlDeviceSetGpuLockedClocks"),
    ("unlock_core_clocks", (), "nvmlDeviceResetGpuLockedClocks"),
    ("lock_memory_clocks_mhz", (1593, 1593), "nvmlDeviceSetMemoryLockedClocks"),
    ("unlock_memory_clocks", (), "nvmlDeviceResetMemoryLockedClocks"),
    ("set_clock_offset_mhz", (GRAPHICS_CLOCK, 100), "nvmlDeviceSetClockOffsets"),
    ("set_clock_offset_mhz", (MEMORY_CLOCK, 100), "nvmlDeviceSetClockOffsets"),
]


def refusing(code):
    return Library(lambda name: lambda *arguments: code)


def offset_driver(known: dict):
    """A driver that knows only the given functions; each gets the structure or the numbers."""
    return Library(lambda name: known.get(name, lambda *arguments: 13))


@pytest.mark.parametrize(("setter", "arguments", "function"), SETTERS)
@pytest.mark.parametrize("code", [4, 3, 2, 15, 999])
def test_every_setter_raises_the_code_that_the_driver_refuses_with(setter, arguments, function, code):
    with pytest.raises(CallFailed) as caught:
        getattr(refusing(code), setter)(None, *arguments)
    assert caught.value.code == code
    assert caught.value.function == function


def test_the_wheels_own_wrappers_stay_silent_on_the_same_refusal_which_is_why_they_are_not_used(monkeypatch):
    monkeypatch.setattr(pynvml, "_nvmlGetFunctionPointer", lambda name: lambda *arguments: 4)
    info = pynvml.c_nvmlClockOffset_t()
    assert pynvml.nvmlDeviceSetClockOffsets(None, byref(info)) == 0
    assert pynvml.nvmlDeviceGetClockOffsets(None, byref(info)) == 0
    assert pynvml.nvmlDeviceSetPowerManagementLimit_v2(None, 0, 1000) == 0


def test_an_offset_that_the_driver_did_not_write_is_not_read_as_zero():
    silent = offset_driver({"nvmlDeviceGetClockOffsets": lambda card, info: 0})
    with pytest.raises(CallFailed) as caught:
        silent.clock_offset(None, GRAPHICS_CLOCK)
    assert caught.value.code == 21


def test_the_offset_calls_ask_in_the_layout_of_the_present_interface():
    seen = []

    def write(card, info):
        entry = info._obj
        seen.append((entry.version, entry.type, entry.pstate, entry.clockOffsetMHz, ctypes.sizeof(entry)))
        return 0

    offset_driver({"nvmlDeviceSetClockOffsets": write}).set_clock_offset_mhz(None, MEMORY_CLOCK, -250)
    assert seen == [(0x1000018, 2, 0, -250, 0x18)]


@pytest.mark.parametrize("code", [13, 26])
@pytest.mark.parametrize(("kind", "domain"), [(GRAPHICS_CLOCK, "Gpc"), (MEMORY_CLOCK, "Mem")])
def test_a_driver_without_the_present_offset_calls_is_asked_by_the_older_ones(code, kind, domain):
    written = []

    def number(value):
        def answer(card, *outputs):
            for output, item in zip(outputs, value, strict=True):
                output._obj.value = item
            return 0

        return answer

    library = offset_driver(
        {
            "nvmlDeviceGetClockOffsets": lambda card, info: code,
            "nvmlDeviceSetClockOffsets": lambda card, info: code,
            f"nvmlDeviceGet{domain}ClkVfOffset": number([75]),
            f"nvmlDeviceGet{domain}ClkMinMaxVfOffset": number([-300, 400]),
            f"nvmlDeviceSet{domain}ClkVfOffset": lambda card, offset: written.append(offset.value) or 0,
        }
    )
    assert library.clock_offset(None, kind) == ClockOffset(75, -300, 400)
    library.set_clock_offset_mhz(None, kind, -120)
    assert written == [-120]


def test_a_refused_present_call_is_not_tried_again_by_the_older_one():
    tried = []
    library = Library(lambda name: lambda *arguments: tried.append(name) or 4)
    with pytest.raises(CallFailed):
        library.set_clock_offset_mhz(None, GRAPHICS_CLOCK, 30)
    assert tried == ["nvmlDeviceSetClockOffsets"]


def test_each_entry_of_a_batch_has_its_own_code_and_its_own_type():
    def answer(card, count, values):
        for entry, (code, kind, member, value) in zip(
            values._obj,
            [(0, 1, "uiVal", 74_000), (3, 0, "uiVal", 9), (0, 3, "ullVal", 1 << 40), (0, 5, "siVal", -8)],
            strict=True,
        ):
            entry.nvmlReturn, entry.valueType = code, kind
            setattr(entry.value, member, value)
        return 0

    found = offset_driver({"nvmlDeviceGetFieldValues": answer}).fields(None, [186, 82, 83, 193])
    assert [entry.code for entry in found] == [0, 3, 0, 0]
    assert (found[0].value, found[2].value, found[3].value) == (74_000, 1 << 40, -8)


def test_a_batch_entry_that_the_driver_left_alone_has_no_good_code():
    entry = offset_driver({"nvmlDeviceGetFieldValues": lambda *a: 0}).fields(None, [186])[0]
    assert entry.code != 0


def test_the_temperature_falls_back_to_the_older_call_on_a_driver_without_the_present_one():
    def older(card, sensor, value):
        value._obj.value = 61
        return 0

    assert offset_driver({"nvmlDeviceGetTemperature": older}).core_temp_c(None) == 61


def test_the_recorded_card_answers_as_the_real_one_did(card):
    library, handle = card.library, card.handle
    assert library.driver_version() == "580.159.04"
    assert library.name(handle) == "NVIDIA H100 80GB HBM3"
    assert library.power_limit_range_mw(handle) == (200_000, 700_000)
    assert library.clock_offset(handle, GRAPHICS_CLOCK) == ClockOffset(0, 0, 0)
    assert library.supported_memory_clocks_mhz(handle) == [2619, 1593]
    assert library.fan_count(handle) == 0
    samples = library.power_samples(handle, 0)
    assert len(samples) > 100
    steps_us = [b[0] - a[0] for a, b in itertools.pairwise(samples)]
    assert 15_000 < sorted(steps_us)[len(steps_us) // 2] < 25_000


def test_a_recording_replays_what_was_recorded_byte_for_byte():
    answers = iter([7, 9])

    def driver(name):
        if name == "missing":
            raise CallFailed(name, 13)

        def call(card, out):
            out._obj.value = next(answers)
            return 0

        return call

    recorder = Recorder(driver)
    library = Library(recorder)
    assert [library._unsigned("count", None), library._unsigned("count", None)] == [7, 9]
    assert library.code("missing", None) == 13
    again = Library(Replay(recorder.answers))
    assert [again._unsigned("count", None) for _ in range(3)] == [7, 9, 9]
    assert again.code("missing", None) == 13
    assert again.code("never recorded", byref(c_uint())) == 13
