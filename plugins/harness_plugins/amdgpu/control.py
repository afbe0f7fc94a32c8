"""Tuning of an AMD card through the kernel's files: power cap, clock ceilings, lower voltage.

Nothing is ever raised above the state that was found: neither clocks nor voltage nor the power limit. A
profile starts from the maker's state, which is set first, whatever was tuned before. Every write is read
back, and later looks hold every setting of the card against what was set, not only the profile's; the way
back is a snapshot taken before the first write.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness.card import GraphicsCard, leave_alone, normal_address
from harness.errors import ControlRefused, NotInForce, PluginError, Problem, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness_plugins.amdgpu.card import LEVEL, AmdCard, CardState, watts
from harness_plugins.amdgpu.check import problems_of
from harness_plugins.amdgpu.commands import differences, raised, with_ceiling, words
from harness_plugins.amdgpu.options import AmdgpuOptions as AmdgpuOptions
from harness_plugins.amdgpu.options import options_of as options_of
from harness_plugins.amdgpu.restore import possible, put_back
from harness_plugins.amdgpu.table import Entries, highest_mhz
from harness_plugins.hwmon import sysfs
from harness_plugins.hwmon.cards import choose_card
from harness_plugins.hwmon.sysfs import Chip, find_chips, read_text

#: Clocks and power overshoot their limit for moments; the median may lie this far above.
_TOLERANCE_PCT = 3.0
#: Fewer readings than this prove nothing.
_LEAST_READINGS = 10
#: Maker's state of each card, as a reset of this program brought it: root and address -> state.
_makers: dict[tuple[Path, str], CardState] = {}


class AmdgpuControl:
    """Control ``amdgpu``. See :class:`harness.rig.Control`."""

    kind = "amdgpu"
    changes_hardware = True

    def __init__(self, root: Path | None = None, card: GraphicsCard | None = None) -> None:
        self._root = root or sysfs.ROOT
        self._plans = card
        self._in_force: tuple[ProfileSpec, CardState] | None = None

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}"
        try:
            card = self._card(options.card)
        except PluginError as error:
            return [Problem(where, str(error), "see `levelrig doctor`", of_machine=True)]
        return problems_of(card, options, where, self._root)

    def snapshot(self) -> dict[str, Any]:
        """State of the plan's card; without one of every AMD card that can be read: a profile may name any.

        Raises:
            ControlRefused: The plan's card can't be read now, so there would be no way back.
        """
        states: dict[str, Any] = {}
        for card in self._cards():
            keep_awake = card.state().keep_awake
            try:
                card.wake()
            except ControlRefused:
                if self._plans is not None:
                    raise
                continue
            states[card.address] = replace(card.state(), keep_awake=keep_awake).as_json()
        return states

    def apply(self, profile: ProfileSpec) -> None:
        self._in_force = None
        options = options_of(profile)
        card = self._card(options.card)
        card.wake()
        if problems := self.check(profile):
            raise ControlRefused("; ".join(map(str, problems)))
        found, place = card.state(), (self._root, card.address)
        maker, changes = _makers.get(place), {}
        if maker is not None and not card.unlike(maker):
            changes = _changes(options, maker.table)
            if options.uses_table:
                card.set_level("manual")
                table = {**maker.table, **changes}
                _edit(lambda: card.set_table(table, whole=True))
        else:
            maker, changes = self._from_the_makers_state(card, found, options)
        limit_w = options.power_limit_w
        if limit_w is not None:
            card.set_cap(limit_w * 1_000_000)
        expected = replace(
            maker,
            cap_uw=maker.cap_uw if limit_w is None else limit_w * 1_000_000,
            level="manual" if options.uses_table else maker.level,
            table={**maker.table, **changes},
        )
        self._in_force = profile, expected

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        card = self._card(options.card)
        card.wake()
        state, wanted = card.state(), self._wanted(profile, card, options)
        if wrong := card.unlike(wanted, _makers.get((self._root, card.address))):
            raise NotInForce(
                f"profile {profile.name}: card {card.address} reads back differently: "
                f"{'; '.join(map(str, wrong))}; another tuning program may be at work, or the driver rounds: "
                "choose a value that it keeps",
                wrong,
            )
        return {
            "card": card.address,
            "power_limit_w": None if state.cap_uw is None else state.cap_uw / 1e6,
            "core_clock_ceiling_mhz": highest_mhz(state.table, "sclk"),
            **({"core_clock_offset_mhz": state.table["sclk_offset"]} if "sclk_offset" in state.table else {}),
            "memory_clock_ceiling_mhz": highest_mhz(state.table, "mclk"),
            "voltage_offset_mv": state.table.get("vo"),
            "performance_level": state.level,
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
        """Put every card of the snapshot back, then read it back; no other one is touched.

        Without a snapshot: the plan's card, or the only one, to the maker's state. With several it can't be
        told which one was changed: those that differ from the maker's state are named, none is touched.

        Tries all steps, then tells what failed. A state that no card can have had (outside the driver's
        range, or a raised voltage) is never written: the maker's is set then, and that is told.
        """
        self._in_force = None
        present = {card.address: card for card in self._cards()}
        failures = [f"card {address} is gone" for address in snapshot if address not in present]
        doubts: list[str] = []
        if not snapshot and len(present) > 1:
            leave_alone(self.factory_deviations(), "ADDRESS", "the maker's state")
            return
        for address, card in present.items():
            if snapshot and address not in snapshot:
                continue
            try:
                card.wake()
            except ControlRefused as error:
                failures.append(str(error))
                continue
            state, refused = possible(card, snapshot.get(address, {}))
            doubts += [f"card {address}: {what}" for what in refused]
            failures += put_back(card, state)
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
            state, default_uw = card.state(), card.cap_uw("_default")
            name = f"card {card.address}"
            if default_uw is not None and state.cap_uw is not None and state.cap_uw != default_uw:
                found.append(f"{name}: power limit is {watts(state.cap_uw)}, factory {watts(default_uw)}")
            for offset, unit in (("vo", "mV"), ("sclk_offset", "MHz")):
                if state.table.get(offset):
                    found.append(f"{name}: {words(offset)} is {state.table[offset]} {unit}, factory 0 {unit}")
            if state.level not in (None, "auto"):
                found.append(f"{name}: performance level is {state.level!r}, factory 'auto'")
            maker = _makers.get((self._root, card.address))
            if maker is not None:
                known = {key: value for key, value in maker.table.items() if key not in ("vo", "sclk_offset")}
                found += [f"{name}: {text}" for text in differences(state.table, known)]
                found += [f"{name}: {text}" for text in differences(state.fan, maker.fan)]
        return found

    def _from_the_makers_state(
        self, card: AmdCard, found: CardState, options: AmdgpuOptions
    ) -> tuple[CardState, dict[str, int]]:
        """Bring the card to the maker's state with the profile's changes of the table, in one commit.

        Returns:
            The maker's state, and the changes.
        Raises:
            ControlRefused: Refused; or it would raise a clock or a voltage above the state that was found,
                which is then put back.
        """
        table: Entries = {}
        changes: dict[str, int] = {}
        tunable = bool(found.table or found.fan) and card.may_tune()
        if tunable:
            card.set_level("manual")
            card.reset_fan()
        else:
            table = found.table
        if tunable and found.table:
            table = card.show_the_makers()
            changes = _changes(options, table)
            if above := raised({**table, **changes}, found.table):
                card.set_table(found.table)
                put_back(card, found)
                what = ", ".join(dict.fromkeys(map(words, above)))
                raise ControlRefused(
                    f"card {card.address} was found tuned below the maker's state ({what}), from which a "
                    "profile starts; nothing is raised above the state found. Put it back with the program "
                    "that tuned it, or by `levelrig restore`"
                )
            _edit(lambda: card.set_table({**table, **changes}, whole=True))
            if card.commits_at_reset():
                card.set_level("manual")
        default_uw = card.cap_uw("_default")
        if default_uw is not None and found.cap_uw is not None and default_uw < found.cap_uw:
            card.set_cap(default_uw)
        level, may_set = read_text(card.chip.device / LEVEL), card.may_set_level()
        if not options.uses_table and level not in (None, "auto") and may_set:
            card.set_level("auto")
        level = "auto" if level is not None and may_set else found.level
        maker = CardState(default_uw or found.cap_uw, level, dict(table), card.fan())
        _makers[self._root, card.address] = maker
        return maker, changes

    def _wanted(self, profile: ProfileSpec, card: AmdCard, options: AmdgpuOptions) -> CardState:
        """All that should be in force; what the profile states, where another program has applied it."""
        if self._in_force is not None and self._in_force[0] == profile:
            return self._in_force[1]
        limit_w = options.power_limit_w
        return CardState(
            cap_uw=None if limit_w is None else limit_w * 1_000_000,
            level="manual" if options.uses_table else None,
            table=_changes(options, card.table().entries),
        )

    def _cards(self) -> list[AmdCard]:
        return [AmdCard(chip) for chip in self._chips()]

    def _chips(self) -> list[Chip]:
        """AMD cards; of a plan its own alone."""
        wanted = None if self._plans is None else self._plans.address
        chips = [chip for chip in find_chips(self._root) if chip.name == "amdgpu"]
        return [chip for chip in chips if wanted in (None, chip.address)]

    def _card(self, wanted: str | None) -> AmdCard:
        """The plan's card, which all its words mean; without one the card of this address."""
        chips = self._chips()
        chip = choose_card(
            chips, None if self._plans is not None or wanted is None else normal_address(wanted)
        )
        if chip is None:
            if self._plans is not None and "amdgpu" not in self._plans.controls:
                raise PluginError(
                    f"this control tunes AMD cards, and the card of this plan is {self._plans}; name the AMD "
                    "card as card under [rig], or use its own control"
                )
            there = ", ".join(c.address for c in chips) or "none"
            raise PluginError(
                f"no AMD card {wanted or ''} in this machine (there: {there})".replace("  ", " ")
            )
        return AmdCard(chip)


