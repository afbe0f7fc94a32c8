from __future__ import annotations

import random
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from harness.boots import BOOT_EVENTS, BootProcess, boot_identity, order_of, same_boot, windows_boot_identity
from harness.windows.eventlog import LogEvent, Subscription, parsed, read_events, which
from tests.windows.emulation import EventLog, event_xml

NIGHT = datetime(2026, 11, 28, 3, 0, tzinfo=UTC)
KERNEL, LOG, USER, POWER = (
    "Microsoft-Windows-Kernel-General", "EventLog", "User32", "Microsoft-Windows-Kernel-Power",
)  # fmt: skip


@pytest.mark.skipif(sys.platform != "linux", reason="reads the kernel's id")
def test_linux_has_the_kernels_own_identity():
    assert boot_identity() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()


def test_a_clock_that_is_corrected_leaves_the_identity_as_it_is():
    """Boot time as now minus uptime moves with each correction; the stored birth of a process does not."""
    processes = [BootProcess("smss.exe", 1732766403.1234), BootProcess("explorer.exe", 1732766420.0)]
    draw = random.Random(1)
    found = {
        windows_boot_identity(processes, lambda: None, lambda: 1732766400.4 + draw.uniform(-0.2, 0.2))
        for _ in range(100)
    }
    assert found == {"started-1732766403.123"}


def test_a_process_that_one_account_may_not_look_at_names_no_boot():
    """Two programs of one boot, one elevated: both must come to the same identity."""
    open_to_all = [BootProcess("csrss.exe", 1732766404.5), BootProcess("CSRSS.EXE", 1732766409.0)]
    elevated = windows_boot_identity(open_to_all, lambda: None)
    assert elevated == "started-1732766404.500"
    denied = [BootProcess("smss.exe", None), *open_to_all]
    assert windows_boot_identity(denied, lambda: None) == elevated
    half = [BootProcess("csrss.exe", None), BootProcess("csrss.exe", 1732766409.0)]
    event = LogEvent(KERNEL, 12, NIGHT)
    assert windows_boot_identity(half, lambda: event) == f"started-{NIGHT.timestamp():.3f}"
    assert windows_boot_identity([], lambda: None, lambda: 1732766400.4) == "boot-1732766400"


def test_boots_written_down_by_uptime_are_the_same_within_seconds_and_others_only_when_equal():
    assert same_boot("boot-1732766400", "boot-1732766401")
    assert same_boot("boot-1732766400", "started-1732766403.123")
    assert not same_boot("boot-1732766400", "boot-1732766460")
    assert not same_boot("started-1732766403.123", "started-1732766403.124")
    assert not same_boot("boot-1", "boot-2")
    assert not same_boot("", "boot-1732766400")


def at(minutes: float, provider: str, number: int, *data: str) -> LogEvent:
    return LogEvent(provider, number, NIGHT + timedelta(minutes=minutes), data=data)


#: As a machine writes them around a restart for an update; event 1074's values by its documented text.
ORDER = at(
    0.5, USER, 1074, r"C:\Windows\system32\MoUsoCoreWorker.exe (BENCH)", "BENCH",
    "Operating System: Service pack (Planned)", "0x80020010", "restart", "", r"NT AUTHORITY\SYSTEM",
)  # fmt: skip
IN_ORDER = [ORDER, at(1, LOG, 6006), at(1.1, KERNEL, 13)]
STARTS = [at(2, KERNEL, 12), at(2.2, LOG, 6005)]
CRASHED = [*STARTS, at(2.2, LOG, 6008), at(2.3, POWER, 41)]


def test_an_updates_restart_is_told_with_its_program_and_reason():
    told = "restarted in order by MoUsoCoreWorker.exe (Operating System: Service pack (Planned))"
    assert order_of([*IN_ORDER, *STARTS], NIGHT) == told
    assert order_of([at(1, LOG, 6006), *STARTS], NIGHT) == "shut down in order"


@pytest.mark.parametrize(
    "events",
    [
        CRASHED,
        [ORDER, *CRASHED],  # it was ordered and then hung
        [*CRASHED, *(at(60, e.provider, e.number, *e.data) for e in IN_ORDER), at(62, KERNEL, 12)],
        IN_ORDER,  # no start since: these are of another time
        STARTS,
        [],
    ],
    ids=[
        "crash",
        "crash while going down",
        "crash, then a restart in order",
        "no start",
        "no order",
        "no log",
    ],
)
def test_a_crash_stays_a_crash_whatever_comes_after_it(events):
    assert order_of(events, NIGHT) is None


def test_a_crash_after_the_restart_in_order_is_another_boots():
    later = [at(60, KERNEL, 12), at(60.2, POWER, 41)]
    assert order_of([*IN_ORDER, *STARTS, *later], NIGHT) is not None


def test_the_log_is_read_whole_in_order_and_every_handle_is_given_back():
    log = EventLog(
        *(event_xml(LOG, 6006, f"2026-11-28T03:{n % 60:02}:00.1234567Z", record=n) for n in range(40))
    )
    found = read_events(log.windows, which(BOOT_EVENTS, NIGHT))
    assert [event.record for event in found] == list(range(40))
    assert log.queries[0].endswith("System[TimeCreated[@SystemTime>='2026-11-28T03:00:00.000Z']]]")
    newest = read_events(log.windows, which({LOG: ()}), newest_first=True, at_most=1)
    assert [event.record for event in newest] == [39]
    assert log.open_handles == set()


def test_a_text_longer_than_the_first_buffer_is_read_whole():
    log = EventLog(event_xml(USER, 1074, "2026-11-28T03:00:00Z", "x" * 9000))
    assert [event.data for event in read_events(log.windows, "*")] == [("x" * 9000,)]


def test_a_log_that_can_not_be_read_is_an_error_and_an_event_of_another_form_is_passed_over():
    log = EventLog("<Event/>", "no xml at all", event_xml(LOG, 6005, "2026-11-28T03:00:00Z"))
    assert [event.number for event in read_events(log.windows, "*")] == [6005]
    log.windows.answers["EvtQuery"] = lambda *_: None
    log.windows.error = 5
    with pytest.raises(OSError, match="error 5"):
        read_events(log.windows, "*")
    assert parsed("<Event/>") is None


def test_a_subscription_hears_what_is_written_from_now_on_once():
    log = EventLog(event_xml(LOG, 6005, "2026-11-28T02:00:00Z"))
    heard = Subscription(log.windows, which({"Display": (4101,)}))
    assert heard.take() == []
    log.write(event_xml("Display", 4101, "2026-11-28T03:00:00Z", "drv"))
    assert [(event.provider, event.data) for event in heard.take()] == [("Display", ("drv",))]
    assert heard.take() == []
    heard.close()
    heard.close()
    assert log.open_handles == set()
