"""Which boot of the machine this is, by something that a corrected clock does not move, and how one ended.

Linux: the kernel's boot id; whether a boot ended in order stands in the journal, journalctl(1). Windows: the
start of the first process of the session manager, stored when it was made (the boot time that is worked out
as now minus uptime moves with every correction of the clock); where that can't be read, the log's boot event.
Windows with fast startup does not begin a new boot by "Shut down": a person's own doing, never a crash.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path, PureWindowsPath
from typing import Any, Final, NamedTuple

import psutil

from harness.windows.calls import windows_calls
from harness.windows.eventlog import LogEvent, read_events, which

#: Programs that Windows starts once with each boot, in their order; all users see when they were started.
BOOT_PROCESSES: Final = ("smss.exe", "csrss.exe", "wininit.exe", "services.exe")
#: How far two accounts of the same boot by uptime may lie apart, s. A machine does not boot twice within it.
_SAME_BOOT_S: Final = 10.0
#: A restart that is ordered is written down this long before the programs hear of it, at most; common
#: practice, no source.
_ORDERED_BEFORE: Final = timedelta(minutes=10)
_POWER, _KERNEL, _LOG, _USER = (
    "Microsoft-Windows-Kernel-Power",
    "Microsoft-Windows-Kernel-General",
    "EventLog",
    "User32",
)
#: Events that tell how the machine ended and began (learn.microsoft.com, "Windows startup and shutdown
#: events", from memory): 12 start and 13 end of the system, 6005 and 6006 of its log, 1074 who ordered it;
#: 41 and 6008 that it ended without an order.
BOOT_EVENTS: Final = {_KERNEL: (12, 13), _LOG: (6005, 6006, 6008), _USER: (1074,), _POWER: (41,)}


class BootProcess(NamedTuple):
    """A process at a look; ``born`` is None where that was denied."""

    name: str
    born: float | None


def boot_identity() -> str:
    """Identity of the machine's present boot: the same in every program, whatever happens to the clock."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    if sys.platform == "win32":
        return windows_boot_identity(_boot_processes(), _newest_boot_event)
    return f"boot-{psutil.boot_time():.0f}"


def windows_boot_identity(
    processes: Iterable[BootProcess],
    newest_event: Callable[[], LogEvent | None],
    boot_time_s: Callable[[], float] = psutil.boot_time,
) -> str:
    """The same from a list of processes. Where one is denied, its name is passed over: others may see it.

    Args:
        processes: Those that may be of :data:`BOOT_PROCESSES`.
        newest_event: The log's newest boot event; None where there is none.
        boot_time_s: Now minus uptime, the last resort.
    """
    found = list(processes)
    for name in BOOT_PROCESSES:
        births = [process.born for process in found if process.name.lower() == name]
        known = [born for born in births if born is not None]
        if known and len(known) == len(births):
            return f"started-{min(known):.3f}"
    event = newest_event()
    if event is not None:
        return f"started-{event.utc.timestamp():.3f}"
    return f"boot-{boot_time_s():.0f}"


def same_boot(one: str, other: str) -> bool:
    """Whether two identities are of one boot. Those by uptime, which older folders hold, move."""
    if one == other:
        return True
    seconds = [_seconds(identity) for identity in (one, other)]
    by_uptime = one.startswith("boot-") or other.startswith("boot-")
    if not by_uptime or seconds[0] is None or seconds[1] is None:
        return False
    return abs(seconds[0] - seconds[1]) <= _SAME_BOOT_S


def _seconds(identity: str) -> float | None:
    found = re.fullmatch(r"(?:boot|started)-(\d{6,}(?:\.\d+)?)", identity)
    return None if found is None else float(found[1])


def ended_in_order(boot_id: str, last_sign_utc: datetime) -> str | None:
    """By what an earlier boot ended in order, in a few words; None where it crashed, or where nobody knows.

    Args:
        boot_id: Its identity.
        last_sign_utc: Latest time at which it is known to have run.
    """
    if sys.platform == "win32":
        calls = windows_calls()
        with contextlib.suppress(OSError):
            if calls is not None:
                since = last_sign_utc - _ORDERED_BEFORE
                return order_of(read_events(calls, which(BOOT_EVENTS, since)), last_sign_utc)
        return None
    return _by_journal(boot_id)


def order_of(events: Sequence[LogEvent], last_sign_utc: datetime) -> str | None:
    """Who ordered the end of the boot that was running then, by the log's events, oldest first.

    Args:
        events: Those of :data:`BOOT_EVENTS` since some minutes before.
        last_sign_utc: Latest time at which that boot is known to have run.
    """
    starts = [e.utc for e in events if (e.provider, e.number) in ((_KERNEL, 12), (_LOG, 6005))]
    later = [start for start in starts if start > last_sign_utc]
    if not later:
        return None
    # One start writes several of these, seconds apart; the next boot's are minutes away.
    next_boot = min((s for s in later if s > later[0] + timedelta(minutes=2)), default=None)
    since = last_sign_utc - _ORDERED_BEFORE
    before = [e for e in events if since < e.utc <= later[0]]
    after = [e for e in events if e.utc >= later[0] and (next_boot is None or e.utc < next_boot)]
    if any((e.provider, e.number) in ((_POWER, 41), (_LOG, 6008)) for e in after):
        return None
    orders = [e for e in before if (e.provider, e.number) == (_USER, 1074)]
    ended = [e for e in before if (e.provider, e.number) in ((_LOG, 6006), (_KERNEL, 13))]
    if orders:
        program, reason = _order_words(orders[-1])
        return f"restarted in order by {program}{f' ({reason})' if reason else ''}"
    return "shut down in order" if ended else None


def _order_words(order: LogEvent) -> tuple[str, str]:
    """Program and reason of event 1074: its first and third value."""
    program = PureWindowsPath(order.data[0].split(" (")[0]).name if order.data else ""
    return program or "the system", order.data[2] if len(order.data) > 2 else ""


def _by_journal(boot_id: str) -> str | None:
    """The journal of that boot reached the target ``shutdown.target`` (systemd.special(7))."""
    if shutil.which("journalctl") is None or not re.fullmatch(r"[0-9a-f-]{32,36}", boot_id):
        return None
    words = ["journalctl", "--quiet", "--output=cat", "--lines=1"]
    words += [f"_BOOT_ID={boot_id.replace('-', '')}", "UNIT=shutdown.target", "JOB_RESULT=done"]
    try:
        done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, timeout=10.0, check=False)
    except (OSError, subprocess.SubprocessError):
        return None
    return "shut down in order" if done.returncode == 0 and done.stdout.strip() else None


def _boot_processes() -> list[BootProcess]:
    found = []
    for pid in sorted(psutil.pids()):
        with contextlib.suppress(psutil.Error, OSError):
            process: Any = psutil.Process(pid)
            name = process.name()
            if name.lower() in BOOT_PROCESSES:
                try:
                    born = process.create_time()
                except psutil.AccessDenied:
                    born = None
                found.append(BootProcess(name, born))
    return found


def _newest_boot_event() -> LogEvent | None:
    calls = windows_calls()
    if calls is None:
        return None
    with contextlib.suppress(OSError):
        found = read_events(calls, which({_KERNEL: (12,)}), newest_first=True, at_most=1)
        return found[0] if found else None
    return None
