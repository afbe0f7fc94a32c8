"""One AMD card's files: its state, and the ways to set one.

What a card holds is not always what its files say: on generations with a mask (:attr:`TuningTable.has_mask`)
a commit sends only what was edited since the last one, and only if the table differs from the last one sent;
a reset right after a commit changes the file and nothing else (``smu_v13_0_0_ppt.c`` of Linux 6.12, lines
1887 to 1935). So a state is set by explicit values, all of them, and a commit. Before, a reset is used to
*see* the maker's values: on these generations, and on all that act on it at the next commit only, it does
not put them in force yet.
"""

from __future__ import annotations

import contextlib
import errno
import os
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


class Unsent(ControlRefused):
    """A commit did not go through, or an edit failed that was not invalid: what is in force is not known."""


class AmdCard:
    """See the module. Raises ControlRefused where a write is refused."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.address = chip.address

    def asleep(self) -> bool:
        """It sleeps still, though it was woken in the ways that change nothing."""
        return not woken(self.chip.device)

    def answers(self) -> bool:
        """It is awake, woken in the ways that change nothing, and can be read now."""
        return not self.asleep() and read_text(self.chip.device / LEVEL) is not None

    def wake(self) -> None:
        """Wake it, by its power setting where nothing else does; a restore puts that back.

        Raises:
            ControlRefused: It did not wake.
        """
        if self.asleep():
            write_text(self.chip.device / KEEP_AWAKE, "on")
        if not self.answers():
            raise ControlRefused(
                f"card {self.address} sleeps or is being reset, and did not wake; start some load on it"
            )

    def table(self) -> TuningTable:
        return parse_table(read_text(self.chip.device / TABLE) or "")

    def has_table_file(self) -> bool:
        """The file is there, with or without a table in it."""
        return (self.chip.device / TABLE).exists()

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

    def may_set_level(self) -> bool:
        """This user may write the performance level."""
        return os.access(self.chip.device / LEVEL, os.W_OK)

    def may_tune(self) -> bool:
        """And the table and the fan. Who may set the power limit alone has changed nothing there."""
        return all(os.access(path, os.W_OK) for path in self.tuning_files())

    def tuning_files(self) -> list[Path]:
        """Every file that is written where a profile sets clocks or voltage."""
        return [self.chip.device / TABLE, self.chip.device / LEVEL, *self.fan_files()]

    def set_cap(self, cap_uw: int) -> None:
        write_text(self.chip.folder / CAP, str(cap_uw))

    def set_level(self, level: str) -> None:
        write_text(self.chip.device / LEVEL, level)

    def set_keep_awake(self, word: str) -> None:
        write_text(self.chip.device / KEEP_AWAKE, word)

    def commits_at_reset(self) -> bool:
        """A reset of the table is in force at once (``sienna_cichlid_ppt.c`` of Linux 6.12, line 2404).

        That generation has a lowest and highest clock and no range of its voltage offset, with early firmware
        no offset at all (line 1396); others of this form have a curve or are processors with graphics.
        """
        table = self.table()
        spans = table.kind == "span" and not table.has_mask and not table.has_curve
        return spans and not self.is_processor()

    def edit(self, *commands: str) -> None:
        for command in commands:
            write_text(self.chip.device / TABLE, command)

    def set_fan(self, wanted: Entries) -> None:
        """Set the fan files that read otherwise. Only a reset brings a point of zeros, the maker's."""
        for path in self.fan_files():
            present = parse_fan(path.name, read_text(path) or "")
            entries = {key: value for key, value in wanted.items() if key in present}
            if entries == {key: present[key] for key in entries}:
                continue
            if any(present[key] and not value for key, value in entries.items()):
                write_text(path, "r")
            points = sorted({key.split(".")[1] for key in entries if "." in key})
            for point in points:
                celsius, share = entries[f"{path.name}.{point}.c"], entries[f"{path.name}.{point}.pct"]
                if celsius:
                    write_text(path, f"{point} {celsius} {share}")
            if not points and entries[path.name] != parse_fan(path.name, read_text(path) or "")[path.name]:
                write_text(path, str(entries[path.name]))
            write_text(path, "c")

    def reset_fan(self) -> None:
        """Every setting of the fan to the maker's."""
        for path in self.fan_files():
            write_text(path, "r")

    def set_table(self, wanted: Entries, *, whole: bool = False) -> None:
        """Set these entries and commit them. The level must be ``manual``.

        With a mask everything is sent to the card, whatever its file says: first with one value a step
        lower, so that the table differs from the one last sent.

        Args:
            wanted: Entries to set.
            whole: Nothing is committed after an edit that was refused: half of a profile may lie above what
                was found. Else the other edits are.
        Raises:
            ControlRefused: An edit was refused.
            Unsent: So that it is not known what is in force.
        """
        table = self.table()
        present = table.entries
        changes = edits({key: value for key, value in wanted.items() if present.get(key) != value}, present)
        if not table.has_mask:
            self._edit_all([*changes, "c"], whole)
            return
        target = {**present, **wanted}
        touched = {name: target[name] for name in _MASKED if name in target}
        aside = next((name for name in touched if target[name] > table.ranges[_MASKED[name]][0]), "vo")
        lower = {**touched, aside: target[aside] - 1}
        self._edit_all([*changes, *edits(lower, present), "c", *edits(touched, present), "c"], whole)

    def _edit_all(self, commands: list[str], whole: bool) -> None:
        """All of them, also after one that was refused, which is told at the end; or to the first refusal."""
        refusals = []
        for command in commands:
            try:
                self.edit(command)
            except ControlRefused as error:
                if whole:
                    raise
                cause = error.__cause__
                invalid = isinstance(cause, OSError) and cause.errno == errno.EINVAL
                refusals.append(error if invalid and command != "c" else Unsent(str(error)))
        if refusals:
            raise next((error for error in refusals if isinstance(error, Unsent)), refusals[0])

    def show_the_makers(self) -> Entries:
        """Have the table show the maker's values, in force only where a reset can't but commit them.

        There the card is held at its lowest clocks meanwhile (level ``low``), so that no clock rises.
        """
        if self.table().has_mask:
            with contextlib.suppress(ControlRefused):  # what was found may lie outside the range of its entry
                self.set_table({})  # empties the mask, so that the reset sends nothing
        if self.commits_at_reset():
            self.set_level("low")
        self.edit("r")
        return self.table().entries

    def reset(self) -> None:
        """Bring the table to the maker's values, also what the firmware holds and no file shows."""
        if not self.table().entries:
            return
        if self.table().has_mask:
            self.set_table(self.show_the_makers())
        else:
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


#: Entries of which each stands for one bit of the mask -> the range that limits it; the lowest clocks
#: share theirs with the highest.
_MASKED = {"vo": "VDDGFX_OFFSET", "mclk.1": "MCLK", "sclk.1": "SCLK", "sclk_offset": "SCLK_OFFSET"}


def watts(microwatts: int | None) -> str:
    return "unknown" if microwatts is None else f"{microwatts / 1e6:.0f} W"
