"""A look at this machine for a plan that is being written: cards and ranges, sensors, screen. Reads only."""

from __future__ import annotations

import importlib.util
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from harness.card import GraphicsCard, candidates
from harness.clock import SystemClock
from harness.errors import HarnessError, Problem
from harness.hookspecs import Tuning
from harness.newplan.machine import Machine, MappingProposal, Screen
from harness.newplan.screen import screen_of
from harness.plan.schema import ProfileSpec
from harness.plugins import PluginHost
from harness.programs import NoProgram, find_program, plan_folders, plan_path

if TYPE_CHECKING:
    from collections.abc import Callable

_SCREENS = Path("/sys/class/drm")


def cards_here(host: PluginHost) -> list[GraphicsCard]:
    """The cards that a plan may be about, in order of address."""
    return candidates(host.graphics_cards())


def look(host: PluginHost, card: GraphicsCard | None, plan_folder: Path) -> Machine:
    """What is here for a plan in that folder, with that card as the one under test; a part that can't be read
    is left out."""
    clock = SystemClock()
    found = host.ask_all("tunings", lambda entry: isinstance(entry, Tuning), aside=clock.aside)
    tunings = [
        tuning for _, tuning in found if card is not None and tuning.card in (card.identity, card.address)
    ]
    return Machine(
        kinds=host.kinds,
        tunings=tuple(tunings),
        quantities=_quantities(host, clock, card),
        screen=_screen(),
        windows=sys.platform == "win32",
        draws_on_card=bool(tunings) and importlib.util.find_spec("wgpu") is not None,
        here="{plan_folder}" if plan_folder.absolute() == Path.cwd() else str(Path.cwd()),
        is_file=_is_file,
        is_program=partial(_is_program, plan_folder),
        propose=_propose,
        refused=_refused_by(host, clock, card),
    )


def _quantities(host: PluginHost, clock: SystemClock, card: GraphicsCard | None) -> dict[str, str]:
    found: dict[str, str] = {}
    for sensor in host.open_sensors(clock, [], card):
        try:
            for channel in sensor.channels():
                found.setdefault(channel.quantity, sensor.name)
        except HarnessError:
            continue
        finally:
            sensor.close()
    return found


def _is_program(plan_folder: Path, word: str, folder: str | None) -> bool:
    """As a title's command is looked for at night."""
    if "{" in word:  # filled in at night; what it leads to can't be told here
        return True
    own = [] if folder is None else [plan_path(folder, plan_folder)]
    try:
        find_program(word, [*plan_folders(plan_folder), *own])
    except (NoProgram, OSError, ValueError):
        return False
    return True


def _is_file(path: str) -> bool:
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False


def _propose(path: Path) -> MappingProposal:
    from harness.frames.propose import propose_mapping

    return propose_mapping(path)


def _refused_by(
    host: PluginHost, clock: SystemClock, card: GraphicsCard | None
) -> Callable[[ProfileSpec], list[Problem]]:
    def refused(profile: ProfileSpec) -> list[Problem]:
        kind = host.kind("control", profile.control)
        if not (kind.changes_hardware and kind.knows_makers_state):
            return []
        return host.open_control(profile.control, clock, card).check(profile)

    return refused


def _screen() -> Screen | None:
    """The usual mode of the first screen that is connected."""
    if sys.platform == "win32":
        return _screen_of_windows()
    for path in sorted(_SCREENS.glob("card*/edid")):
        try:
            found = screen_of(path.read_bytes())
        except OSError:
            continue
        if found is not None:
            return found
    return None


def _screen_of_windows() -> Screen | None:
    """The mode in use, by ``EnumDisplaySettingsW`` (not tried on Windows). Source: Win32 API, DEVMODEW."""
    if sys.platform != "win32":
        return None
    import ctypes

    class DeviceMode(ctypes.Structure):
        _fields_ = (
            ("device_name", ctypes.c_wchar * 32),
            ("versions_and_sizes", ctypes.c_uint16 * 4),
            ("fields", ctypes.c_uint32),
            ("place", ctypes.c_uint32 * 4),
            ("printing", ctypes.c_int16 * 5),
            ("form_name", ctypes.c_wchar * 32),
            ("log_pixels", ctypes.c_uint16),
            ("bits_per_pixel", ctypes.c_uint32),
            ("width_px", ctypes.c_uint32),
            ("height_px", ctypes.c_uint32),
            ("flags", ctypes.c_uint32),
            ("frequency_hz", ctypes.c_uint32),
            ("rest", ctypes.c_uint32 * 8),
        )

    mode = DeviceMode()
    mode.versions_and_sizes[2] = ctypes.sizeof(DeviceMode)
    in_use = 0xFFFFFFFF  # ENUM_CURRENT_SETTINGS
    if not ctypes.windll.user32.EnumDisplaySettingsW(None, in_use, ctypes.byref(mode)) or not mode.width_px:
        return None
    refresh_hz = float(mode.frequency_hz) if mode.frequency_hz > 1 else None  # 0 and 1: the usual one
    return Screen(int(mode.width_px), int(mode.height_px), refresh_hz)
