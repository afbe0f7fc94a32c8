"""Tuning of an AMD card through the kernel's files: power cap, clock ceilings, lower voltage.

Nothing is ever raised above the state that was found: neither clocks nor voltage nor the power limit. Every
write is read back; the way back is a snapshot taken before the first write.
"""

from __future__ import annotations

import os
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from harness.card import GraphicsCard
from harness.errors import ControlRefused, PluginError, Problem, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness_plugins.amdgpu.table import ClockTable, parse_table
from harness_plugins.hwmon import sysfs
from harness_plugins.hwmon.cards import choose_card
from harness_plugins.hwmon.sysfs import Chip, find_chips, read_number, read_text, write_text

_LEVEL = "power_dpm_force_performance_level"
_TABLE = "pp_od_clk_voltage"
_TABLE_KEYS = ("core_clock_ceiling_mhz", "memory_clock_ceiling_mhz", "voltage_offset_mv")
#: Words of the level file that the kernel documents and that a person may have chosen.
_LEVELS = frozenset(
    {"auto", "low", "high", "manual", "perf_determinism"}
    | {f"profile_{name}" for name in ("standard", "min_sclk", "min_mclk", "peak")}
)
#: Clocks and power overshoot their limit for moments; the median may lie this far above.
_TOLERANCE_PCT = 3.0
#: Fewer readings than this prove nothing.
_LEAST_READINGS = 10
_GRANT = (
    "run levelrig with the right to write this file (as root), or let the machine's owner grant your "
    "group that right by a udev rule; levelrig never changes permissions itself"
)


