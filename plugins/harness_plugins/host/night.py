"""What of the machine an unattended night depends on: awake, rights, resets that can be seen. Reads only."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.awake import can_be_kept_awake
from harness.before_night.machine import standby_on_mains_s, windows_restart_is_due, windows_standby_text
from harness.hookspecs import Finding
from harness.windows.awake import modern_standby
from harness.windows.calls import WindowsCalls, windows_calls
from harness.windows.elevation import is_elevated
from harness.windows.engines import EngineCounters
from harness.windows.eventlog import Subscription, which
from harness_plugins.host.windows_card import DRIVER_EVENTS

_ELEVATED_TERMINAL = 'start levelrig from an elevated terminal ("Run as administrator") for these'


def examine_night(
    calls: WindowsCalls | None = None,
    standby_text: Callable[[], str] = windows_standby_text,
    restart_is_due: Callable[[], bool] = windows_restart_is_due,
    keeps_awake: Callable[[], tuple[str, ...]] = can_be_kept_awake,
) -> Iterator[Finding]:
    """One line for each.

    Args:
        calls: Windows' calls; default: the system's own, where this is Windows.
        standby_text: What the system's program for power plans prints of standby.
        restart_is_due: Whether Windows waits for a restart.
        keeps_awake: Tries what holds sleep off, and gives it by name.
    """
    by = keeps_awake()
    if by:
        yield Finding("staying awake", "ok", f"while a campaign runs, by {', '.join(by)}")
    else:
        what = "no session manager here holds sleep off; a machine that never sleeps needs none"
        yield Finding("staying awake", "absent", what)
    calls = calls or windows_calls()
    if calls is not None:
        yield from _windows(calls, standby_text, restart_is_due)


def _windows(
    calls: WindowsCalls, standby_text: Callable[[], str], restart_is_due: Callable[[], bool]
) -> Iterator[Finding]:
    yield _standby(calls, standby_on_mains_s(standby_text()))
    if restart_is_due():
        what = "Windows waits for a restart after an update, and may make it by itself at night"
        yield Finding("pending restart", "missing", what, "restart it before the night")
    else:
        yield Finding("pending restart", "ok", "none")
    yield _rights(calls)
    yield _driver_resets(calls)
    yield _programs(calls)


def _standby(calls: WindowsCalls, after_s: float | None) -> Finding:
    kind = {True: "modern standby", False: "no modern standby", None: "modern standby unknown"}[
        modern_standby(calls)
    ]
    after = "unknown" if after_s is None else "never" if after_s == 0 else f"after {after_s / 60:.0f} min"
    detail = f"on mains: {after} without a key or mouse, held off while a campaign runs; {kind}"
    if kind == "modern standby":
        return Finding("standby", "ok", f"{detail}, which on battery begins all the same: keep it plugged in")
    return Finding("standby", "ok", detail)


def _rights(calls: WindowsCalls) -> Finding:
    if is_elevated(calls):
        detail = "elevated: profiles are applied and restored; titles are started without it"
        return Finding("elevation", "ok", detail)
    detail = (
        "none: readings, titles, rehearsals and reports work; clocks and power limits can't be changed, "
        "titles that have higher rights can't be ended, and resume-at-boot can't be enabled"
    )
    return Finding("elevation", "missing", detail, _ELEVATED_TERMINAL)


def _driver_resets(calls: WindowsCalls) -> Finding:
    try:
        Subscription(calls, which(DRIVER_EVENTS)).close()
    except OSError as error:
        remedy = "start the service Windows Event Log, or look there yourself after a night"
        return Finding("driver resets", "missing", f"can't be seen: {error}", remedy)
    return Finding("driver resets", "ok", "seen in the event log System")


def _programs(calls: WindowsCalls) -> Finding:
    try:
        EngineCounters(calls).close()
    except OSError as error:
        detail = (
            f"what other programs load the card with can't be seen ({error}); they are told apart by name"
        )
        return Finding("programs on the card", "missing", detail, "rebuild the system's counters: lodctr /R")
    return Finding("programs on the card", "ok", "what each loads is read from the system's counters")
