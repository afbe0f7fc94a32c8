"""Power limit of an Intel card through the kernel's files.

Source: the kernel's ``Documentation/ABI/testing/sysfs-driver-intel-xe-hwmon`` and ``…-intel-i915-hwmon``:
``power1_max`` is the sustained limit in microwatts, and 0 there means no limit at all, so 0 is never written;
``power1_rated_max`` is the maker's.
"""

from __future__ import annotations

import os
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from harness.errors import ControlRefused, Problem
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness_plugins.hwmon.sysfs import ROOT, Chip, find_chips, read_number, write_text

_LIMIT, _RATED = "power1_max", "power1_rated_max"
#: The hardware counts in steps of its own; a limit reads back within this share of what was asked.
_ROUNDING_PCT = 1.0
_TOLERANCE_PCT = 5.0
_LEAST_READINGS = 10


class IntelgpuOptions(BaseModel):
    """Plan keys of ``control = "intelgpu"``."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, extra="forbid")

    power_limit_w: int = Field(gt=0, description="sustained power limit of the card, at most the maker's")
    card: str | None = Field(None, description="PCI address of the card; default: the first with a limit")


class IntelgpuControl:
    """Control ``intelgpu``. See :class:`harness.rig.Control`."""

    kind = "intelgpu"
    changes_hardware = True

    def __init__(self, root: Path = ROOT) -> None:
        self._root = root

    def cards(self) -> list[Chip]:
        """Intel cards that have a power limit."""
        chips = [chip for chip in find_chips(self._root) if chip.name in ("xe", "i915")]
        return [chip for chip in chips if read_number(chip.folder / _LIMIT) is not None]

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}.power_limit_w"
        card = self._find(options.card)
        if card is None:
            there = ", ".join(c.address for c in self.cards()) or "none"
            what = f"no Intel card {options.card or 'with a power limit'} in this machine (there: {there})"
            return [Problem(where, what, "see `levelrig doctor`", of_machine=True)]
        rated_uw = read_number(card.folder / _RATED)
        if not rated_uw:
            what = f"card {card.address} does not tell the maker's limit, so there is no way back"
            return [Problem(where, what, "leave it out here")]
        if options.power_limit_w * 1_000_000 > rated_uw:
            what = f"{options.power_limit_w} W is above the maker's limit"
            return [Problem(where, what, f"choose from 1 to {rated_uw // 1_000_000} W")]
        path = card.folder / _LIMIT
        if not os.access(path, os.W_OK):
            remedy = "run as root, or let the machine's owner grant your group that right by a udev rule"
            return [Problem(where, f"{path} can't be written by this user", remedy, of_machine=True)]
        return []

    def snapshot(self) -> dict[str, Any]:
        return {card.address: read_number(card.folder / _LIMIT) for card in self.cards()}

    def apply(self, profile: ProfileSpec) -> None:
        if problems := self.check(profile):
            raise ControlRefused("; ".join(map(str, problems)))
        options = options_of(profile)
        _write_limit(self._card(options.card), options.power_limit_w * 1_000_000)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        card = self._card(options.card)
        seen_uw = read_number(card.folder / _LIMIT)
        if not _same(seen_uw, options.power_limit_w * 1_000_000):
            seen = "not readable" if seen_uw is None else f"{seen_uw / 1e6:.0f} W"
            raise ControlRefused(
                f"profile {profile.name}: the power limit of card {card.address} is {seen}, not "
                f"{options.power_limit_w} W; another tuning program may be at work"
            )
        return {"card": card.address, "power_limit_w": seen_uw / 1e6 if seen_uw is not None else None}

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        limit_w = options_of(profile).power_limit_w
        power = readings.get("power_w") or readings.get("power_average_w") or ()
        if len(power) < _LEAST_READINGS or statistics.median(power) <= limit_w * (1 + _TOLERANCE_PCT / 100):
            return []
        return [f"power under load is {statistics.median(power):.0f} W in the median, above {limit_w} W"]

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put every card of the snapshot back, every other one to the maker's limit; then read back.

        A limit that was off before comes back as the maker's limit: 0 is never written, nor anything above
        the maker's limit.
        """
        present = {card.address: card for card in self.cards()}
        failures = [f"card {address} is gone" for address in snapshot if address not in present]
        for address, card in present.items():
            before_uw, rated_uw = snapshot.get(address), read_number(card.folder / _RATED)
            wanted_uw = rated_uw
            if type(before_uw) is int and 0 < before_uw <= (rated_uw or before_uw):
                wanted_uw = before_uw
            seen_uw = read_number(card.folder / _LIMIT)
            if wanted_uw is None or seen_uw == wanted_uw or (seen_uw == 0 == before_uw):
                continue  # without a maker's limit nothing was changed here, see check
            try:
                _write_limit(card, wanted_uw)
            except ControlRefused as error:
                failures.append(str(error))
                continue
            if not _same(read_number(card.folder / _LIMIT), wanted_uw):
                failures.append(f"card {address} keeps another limit than {wanted_uw / 1e6:.0f} W")
        if failures:
            raise ControlRefused(
                f"not restored: {'; '.join(failures)}; a restart puts the maker's limit back"
            )

    def factory_deviations(self) -> list[str]:
        """Cards whose limit differs from the maker's."""
        found = []
        for card in self.cards():
            limit_uw, rated_uw = read_number(card.folder / _LIMIT), read_number(card.folder / _RATED)
            if limit_uw and rated_uw and not _same(limit_uw, rated_uw):
                found.append(
                    f"card {card.address}: power limit is {limit_uw / 1e6:.0f} W, "
                    f"factory {rated_uw / 1e6:.0f} W"
                )
        return found

    def _find(self, wanted: str | None) -> Chip | None:
        return next((card for card in self.cards() if wanted in (None, card.address)), None)

    def _card(self, wanted: str | None) -> Chip:
        card = self._find(wanted)
        if card is None:
            raise ControlRefused("the Intel card is gone; was its driver reloaded? See `levelrig doctor`")
        return card


def options_of(profile: ProfileSpec) -> IntelgpuOptions:
    """The profile's keys, as this control understands them."""
    return IntelgpuOptions.model_validate(profile.options)


def _write_limit(card: Chip, limit_uw: int) -> None:
    if limit_uw <= 0:
        raise ControlRefused(f"card {card.address}: 0 would switch the power limit off; it is never written")
    write_text(card.folder / _LIMIT, str(limit_uw))


def _same(seen_uw: int | None, wanted_uw: int) -> bool:
    return seen_uw is not None and abs(seen_uw - wanted_uw) <= wanted_uw * _ROUNDING_PCT / 100
