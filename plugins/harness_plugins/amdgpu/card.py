"""One AMD card's files: its state, and the ways to set one.

What a card holds is not always what its files say: on generations with a mask
(:attr:`TuningTable.has_mask`) a commit sends only what was edited since the last one and only if the table
differs from the last one sent, and a reset right after a commit changes the file and nothing else
(``smu_v13_0_0_ppt.c`` of Linux 6.12, lines 1887 to 1935). So a state is set by explicit values and a
commit, and the maker's by editing everything, first to a value that differs, then a reset that has all of
it in its mask.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.errors import ControlRefused, Difference
from harness_plugins.amdgpu.commands import differences, edits
from harness_plugins.amdgpu.table import Entries, TuningTable, parse_fan, parse_table
from harness_plugins.hwmon.sysfs import Chip, read_number, read_text, write_text
from harness_plugins.hwmon.wake import woken

LEVEL = "power_dpm_force_performance_level"
TABLE = "pp_od_clk_voltage"
CAP = "power1_cap"
KEEP_AWAKE = "power/control"


@dataclass(frozen=True)
class CardState:
    """All that this control may change, as the files say it.

    Attributes:
        cap_uw: Power limit, µW; None where the card has none.
        level: Performance level; None where it can't be read.
        table: Entries of the tuning table.
        fan: Entries of the fan files.
        keep_awake: Word of the file that keeps it from sleeping; None where there is none.
    """

    cap_uw: int | None = None
    level: str | None = None
    table: Mapping[str, int] = field(default_factory=dict)
    fan: Mapping[str, int] = field(default_factory=dict)
    keep_awake: str | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            CAP: self.cap_uw,
            LEVEL: self.level,
            "table": dict(self.table),
            "fan": dict(self.fan),
            KEEP_AWAKE: self.keep_awake,
        }


class AmdCard:
    """See the module. Raises ControlRefused where a write is refused."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.address = chip.address

    def asleep(self) -> bool:
        """It sleeps still, though it was woken in the ways that change nothing."""
        return not woken(self.chip.device)

    def wake(self) -> None:
        """Wake it, by its power setting where nothing else does; a restore puts that back.

        Raises:
            ControlRefused: It did not wake.
        """
        if self.asleep():
            write_text(self.chip.device / KEEP_AWAKE, "on")
        if self.asleep() or read_text(self.chip.device / LEVEL) is None:
            raise ControlRefused(
                f"card {self.address} sleeps or is being reset, and did not wake; start some load on it"
            )

    def table(self) -> TuningTable:
        return parse_table(read_text(self.chip.device / TABLE) or "")

    def has_table_file(self) -> bool:
        """The file is there, with or without a table in it."""
        return read_text(self.chip.device / TABLE) is not None

    def fan_files(self) -> list[Path]:
        """Files of the fan's settings; later kernels have more of them."""
        return sorted(path for path in (self.chip.device / "gpu_od" / "fan_ctrl").glob("*") if path.is_file())

    def fan(self) -> dict[str, int]:
        found: dict[str, int] = {}
        for path in self.fan_files():
            found |= parse_fan(path.name, read_text(path) or "")
        return found

    def cap_uw(self, suffix: str = "") -> int | None:
        """Power limit, or its ``_min``, ``_max``, ``_default``, µW."""
        return read_number(self.chip.folder / f"{CAP}{suffix}")

    def state(self) -> CardState:
        level = read_text(self.chip.device / LEVEL)
        keep_awake = read_text(self.chip.device / KEEP_AWAKE)
        return CardState(self.cap_uw(), level, self.table().entries, self.fan(), keep_awake)

    def is_processor(self) -> bool:
        """Graphics of a processor: they alone show the voltage of its north bridge."""
        return any(read_text(path) == "vddnb" for path in sorted(self.chip.folder.glob("in*_label")))

    def set_cap(self, cap_uw: int) -> None:
        write_text(self.chip.folder / CAP, str(cap_uw))

    def set_level(self, level: str) -> None:
        write_text(self.chip.device / LEVEL, level)

    def set_keep_awake(self, word: str) -> None:
        write_text(self.chip.device / KEEP_AWAKE, word)

    def edit(self, *commands: str) -> None:
        for command in commands:
            write_text(self.chip.device / TABLE, command)

    def set_fan(self, wanted: Entries) -> None:
        """Set the fan files that read otherwise. Only a reset brings a curve with zeros, the maker's."""
        present = self.fan()
        for path in self.fan_files():
            name = path.name
            entries = {key: value for key, value in wanted.items() if key.split(".")[0] == name}
            if all(present.get(key) == value for key, value in entries.items()):
                continue
            if name == "fan_curve" and not all(entries.values()):
                write_text(path, "r")
                continue
            if name == "fan_curve":
                for point in sorted({key.split(".")[1] for key in entries}):
                    write_text(
                        path, f"{point} {entries[f'fan_curve.{point}.c']} {entries[f'fan_curve.{point}.pct']}"
                    )
            else:
                write_text(path, str(entries[name]))
            write_text(path, "c")

    def reset(self) -> None:
        """Bring table and fan to the maker's values, also what the firmware holds and no file shows.

        Nothing is written that lies above the file's values: the value that differs is one millivolt lower.
        The level must be ``manual``.
        """
        for path in self.fan_files():
            write_text(path, "r")
        table = self.table()
        if not table.entries:
            return
        if table.has_mask:
            known = [name for name in table.entries if name in _MASKED]
            offset_mv = table.entries.get("vo", 0)
            lowest_mv = table.ranges["VDDGFX_OFFSET"][0]
            aside_mv = offset_mv - 1 if offset_mv > lowest_mv else offset_mv + 1
            touched = {name: table.entries[name] for name in known}
            self.edit(*_tolerated(touched, table), f"vo {aside_mv}", "c", *_tolerated(touched, table), "vo 0")
        self.edit("r", "c")

    def unlike(self, wanted: CardState, maker: CardState | None = None) -> list[Difference]:
        """What reads otherwise than wanted; what is not known (None) is not looked at.

        Args:
            wanted: What should read back.
            maker: The maker's state, where it is known.
        """
        seen, known = self.state(), maker or CardState()
        found = differences(seen.table, wanted.table, known.table)
        found += differences(seen.fan, wanted.fan, known.fan)
        if wanted.cap_uw is not None and seen.cap_uw != wanted.cap_uw:
            seen_w, wanted_w, known_w = (
                None if cap is None else cap / 1e6 for cap in (seen.cap_uw, wanted.cap_uw, known.cap_uw)
            )
            found.append(Difference("power limit", wanted_w or 0.0, seen_w, known_w, "W"))
        if wanted.level is not None and seen.level != wanted.level:
            found.append(Difference("performance level", wanted.level, seen.level, known.level))
        return found


#: Entries each of which stands for one bit of the mask; the lowest clocks share theirs with the highest.
_MASKED = ("sclk.1", "sclk_offset", "mclk.1")


def _tolerated(entries: Entries, table: TuningTable) -> list[str]:
    """Edits of present values; one that lies outside its own range is no edit that the driver takes."""
    within = {
        name: value
        for name, value in entries.items()
        if (limits := table.ranges.get(_RANGE_OF[name])) is None or limits[0] <= value <= limits[1]
    }
    return edits(within, table.entries)


_RANGE_OF = {"sclk.1": "SCLK", "sclk_offset": "SCLK_OFFSET", "mclk.1": "MCLK"}


def watts(microwatts: int | None) -> str:
    return "unknown" if microwatts is None else f"{microwatts / 1e6:.0f} W"
