"""Power limit of an Intel card through the kernel's files.

Sources (6.12 unless said otherwise): ``Documentation/ABI/testing/sysfs-driver-intel-xe-hwmon`` and
``…-intel-i915-hwmon``: ``power1_max`` is the sustained limit of the card, ``power2_max`` that of the package,
microwatts; 0 there means no limit at all, so 0 is never written; ``powerN_rated_max`` is the maker's. Which
of the two a card has: ``drivers/gpu/drm/xe/xe_hwmon.c`` lines 81-139. Any value is taken, and one outside
what the chip supports is shown clamped (``xe_hwmon.c`` lines 141-146, ``i915/i915_hwmon.c`` lines 367-372).
"""

from __future__ import annotations

import os
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from harness.card import GraphicsCard, leave_alone, normal_address
from harness.errors import ControlRefused, Difference, NotInForce, Problem
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness_plugins.hwmon.graphics import Graphics, find_graphics
from harness_plugins.hwmon.intel import numbered
from harness_plugins.hwmon.sysfs import read_number, write_text

#: The hardware counts in steps of its own; a limit reads back within this share of what was asked.
_ROUNDING_PCT = 1.0
_TOLERANCE_PCT = 5.0
_LEAST_READINGS = 10
_NO_RAISE = "nothing is raised above the state found"
SCOPES = {"card": "the whole card", "pkg": "the package"}


class IntelgpuOptions(BaseModel):
    """Plan keys of ``control = "intelgpu"``."""

    BEARS: ClassVar[str] = "*"

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid")

    power_limit_w: int = Field(
        gt=0, description="sustained power limit of the card, at most the maker's and the one that is found"
    )
    card: str | None = Field(None, description="PCI address of the card; the same as card under [rig]")


@dataclass(frozen=True)
class Limit:
    """The power limit of one card.

    Attributes:
        card: The card.
        path: The file of its limit.
        scope: What it holds for: ``card`` or ``pkg``.
        measured: The driver's energy counter is of the same scope, so power can be held against the limit.
    """

    card: Graphics
    path: Path
    scope: str
    measured: bool

    @property
    def address(self) -> str:
        return self.card.address

    @property
    def rated_uw(self) -> int | None:
        """The maker's limit; None where the driver does not tell it."""
        return read_number(self.path.with_name(self.path.name.replace("_max", "_rated_max"))) or None

    def now_uw(self) -> int | None:
        """The limit; 0 is none; None where it can't be read."""
        return read_number(self.path)

    @property
    def highest_uw(self) -> int | None:
        """The highest that a profile may set: the maker's limit, or the lower one that is in force."""
        now_uw, rated_uw = self.now_uw(), self.rated_uw
        return rated_uw if not now_uw or not rated_uw or _same(now_uw, rated_uw) else min(now_uw, rated_uw)


def limit_of(card: Graphics) -> Limit | None:
    """The card's own limit where the driver has one, else its package's."""
    if card.chip is None:
        return None
    found: dict[str, list[str]] = {
        kind: [
            scope
            for scope in SCOPES
            if (stem := numbered(card.chip, kind, scope))
            and read_number(card.chip.folder / f"{stem}{suffix}") is not None
        ]
        for kind, suffix in (("power", "_max"), ("energy", "_input"))
    }
    if not found["power"]:
        return None
    scope = found["power"][0]
    path = card.chip.folder / f"{numbered(card.chip, 'power', scope)}_max"
    return Limit(card, path, scope, found["energy"][:1] == [scope])