class AmdgpuOptions(BaseModel):
    """Plan keys of ``control = "amdgpu"``. What is left out stays as the maker set it."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    power_limit_w: int | None = Field(None, gt=0, description="power cap of the card")
    core_clock_ceiling_mhz: int | None = Field(None, gt=0, description="highest engine clock")
    memory_clock_ceiling_mhz: int | None = Field(
        None, gt=0, description="highest memory clock, as the driver counts it (half the effective one)"
    )
    voltage_offset_mv: int | None = Field(
        None, ge=-300, le=0, description="offset of the engine's voltage; lower only"
    )
    card: str | None = Field(
        None, description="PCI address of the card, as 0000:03:00.0; default: the one with most memory"
    )

    @property
    def uses_table(self) -> bool:
        """Whether any key is set through the clock and voltage table."""
        wanted = (self.core_clock_ceiling_mhz, self.memory_clock_ceiling_mhz, self.voltage_offset_mv)
        return any(value is not None for value in wanted)


class AmdgpuControl:
    """Control ``amdgpu``. See :class:`harness.rig.Control`."""

    kind = "amdgpu"
    changes_hardware = True

    def __init__(self, root: Path | None = None, card: GraphicsCard | None = None) -> None:
        self._root = root
        self._plans = card

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}"
        try:
            card = self._card(options.card)
        except PluginError as error:
            return [Problem(where, str(error), "see `levelrig doctor`", of_machine=True)]
        problems = []
        if options.power_limit_w is not None:
            problems += _check_power(card, options.power_limit_w, f"{where}.power_limit_w")
        if options.uses_table:
            problems += _check_table(card, options, where)
        return problems

    def snapshot(self) -> dict[str, Any]:
        """State of every AMD card, since a profile may name any."""
        return {card.address: _state(card) for card in self._cards()}

    def apply(self, profile: ProfileSpec) -> None:
        if problems := self.check(profile):
            raise ControlRefused("; ".join(map(str, problems)))
        options = options_of(profile)
        card = self._card(options.card)
        if options.power_limit_w is not None:
            write_text(card.folder / "power1_cap", str(options.power_limit_w * 1_000_000))
        if options.uses_table:
            write_text(card.device / _LEVEL, "manual")
            for command in _commands(options):
                write_text(card.device / _TABLE, command)
            write_text(card.device / _TABLE, "c")

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        card = self._card(options.card)
        state = _state(card)
        table = _table(card)
        wrong = []
        if options.power_limit_w is not None and state["power1_cap"] != options.power_limit_w * 1_000_000:
            wrong.append(f"power limit is {_watts(state['power1_cap'])}, not {options.power_limit_w} W")
        for name, wanted, seen in _table_values(options, table):
            if wanted is not None and wanted != seen:
                wrong.append(f"{name} is {seen}, not {wanted}")
        if wrong:
            raise ControlRefused(
                f"profile {profile.name}: card {card.address} reads back differently: {'; '.join(wrong)}; "
                "another tuning program may be at work, or the driver rounds: choose a value that it keeps"
            )
        cap_uw = state["power1_cap"]
        return {
            "card": card.address,
            "power_limit_w": None if cap_uw is None else cap_uw / 1e6,
            "core_clock_ceiling_mhz": table.core_clock_mhz and table.core_clock_mhz[1],
            "memory_clock_ceiling_mhz": table.memory_clock_mhz and table.memory_clock_mhz[1],
            "voltage_offset_mv": table.voltage_offset_mv,
            "performance_level": state[_LEVEL],
        }

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        """A lower voltage can't be proved by readings: the offset is on a curve that is not shown."""
        options = options_of(profile)
        power = readings.get("power_w") or readings.get("power_average_w") or ()
        return [
            *_above(options.core_clock_ceiling_mhz, readings.get("core_clock_mhz", ()), "core clock", "MHz"),
            *_above(
                options.memory_clock_ceiling_mhz, readings.get("memory_clock_mhz", ()), "memory clock", "MHz"
            ),
            *_above(options.power_limit_w, power, "power", "W"),
        ]

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put every card of the snapshot back, every other one to the maker's state; then read back.

        Tries all steps, then tells what failed. A state that no card can have had (outside the driver's
        range, or a raised voltage) is never written: the maker's is set then, and that is told.
        """
        present = {card.address: card for card in self._cards()}
        failures = [f"card {address} is gone" for address in snapshot if address not in present]
        doubts: list[str] = []
        for address, card in present.items():
            state, refused = _possible(card, snapshot.get(address, {}))
            doubts += [f"card {address}: {what}" for what in refused]
            failures += _restore_card(card, state)
        if failures:
            raise ControlRefused(
                f"not restored: {'; '.join(failures)}; a restart puts these cards back to their factory state"
            )
        if doubts:
            raise RestoreUnproven(f"{'; '.join(doubts)}; the maker's state was set instead")

    def factory_deviations(self) -> list[str]:
        """What can be seen to differ from the maker's state."""
        found = []
        for card in self._cards():
            default_uw, cap_uw = read_number(card.folder / "power1_cap_default"), _cap_uw(card)
            if default_uw is not None and cap_uw is not None and cap_uw != default_uw:
                found.append(
                    f"card {card.address}: power limit is {_watts(cap_uw)}, factory {_watts(default_uw)}"
                )
            offset_mv = _table(card).voltage_offset_mv
            if offset_mv:
                found.append(f"card {card.address}: voltage offset is {offset_mv} mV, factory 0 mV")
            level = read_text(card.device / _LEVEL)
            if level not in (None, "auto"):
                found.append(f"card {card.address}: performance level is {level!r}, factory 'auto'")
        return found

    def _cards(self) -> list[Chip]:
        """AMD cards; of a plan its own alone."""
        wanted = None if self._plans is None else self._plans.address
        chips = [chip for chip in find_chips(self._root or sysfs.ROOT) if chip.name == "amdgpu"]
        return [chip for chip in chips if wanted in (None, chip.address)]

    def _card(self, wanted: str | None) -> Chip:
        cards = self._cards()
        card = choose_card(cards, wanted)
        if card is None:
            if self._plans is not None and "amdgpu" not in self._plans.controls:
                raise PluginError(
                    f"this control tunes AMD cards, and the card of this plan is {self._plans}; name the AMD "
                    "card as card under [rig], or use its own control"
                )
            there = ", ".join(c.address for c in cards) or "none"
            raise PluginError(
                f"no AMD card {wanted or ''} in this machine (there: {there})".replace("  ", " ")
            )
        return card


def options_of(profile: ProfileSpec) -> AmdgpuOptions:
    """The profile's keys, as this control understands them."""
    return AmdgpuOptions.model_validate(profile.options)


