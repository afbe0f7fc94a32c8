"""What ``levelrig doctor`` says of an unattended night on Windows, on the emulated calls."""

from __future__ import annotations

import ctypes

import pytest

from harness_plugins.host.night import examine_night
from tests.telemetry.test_foreign import counters
from tests.windows.emulation import EventLog, FakeWindows, poke

#: ``powercfg /query`` in another language: only the hexadecimal numbers count, mains first.
STANDBY = """GUID der Energieeinstellung: 29f6c1db-86da-48c5-9fdb-f2b67b1f44da
    Index der aktuellen Wechselstromeinstellung: 0x00000708
    Index der aktuellen Gleichstromeinstellung: 0x0000012c
"""


def machine(*, elevated=True, log=True, engines=True, modern=True):
    events, engine = EventLog(), counters([])
    if not log:
        events.windows.answers["EvtSubscribe"] = lambda *_: None
        events.windows.error = 1722
    if not engines:
        engine.answers["PdhAddEnglishCounterW"] = lambda *_: 0xC0000BB8
    answers = {
        **events.windows.answers,
        **engine.answers,
        "GetPwrCapabilities": lambda into: poke(into + 20, int(modern), ctypes.c_uint8) or 1,
        "GetCurrentProcess": lambda: 0xFFFFFFFFFFFFFFFF,
        "OpenProcessToken": lambda process, rights, into: poke(into, 0x77, ctypes.c_uint64) or 1,
        "GetTokenInformation": lambda token, kind, into, size, used: poke(into, int(elevated)) or 1,
        "CloseHandle": lambda handle: 1,
    }
    windows = FakeWindows(**answers)
    windows.error = events.windows.error
    return windows


def told(windows, restart=False, by=("SetThreadExecutionState",)):
    found = examine_night(windows, lambda: STANDBY, lambda: restart, lambda: by)
    return {finding.subject: finding for finding in found}


def test_a_machine_that_is_ready_is_told_so_with_its_standby():
    found = told(machine())
    assert {finding.state for finding in found.values()} == {"ok"}
    assert found["standby"].detail.startswith("on mains: after 30 min without a key or mouse, held off")
    assert "modern standby, which on battery begins all the same" in found["standby"].detail
    assert "no modern standby" in told(machine(modern=False))["standby"].detail


@pytest.mark.parametrize(
    ("subject", "options", "restart"),
    [
        ("elevation", {"elevated": False}, False),
        ("driver resets", {"log": False}, False),
        ("programs on the card", {"engines": False}, False),
        ("pending restart", {}, True),
    ],
)
def test_what_is_missing_is_told_with_what_to_do(subject, options, restart):
    found = told(machine(**options), restart)
    assert [name for name, finding in found.items() if finding.state == "missing"] == [subject]
    assert found[subject].remedy


def test_what_works_without_elevation_is_said():
    detail = told(machine(elevated=False))["elevation"].detail
    assert "readings, titles, rehearsals and reports work" in detail


def test_elsewhere_only_what_keeps_the_machine_awake_is_told():
    found = list(examine_night(None, keeps_awake=lambda: ()))
    assert [(f.subject, f.state) for f in found][:1] == [("staying awake", "absent")]