class IntelgpuControl:
    """Control ``intelgpu``. See :class:`harness.rig.Control`.

    Args:
        root: Where the kernel's files are; default: the system's.
        card: The card of the plan; None: whichever a profile or snapshot names.
    """

    kind = "intelgpu"
    changes_hardware = True

    def __init__(self, root: Path | None = None, card: GraphicsCard | None = None) -> None:
        self._root = root
        self._plans = card

    def cards(self) -> list[Limit]:
        """Intel cards that have a power limit; of a plan its own alone."""
        limits = [limit_of(card) for card in find_graphics(self._root) if card.driver in ("xe", "i915")]
        wanted = None if self._plans is None else self._plans.address
        return [limit for limit in limits if limit is not None and wanted in (None, limit.address)]

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}.power_limit_w"
        limit = self._find(options.card)
        if limit is None:
            return [self._why_none(options.card, where)]
        rated_uw = limit.rated_uw
        if not rated_uw:
            what = f"card {limit.address} does not tell the maker's limit, so there is no way back"
            return [Problem(where, what, "leave it out here")]
        highest_uw = limit.highest_uw or rated_uw
        if options.power_limit_w * 1_000_000 > highest_uw:
            whose = "the maker's limit" if highest_uw == rated_uw else "the limit that was found"
            what = f"{options.power_limit_w} W is above {whose} of {SCOPES[limit.scope]}"
            return [Problem(where, what, f"choose from 1 to {highest_uw // 1_000_000} W; {_NO_RAISE}")]
        if not os.access(limit.path, os.W_OK):
            remedy = "run as root, or let the machine's owner grant your group that right by a udev rule"
            what = f"{limit.path} can't be written by this user"
            return [Problem(where, what, remedy, of_machine=True)]
        return []

    def _why_none(self, wanted: str | None, where: str) -> Problem:
        if self._plans is not None and "intelgpu" not in self._plans.controls:
            what = f"this control tunes Intel cards, and the card of this plan is {self._plans}"
            remedy = "name the Intel card as card under [rig], or use its own control"
            return Problem(where, what, remedy, of_machine=True)
        there = ", ".join(limit.address for limit in self.cards()) or "none"
        what = f"no Intel card {wanted or 'with a power limit'} in this machine (there: {there})"
        if self._plans is not None:
            what = f"the driver {self._plans.driver} of this kernel shows no power limit of {self._plans}"
        return Problem(where, what, "see `levelrig doctor`", of_machine=True)

    def snapshot(self) -> dict[str, Any]:
        return {limit.address: limit.now_uw() for limit in self.cards()}

    def apply(self, profile: ProfileSpec) -> None:
        """Write the limit. A value that the hardware does not keep is taken back and refused for good."""
        if problems := self.check(profile):
            raise ControlRefused("; ".join(map(str, problems)))
        options = options_of(profile)
        limit, wanted_uw = self._card(options.card), options.power_limit_w * 1_000_000
        before_uw = limit.now_uw()
        _write_limit(limit, wanted_uw)
        seen_uw = limit.now_uw()
        if seen_uw and not _same(seen_uw, wanted_uw):
            _write_limit(limit, before_uw or limit.rated_uw or seen_uw)
            bound = "least" if seen_uw > wanted_uw else "most"
            raise ControlRefused(
                f"profile {profile.name}: card {limit.address} clamps its power limit: "
                f"{options.power_limit_w} W was taken and {seen_uw / 1e6:g} W is in force, the {bound} that "
                f"it keeps; choose at {bound} {seen_uw / 1e6:g} W (the maker's limit is "
                f"{(limit.rated_uw or 0) / 1e6:g} W)",
                permanent=True,
            )

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        limit = self._card(options.card)
        seen_uw, rated_uw = limit.now_uw(), limit.rated_uw
        if not _same(seen_uw, options.power_limit_w * 1_000_000):
            seen = "not readable" if seen_uw is None else f"{seen_uw / 1e6:g} W" if seen_uw else "off"
            found = "off" if seen_uw == 0 else None if seen_uw is None else seen_uw / 1e6
            raise NotInForce(
                f"profile {profile.name}: the power limit of card {limit.address} is {seen}, not "
                f"{options.power_limit_w} W",
                [Difference("power limit", options.power_limit_w, found, rated_uw and rated_uw / 1e6, "W")],
            )
        return {
            "card": limit.address,
            "power_limit_w": seen_uw / 1e6 if seen_uw is not None else None,
            "limit_of": SCOPES[limit.scope],
        }

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        """The power of a card can't be held against the limit of its package: that proves nothing."""
        limit = self._find(options_of(profile).card)
        limit_w = options_of(profile).power_limit_w
        power = readings.get("power_w") or readings.get("power_average_w") or ()
        if limit is not None and not limit.measured:
            return []
        if len(power) < _LEAST_READINGS or statistics.median(power) <= limit_w * (1 + _TOLERANCE_PCT / 100):
            return []
        return [f"power under load is {statistics.median(power):.0f} W in the median, above {limit_w} W"]

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put the cards of the snapshot back, and no other one; then read back.

        Without a snapshot: the plan's card, or the only one, to the maker's limit. A limit that was off
        before comes back as the maker's limit: 0 is never written, nor anything above the maker's limit.
        """
        present = {limit.address: limit for limit in self.cards()}
        failures = [f"card {address} is gone" for address in snapshot if address not in present]
        touched = {a: limit for a, limit in present.items() if a in snapshot} if snapshot else present
        if not snapshot and len(present) > 1:
            leave_alone(self.factory_deviations(), "ADDRESS", "the maker's limit")
            return
        for address, limit in touched.items():
            before_uw, rated_uw = snapshot.get(address), limit.rated_uw
            wanted_uw = rated_uw
            if type(before_uw) is int and 0 < before_uw <= (rated_uw or before_uw):
                wanted_uw = before_uw
            seen_uw = limit.now_uw()
            if wanted_uw is None or seen_uw == wanted_uw or (seen_uw == 0 == before_uw):
                continue  # without a maker's limit nothing was changed here, see check
            try:
                _write_limit(limit, wanted_uw)
            except ControlRefused as error:
                failures.append(str(error))
                continue
            if not _same(limit.now_uw(), wanted_uw):
                failures.append(f"card {address} keeps another limit than {wanted_uw / 1e6:.0f} W")
        if failures:
            raise ControlRefused(
                f"not restored: {'; '.join(failures)}; a restart puts the maker's limit back"
            )

    def factory_deviations(self) -> list[str]:
        """Cards whose limit differs from the maker's."""
        found = []
        for limit in self.cards():
            limit_uw, rated_uw = limit.now_uw(), limit.rated_uw
            if limit_uw and rated_uw and not _same(limit_uw, rated_uw):
                found.append(
                    f"card {limit.address}: power limit is {limit_uw / 1e6:.0f} W, "
                    f"factory {rated_uw / 1e6:.0f} W"
                )
        return found

    def _find(self, wanted: str | None) -> Limit | None:
        """The plan's card, which all its words mean; without one the card of this address."""
        address = None if self._plans is not None or wanted is None else normal_address(wanted)
        return next((limit for limit in self.cards() if address in (None, limit.address)), None)

    def _card(self, wanted: str | None) -> Limit:
        limit = self._find(wanted)
        if limit is None:
            raise ControlRefused("the Intel card is gone; was its driver reloaded? See `levelrig doctor`")
        return limit


def options_of(profile: ProfileSpec) -> IntelgpuOptions:
    """The profile's keys, as this control understands them."""
    return IntelgpuOptions.model_validate(profile.options)


def _write_limit(limit: Limit, limit_uw: int) -> None:
    if limit_uw <= 0:
        raise ControlRefused(f"card {limit.address}: 0 would switch the power limit off; it is never written")
    write_text(limit.path, str(limit_uw))


def _same(seen_uw: int | None, wanted_uw: int) -> bool:
    return seen_uw is not None and abs(seen_uw - wanted_uw) <= wanted_uw * _ROUNDING_PCT / 100