def _check_power(card: Chip, wanted_w: int, where: str) -> list[Problem]:
    path = card.folder / "power1_cap"
    lowest_uw, highest_uw = (
        read_number(card.folder / "power1_cap_min"),
        read_number(card.folder / "power1_cap_max"),
    )
    found_uw = _cap_uw(card)
    if found_uw is None or lowest_uw is None or highest_uw is None:
        return [Problem(where, f"card {card.address} states no power limit and range", "leave it out here")]
    highest_uw = min(highest_uw, found_uw)
    if not lowest_uw <= wanted_w * 1_000_000 <= highest_uw:
        what = f"{wanted_w} W is outside the driver's range or above the limit that was found"
        allowed = f"{lowest_uw / 1e6:.0f} to {highest_uw / 1e6:.0f} W"
        return [Problem(where, what, f"choose from {allowed}; nothing is raised above the state found")]
    return _check_right(path, where)


def _check_table(card: Chip, options: AmdgpuOptions, where: str) -> list[Problem]:
    table = _table(card)
    problems = []
    for key, wanted, unit, now, range_name in (
        ("core_clock_ceiling_mhz", options.core_clock_ceiling_mhz, "MHz", table.core_clock_mhz, "SCLK"),
        ("memory_clock_ceiling_mhz", options.memory_clock_ceiling_mhz, "MHz", table.memory_clock_mhz, "MCLK"),
        ("voltage_offset_mv", options.voltage_offset_mv, "mV", table.voltage_offset_mv, "VDDGFX_OFFSET"),
    ):
        if wanted is None:
            continue
        if now is None:
            problems.append(
                Problem(
                    f"{where}.{key}",
                    f"card {card.address} offers none in {_TABLE}",
                    "leave it out, or start the kernel with the driver's overdrive feature switched on",
                )
            )
            continue
        lowest, highest = table.ranges.get(range_name, (wanted, wanted))
        if isinstance(now, tuple):
            lowest, highest = max(lowest, now[0]), min(highest, now[1])
        else:
            highest = min(highest, now)
        if not lowest <= wanted <= highest:
            problems.append(
                Problem(
                    f"{where}.{key}",
                    f"{wanted} {unit} is outside what the card allows and the maker set",
                    f"choose from {lowest} to {highest} {unit}; nothing is raised above the state found",
                )
            )
    for path in (card.device / _TABLE, card.device / _LEVEL):
        if not problems:
            problems += _check_right(path, where)
    return problems


def _check_right(path: Path, where: str) -> list[Problem]:
    if os.access(path, os.W_OK):
        return []
    return [Problem(where, f"{path} can't be written by this user", _GRANT, of_machine=True)]


def _commands(options: AmdgpuOptions) -> list[str]:
    wanted = (
        ("s 1", options.core_clock_ceiling_mhz),
        ("m 1", options.memory_clock_ceiling_mhz),
        ("vo", options.voltage_offset_mv),
    )
    return [f"{command} {value}" for command, value in wanted if value is not None]


def _table(card: Chip) -> ClockTable:
    return parse_table(read_text(card.device / _TABLE) or "")


def _table_values(options: AmdgpuOptions, table: ClockTable) -> list[tuple[str, int | None, int | None]]:
    """Name, wanted and seen value of each key that goes through the table."""
    core, memory = table.core_clock_mhz, table.memory_clock_mhz
    return [
        ("core clock ceiling, MHz,", options.core_clock_ceiling_mhz, core and core[1]),
        ("memory clock ceiling, MHz,", options.memory_clock_ceiling_mhz, memory and memory[1]),
        ("voltage offset, mV,", options.voltage_offset_mv, table.voltage_offset_mv),
    ]


def _cap_uw(card: Chip) -> int | None:
    return read_number(card.folder / "power1_cap")


def _state(card: Chip) -> dict[str, Any]:
    """All that this control may change, as the files say it."""
    table = _table(card)
    core, memory = table.core_clock_mhz, table.memory_clock_mhz
    return {
        "power1_cap": _cap_uw(card),
        _LEVEL: read_text(card.device / _LEVEL),
        "core_clock_ceiling_mhz": core and core[1],
        "memory_clock_ceiling_mhz": memory and memory[1],
        "voltage_offset_mv": table.voltage_offset_mv,
    }


