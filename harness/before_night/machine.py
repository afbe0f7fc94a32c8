"""What of the machine itself would end a night: disk, sleep, a restart that waits. Reads only."""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from harness.awake import can_be_kept_awake
from harness.needs.need import Need, NeedState
from harness.plan.forecast import Forecast
from harness.plan.schema import Plan
from harness.store.space import OVERHEAD_BYTES, plan_attempt_bytes, space_needed

#: A settings program of the desktop or the system may take this long to answer.
_ANSWER_S: Final = 3.0
_GNOME: Final = "org.gnome.settings-daemon.plugins.power"


def disk_needs(plan: Plan, night: Forecast, folder: Path) -> Iterator[Need]:
    """Room for the whole night where the campaign's folder is, or will be."""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free = shutil.disk_usage(place).free
    except OSError:
        return
    need = space_needed(night.attempts, (), plan_attempt_bytes(plan, night))
    shortage = need.shortage(free)
    if shortage is not None:
        state: NeedState = "missing" if free < OVERHEAD_BYTES else "doubtful"
        yield Need((), state, f"{place}: {shortage}", "make room, or choose another folder with --into")


def power_needs(
    night: Forecast,
    root: Path = Path("/"),
    keeps_awake: Callable[[], tuple[str, ...]] = can_be_kept_awake,
) -> Iterator[Need]:
    """Settings by which the machine would sleep though the run holds sleep off, and running on a battery.

    Args:
        night: How long it takes.
        root: Where the system's files lie.
        keeps_awake: Tries what holds sleep off, and gives it by name; only where something is set.
    """
    found = [*_windows_sleep(night)] if sys.platform == "win32" else [*_logind(root, night), *_gnome(night)]
    if found and not keeps_awake():
        yield from found
    yield from _battery()


def restart_needs(night: Forecast, root: Path = Path("/")) -> Iterator[Need]:
    """Restarts that are planned, or that the system waits for and may make by itself."""
    if sys.platform == "win32":
        yield from _windows_restart()
        return
    planned = _properties(root / "run/systemd/shutdown/scheduled")
    if (when_us := planned.get("USEC", "")).isdigit():
        left_s = int(when_us) / 1e6 - datetime.now(UTC).timestamp()
        if left_s < night.likely_s[1]:
            mode = planned.get("MODE", "shutdown")
            at = datetime.fromtimestamp(int(when_us) / 1e6).astimezone()
            what = f"a {mode} of this machine is planned for {at:%a %H:%M}, before the night is over"
            yield Need((), "missing", what, "cancel it (shutdown -c), or start the night after it")
    if not any((root / way).exists() for way in ("run/reboot-required", "var/run/reboot-required")):
        return
    if _restarts_by_itself(root):
        what = "an update waits for a restart, and this machine is set to restart by itself for it"
        yield Need((), "missing", what, "restart it before the night")
    else:
        what = "an update waits for a restart: what it changed, perhaps the driver, is not in force yet"
        yield Need((), "doubtful", what, "restart the machine before the night")


def _logind(root: Path, night: Forecast) -> Iterator[Need]:
    """What logind does when nobody touches the machine. Source: the manual page logind.conf(5)."""
    found: dict[str, str] = {}
    for place in ("usr/lib", "run", "etc"):  # what comes later counts
        folder = root / place / "systemd"
        for file in (folder / "logind.conf", *sorted(folder.glob("logind.conf.d/*.conf"))):
            found |= _properties(file)
    action = found.get("IdleAction", "ignore")
    if action in ("ignore", "lock", ""):
        return
    if action.startswith(("suspend", "hibernate", "hybrid", "sleep")) and _masked(root):
        return
    after_s = _seconds(found.get("IdleActionSec", "30min"))
    if after_s is not None and after_s < night.likely_s[1]:
        what = f"the system is set to {action} after {after_s / 60:.0f} min without a key or mouse (logind)"
        yield Need((), "missing", what, "set IdleAction=ignore in /etc/systemd/logind.conf for the night")


def _masked(root: Path) -> bool:
    """The system's sleep is switched off altogether."""
    target = root / "etc/systemd/system/sleep.target"
    with contextlib.suppress(OSError):
        return target.is_symlink() and str(target.readlink()) == "/dev/null"
    return False