def _edit(act: Callable[[], None]) -> None:
    """Edit the table and commit it, with a word on what a refusal may mean."""
    try:
        act()
    except ControlRefused as error:
        raise ControlRefused(
            f"{error}. For a highest clock the driver shows the lowest value of the lowest clock only; its "
            "own may lie higher"
        ) from error


def _changes(options: AmdgpuOptions, entries: Entries) -> dict[str, int]:
    """Entries that the profile changes, from these."""
    changes: dict[str, int] = {}
    if options.core_clock_ceiling_mhz is not None:
        changes |= with_ceiling(entries, "sclk", options.core_clock_ceiling_mhz)
    if options.memory_clock_ceiling_mhz is not None:
        changes |= with_ceiling(entries, "mclk", options.memory_clock_ceiling_mhz)
    if options.core_clock_offset_mhz is not None:
        changes["sclk_offset"] = options.core_clock_offset_mhz
    if options.voltage_offset_mv is not None:
        changes["vo"] = options.voltage_offset_mv
    return changes


def _above(limit: int | None, readings: Sequence[float], name: str, unit: str) -> list[str]:
    if limit is None or len(readings) < _LEAST_READINGS:
        return []
    median = statistics.median(readings)
    if median <= limit * (1 + _TOLERANCE_PCT / 100):
        return []
    return [f"{name} under load is {median:.0f} {unit} in the median, above the profile's {limit} {unit}"]