def _possible(card: Chip, state: Any) -> tuple[dict[str, Any], list[str]]:
    """What to put a card back to: the state that was found, and the maker's for what it lacks or can't be.

    Returns:
        The state; None for what is the maker's and only a reset brings. And what of the given was refused.
    """
    found: dict[str, Any] = dict.fromkeys(_TABLE_KEYS)
    found |= {"power1_cap": read_number(card.folder / "power1_cap_default"), _LEVEL: "auto"}
    refused = []
    ranges = _table(card).ranges
    cap_uw = read_number(card.folder / "power1_cap_min"), read_number(card.folder / "power1_cap_max")
    limits: dict[str, tuple[int | None, int | None]] = {
        "power1_cap": cap_uw,
        "core_clock_ceiling_mhz": ranges.get("SCLK", (None, None)),
        "memory_clock_ceiling_mhz": ranges.get("MCLK", (None, None)),
        "voltage_offset_mv": (ranges.get("VDDGFX_OFFSET", (None, None))[0], 0),
    }
    for key, value in state.items() if isinstance(state, Mapping) else ():
        if value is None:
            continue
        if key == _LEVEL and isinstance(value, str) and value in _LEVELS:
            found[key] = value
        elif key in limits and isinstance(value, int) and not isinstance(value, bool):
            lowest, highest = limits[key]
            if (lowest is None or lowest <= value) and (highest is None or value <= highest):
                found[key] = value
            else:
                refused.append(f"{key} {value} can't be what was found")
        else:
            refused.append(f"{key} {value!r} is not known")
    return found, refused


def _restore_card(card: Chip, state: Mapping[str, Any]) -> list[str]:
    """Write what differs, the table first, the level last. Returns what could not be done."""
    failures: list[str] = []
    present, table = _state(card), _table(card)

    def attempt(path: Path, text: str) -> None:
        try:
            write_text(path, text)
        except ControlRefused as error:
            failures.append(str(error))

    differs = any(state[key] is not None and present[key] != state[key] for key in _TABLE_KEYS)
    # What nothing is known of: an offset shows by itself; a ceiling goes with the level that it needs.
    differs = differs or (state["voltage_offset_mv"] is None and bool(table.voltage_offset_mv))
    expected = dict(state)
    # At the level "manual" there may also be values that were written but never committed.
    if differs or present[_LEVEL] == "manual" != state[_LEVEL]:
        attempt(card.device / _LEVEL, "manual")
        attempt(card.device / _TABLE, "r")
        attempt(card.device / _TABLE, "c")
        defaults = _state(card)
        before = {
            key: state[key] for key in _TABLE_KEYS if state[key] is not None and state[key] != defaults[key]
        }
        for command in _commands(AmdgpuOptions.model_construct(**before)):  # the user's own state, as it was
            attempt(card.device / _TABLE, command)
        if before:
            attempt(card.device / _TABLE, "c")
        expected |= {key: defaults[key] for key in _TABLE_KEYS if state[key] is None}
    if state["power1_cap"] is not None and _cap_uw(card) != state["power1_cap"]:
        attempt(card.folder / "power1_cap", str(state["power1_cap"]))
    if present[_LEVEL] is not None and read_text(card.device / _LEVEL) != state[_LEVEL]:
        attempt(card.device / _LEVEL, state[_LEVEL])
    left = {
        key: value
        for key, value in _state(card).items()
        if expected.get(key) is not None and value != expected[key] and present[key] is not None
    }
    if left and not failures:
        failures.append(f"card {card.address} reads back {left} after the restore")
    return failures


def _above(limit: int | None, readings: Sequence[float], name: str, unit: str) -> list[str]:
    if limit is None or len(readings) < _LEAST_READINGS:
        return []
    median = statistics.median(readings)
    if median <= limit * (1 + _TOLERANCE_PCT / 100):
        return []
    return [f"{name} under load is {median:.0f} {unit} in the median, above the profile's {limit} {unit}"]


def _watts(microwatts: int | None) -> str:
    return "unknown" if microwatts is None else f"{microwatts / 1e6:.0f} W"