def _gnome(night: Forecast) -> Iterator[Need]:
    """The desktop's own settings, where its program for them is there."""
    if shutil.which("gsettings") is None:
        return
    kind = _said(["gsettings", "get", _GNOME, "sleep-inactive-ac-type"]).strip("'\n ")
    after = _said(["gsettings", "get", _GNOME, "sleep-inactive-ac-timeout"]).strip()
    if kind in ("", "nothing") or not after.isdigit() or not 0 < int(after) < night.likely_s[1]:
        return
    if _masked(Path("/")):
        return
    what = f"the desktop is set to {kind} after {int(after) / 60:.0f} min without a key or mouse"
    yield Need((), "missing", what, f"gsettings set {_GNOME} sleep-inactive-ac-type nothing")


def _battery() -> Iterator[Need]:
    import psutil

    with contextlib.suppress(Exception):  # what the system tells of batteries varies
        battery = psutil.sensors_battery()
        if battery is not None and battery.power_plugged is False:
            what = f"this machine runs on its battery ({battery.percent:.0f} %), which slows it and ends"
            yield Need((), "doubtful", what, "plug it in")


def _windows_sleep(night: Forecast) -> Iterator[Need]:
    """Sleep after idling on mains, by the power plan in force. Not tried on Windows."""
    after_s = standby_on_mains_s(windows_standby_text())
    if after_s is not None and 0 < after_s < night.likely_s[1]:
        what = f"Windows is set to sleep after {after_s / 60:.0f} min without a key or mouse"
        yield Need((), "missing", what, "powercfg /change standby-timeout-ac 0")


def windows_standby_text() -> str:
    """What ``powercfg`` says of standby in the power plan in force; empty where it is not there."""
    return _said(["powercfg", "/query", "SCHEME_CURRENT", "SUB_SLEEP", "STANDBYIDLE"])


def standby_on_mains_s(said: str) -> float | None:
    """Seconds until sleep on mains in what ``powercfg /query`` printed, whatever its language; None: unknown.

    Its last two hexadecimal numbers are the settings in force, mains first (Microsoft's documentation of
    powercfg; from memory).
    """
    numbers = re.findall(r":\s*0x([0-9a-fA-F]{8})\s*$", said, re.MULTILINE)
    return float(int(numbers[-2], 16)) if len(numbers) >= 2 else None


def _windows_restart() -> Iterator[Need]:
    if windows_restart_is_due():
        what = "Windows waits for a restart after an update, and may make it by itself at night"
        yield Need((), "missing", what, "restart it before the night")


def windows_restart_is_due() -> bool:
    """By the registry keys that Windows keeps while it is. Not tried on Windows."""
    if sys.platform != "win32":
        return False
    import winreg

    current = r"SOFTWARE\Microsoft\Windows\CurrentVersion"
    for key in (
        rf"{current}\WindowsUpdate\Auto Update\RebootRequired",
        rf"{current}\Component Based Servicing\RebootPending",
    ):
        with contextlib.suppress(OSError), winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, key):
            return True
    return False


def _restarts_by_itself(root: Path) -> bool:
    texts = [_text(file) for file in sorted((root / "etc/apt/apt.conf.d").glob("*"))]
    found = re.findall(r'^\s*Unattended-Upgrade::Automatic-Reboot\s+"?(\w+)"?\s*;', "\n".join(texts), re.M)
    return bool(found) and found[-1].lower() in ("true", "1", "yes")


def _seconds(text: str) -> float | None:
    """A time span as systemd writes it; None for one that is not understood."""
    units = {"": 1, "s": 1, "sec": 1, "m": 60, "min": 60, "h": 3600, "hour": 3600, "hours": 3600, "d": 86400}
    parts = re.findall(r"(\d+)\s*([a-z]*)", text)
    if not parts or any(unit not in units for _, unit in parts):
        return None
    return float(sum(int(number) * units[unit] for number, unit in parts))


def _properties(file: Path) -> dict[str, str]:
    lines = (line.strip() for line in _text(file).splitlines())
    pairs = (line.partition("=") for line in lines if "=" in line and not line.startswith(("#", ";")))
    return {name.strip(): value.strip() for name, _, value in pairs}


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace")[:65536] if file.is_file() else ""
    except OSError:
        return ""


def _said(words: list[str]) -> str:
    try:
        done = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, timeout=_ANSWER_S, check=False
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return done.stdout.decode("utf-8", "replace") if done.returncode == 0 else ""
