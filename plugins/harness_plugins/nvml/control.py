"""Control ``nvml``: power limit, clock ceilings and clock offsets of an NVIDIA card.

Every value is checked against the range that the driver reports before the driver is asked to set it; every
setter's return code is checked; what has a getter is read back; a clock ceiling, which has none, is proved by
the clocks seen under load. There is no voltage control in this interface: a card runs at a lower voltage when
the curve is shifted up by an offset and the clock is held by a ceiling.
"""

from __future__ import annotations

import contextlib
import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from harness.card import GraphicsCard, leave_alone
from harness.errors import ControlRefused, Difference, NotInForce, Problem, RestoreUnproven
from harness.plan.schema import ProfileSpec
from harness.rig import Launch
from harness_plugins.nvml import proof
from harness_plugins.nvml.card import Card, installed_cards
from harness_plugins.nvml.codes import (
    NO_CARD_HERE,
    NO_PERMISSION,
    NOT_FOUND,
    NOT_SUPPORTED,
    UNKNOWN,
    CallFailed,
)
from harness_plugins.nvml.library import GRAPHICS_CLOCK, MEMORY_CLOCK, ClockOffset
from harness_plugins.nvml.options import NvmlProfile
from harness_plugins.nvml.privilege import REMEDY, may_change_settings

#: A clock moves in steps of about 15 MHz; a reading this far above the ceiling is still that ceiling.
CLOCK_STEP_MHZ = 15
#: Mean power under load above the limit by more than this share shows that the limit is not in force.
POWER_TOLERANCE = 0.05
#: Share of the first readings that is left out: the load and the limit need a moment to settle.
SETTLING_SHARE = 0.25

#: What an older generation lacks. Source: NVML API reference on nvmlDeviceSetGpuLockedClocks (Volta or newer)
#: and nvmlDeviceSetClockOffsets (Maxwell or newer); nvmlDeviceSetMemoryLockedClocks (Ampere): from memory.
_FIRST_GENERATION = {
    "core_clock_ceiling_mhz": (5, "Volta"),
    "memory_clock_ceiling_mhz": (7, "Ampere"),
    "core_clock_offset_mhz": (3, "Maxwell"),
    "memory_clock_offset_mhz": (3, "Maxwell"),
}
_UNKNOWN_GENERATION = 0xFFFFFFFF
#: nvmlGpuVirtualizationMode_t -> why its settings are not this machine's or this run's alone.
_SHARED = {
    2: "it is a share of a card (vGPU): its settings belong to the machine that hands it out",
    3: "shares of it are given to virtual machines (vGPU), which would all be tuned and measured together",
    4: "it is shared out to virtual machines (vSGA), which would all be tuned and measured together",
}
_SETTINGS = {
    "power_limit_w": ("power limit", "W"),
    "core_clock_offset_mhz": ("core clock offset", "MHz"),
    "memory_clock_offset_mhz": ("memory clock offset", "MHz"),
}

_OFFSETS = (("core_clock_offset_mhz", GRAPHICS_CLOCK), ("memory_clock_offset_mhz", MEMORY_CLOCK))


class NvmlControl:
    """See :class:`harness.rig.Control`.

    Args:
        find_cards: Opens every card of the machine. Raises CallFailed.
        privileged: Whether settings may be changed by this process.
        card: The card of the plan, the only one that is touched. None: the only one of the machine, or in a
            restore those that the snapshot names.
        short_load: Loads a card shortly, so that its clocks show.
    """

    kind = "nvml"
    changes_hardware = True

    def __init__(
        self,
        find_cards: Callable[[], Sequence[Card]] = installed_cards,
        privileged: Callable[[], bool] = may_change_settings,
        card: GraphicsCard | None = None,
        short_load: proof.ShortLoad = proof.short_load,
    ) -> None:
        self._find_cards = find_cards
        self._privileged = privileged
        self._plans = card
        self._short_load = short_load
        self._ceilings_mhz: set[float] = set()
        self._found: dict[str, dict[str, Any]] = {}
        self._mine: Card | None = None

    def check(self, profile: ProfileSpec) -> list[Problem]:
        where = f"profiles.{profile.name}"
        try:
            wanted = NvmlProfile.model_validate(profile.options)
        except ValidationError as error:
            keys = ", ".join(k for k in NvmlProfile.model_fields)
            return [
                Problem(
                    f"{where}.{issue['loc'][0] if issue['loc'] else ''}", issue["msg"], f"keys are {keys}"
                )
                for issue in error.errors()
            ]
        if self._plans is not None and "nvml" not in self._plans.controls:
            what = f"this control tunes NVIDIA cards, and the card of this plan is {self._plans}"
            remedy = "name the NVIDIA card as card under [rig], or use its own control"
            return [Problem(where, what, remedy, of_machine=True)]
        self._ceilings_mhz |= {
            c for c in (wanted.core_clock_ceiling_mhz, wanted.memory_clock_ceiling_mhz) if c
        }
        try:
            card = self._card()
            problems = card.answered(
                lambda: (
                    _why_not_ours(card, where)
                    or _of_another_generation(card, wanted, where)
                    or _out_of_range(card, wanted, where)
                )
            )
        except CallFailed as error:
            return [Problem(where, str(error), "see `levelrig doctor`", of_machine=True)]
        if not self._privileged():
            what = "changing a card's settings needs privilege"
            problems.append(Problem(where, what, REMEDY, of_machine=True))
        return problems

    def _card(self) -> Card:
        """The card of the plan, once found wherever it is listed by then. Raises CallFailed."""
        if self._mine is not None:
            return self._mine
        cards = self._find_cards()
        if self._plans is not None:
            cards = [card for card in cards if card.uuid == self._plans.identity]
        if len(cards) != 1:
            raise CallFailed("nvmlDeviceGetHandleByUUID", NOT_FOUND)
        self._mine = cards[0]
        return self._mine

    def snapshot(self) -> dict[str, Any]:
        """State of the card, by its identity: JSON values, what the card lacks is left out.

        Where a profile has a clock ceiling, the clocks under a short load stand there too: nothing else shows
        later that the ceiling is off.
        """
        try:
            card = self._card()
            state = card.answered(lambda: _state(card))
            if self._ceilings_mhz:
                if card.uuid not in self._found:
                    self._found[card.uuid] = self._clocks_as_found(card)
                state |= self._found[card.uuid]
        except CallFailed as error:
            raise _refused("the state of the card can't be read", error) from error
        return {"cards": {card.uuid: state}}

    def _clocks_as_found(self, card: Card) -> dict[str, Any]:
        found: dict[str, Any] = {"ceilings_mhz": sorted(self._ceilings_mhz)}
        try:
            return found | dict(proof.clocks_under_load(card, self._short_load).mhz)
        except proof.NoLoad as error:
            return found | {"no_load": str(error)}

    def apply(self, profile: ProfileSpec) -> None:
        """Set what the profile asks for. On a refusal the card is put back before the error is raised."""
        problems = self.check(profile)
        if problems:
            raise ControlRefused("; ".join(str(problem) for problem in problems))
        wanted = NvmlProfile.model_validate(profile.options)
        try:
            card = self._card()
        except CallFailed as error:
            raise _refused(f"profile {profile.name} could not be applied", error) from error
        try:
            card.answered(lambda: self._set(card, wanted))
        except CallFailed as error:
            refusal = _refused(f"profile {profile.name} could not be applied", error)
            if failures := self._restore(card, {}):
                raise ControlRefused(
                    f"{refusal}; nor could the card be put back: {'; '.join(failures)}"
                ) from error
            raise refusal from error

    def _set(self, card: Card, wanted: NvmlProfile) -> None:
        """Bring the card to the maker's state, then set what is wanted. Raises CallFailed, ControlRefused."""
        if failures := self._restore(card, {}):
            raise ControlRefused("; ".join(failures))
        library, handle = card.library, card.handle
        if wanted.power_limit_w is not None:
            library.set_power_limit_mw(handle, round(wanted.power_limit_w * 1000))
        if wanted.core_clock_ceiling_mhz is not None:
            floor = wanted.core_clock_floor_mhz or _clock_range(card)[0]
            library.lock_core_clocks_mhz(handle, floor, wanted.core_clock_ceiling_mhz)
        if wanted.memory_clock_ceiling_mhz is not None:
            floor = min(library.supported_memory_clocks_mhz(handle))
            library.lock_memory_clocks_mhz(handle, floor, wanted.memory_clock_ceiling_mhz)
        for key, clock in _OFFSETS:
            offset_mhz = getattr(wanted, key)
            if offset_mhz is not None:
                library.set_clock_offset_mhz(handle, clock, offset_mhz)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        wanted = NvmlProfile.model_validate(profile.options)
        try:
            card = self._card()
            state, enforced_mw = card.answered(lambda: (_state(card), card.ask("enforced_power_limit_mw")))
        except CallFailed as error:
            raise _refused(f"profile {profile.name} can't be read back", error) from error
        expected: dict[str, Any] = {key: getattr(wanted, key) or 0 for key, _ in _OFFSETS if key in state}
        if "power_limit_w" in state:
            expected["power_limit_w"] = wanted.power_limit_w or state["factory_power_limit_w"]
        differing = {key: value for key, value in expected.items() if abs(state[key] - value) > 0.001}
        wrong = [f"{key} is {state.get(key)} instead of {value}" for key, value in differing.items()]
        factory = {"power_limit_w": state.get("factory_power_limit_w")}
        differences = [
            Difference(_SETTINGS[key][0], value, state[key], factory.get(key, 0), _SETTINGS[key][1])
            for key, value in differing.items()
        ]
        asked_w = expected.get("power_limit_w")
        if enforced_mw is not None and asked_w is not None and enforced_mw / 1000 > asked_w + 0.001:
            wrong.append(f"the limit in force is {enforced_mw / 1000:g} W instead of {asked_w:g} W")
            if "power_limit_w" not in differing:
                differences.append(Difference("power limit in force", asked_w, enforced_mw / 1000, unit="W"))
        if wrong:
            raise NotInForce(
                f"profile {profile.name} is not in force: {'; '.join(wrong)}; "
                "end every other tuning program and start again",
                differences,
            )
        if enforced_mw is not None:
            state["enforced_power_limit_w"] = enforced_mw / 1000
        for key in ("core_clock_ceiling_mhz", "core_clock_floor_mhz", "memory_clock_ceiling_mhz"):
            if (value := getattr(wanted, key)) is not None:
                state[key] = value  # accepted by the driver, which has no way to read it; proved under load
        return state

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        wanted = NvmlProfile.model_validate(profile.options)
        found = []
        for quantity, ceiling_mhz in (
            ("core_clock_mhz", wanted.core_clock_ceiling_mhz),
            ("memory_clock_mhz", wanted.memory_clock_ceiling_mhz),
        ):
            settled = _settled(readings.get(quantity, ()))
            if (
                ceiling_mhz is not None
                and settled
                and statistics.median(settled) > ceiling_mhz + CLOCK_STEP_MHZ
            ):
                found.append(
                    f"{quantity} is {statistics.median(settled):.0f} under a ceiling of {ceiling_mhz}"
                )
        settled = _settled(readings.get("power_w", ()))
        if wanted.power_limit_w is not None and settled:
            mean_w = statistics.fmean(settled)
            if mean_w > wanted.power_limit_w * (1 + POWER_TOLERANCE):
                found.append(f"mean power is {mean_w:.0f} W under a limit of {wanted.power_limit_w:g} W")
        return found

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put the cards of the snapshot back as they were found, and read back; no other card is touched.

        Without a snapshot: the plan's card, or the only one, to the maker's state. With several it can't be
        told which one was changed: those that differ from the maker's state are named, none is touched.

        A value outside the range that the driver reports is not the state of a card: the maker's is set then.
        Clock ceilings have no getter: they are always taken off, and the clocks under a short load, held
        against those that were seen before the first change, show it. Tries everything before it raises.
        """
        failures: list[str] = []
        doubts: list[str] = []
        states = snapshot.get("cards")
        found = states.values() if isinstance(states, Mapping) else ()
        known = {s["uuid"]: s for s in found if isinstance(s, Mapping) and isinstance(s.get("uuid"), str)}
        try:
            cards = {card.uuid: card for card in self._find_cards()}
        except CallFailed as error:
            if not snapshot and error.code in NO_CARD_HERE:
                return None
            raise _refused("the cards can't be opened to restore them", error) from error
        if not known:
            mine = [uuid for uuid in cards if self._plans is None or uuid == self._plans.identity]
            if len(mine) > 1:
                return self._leave_alone([cards[uuid] for uuid in mine])
            known = {uuid: {} for uuid in mine}
        for uuid, before in known.items():
            if uuid not in cards:
                failures.append(f"card {uuid} is gone, so it can't be put back")
                continue
            wrong = self._restore(cards[uuid], before)
            failures += wrong
            if not wrong and "ceilings_mhz" in before:
                still, unproven = self._proven_off(cards[uuid], before)
                failures += still
                doubts += unproven
        if failures:
            raise ControlRefused("; ".join(failures))
        if doubts:
            raise RestoreUnproven("; ".join(doubts))
        return None

    @staticmethod
    def _leave_alone(cards: Sequence[Card]) -> None:
        """Several cards, and no record of what was changed: say what is seen. Raises ControlRefused."""
        try:
            tuned = [sentence for card in cards for sentence in card.deviations()]
        except CallFailed as error:
            raise _refused("the cards can't be read", error) from error
        leave_alone(tuned, "UUID", "the maker's state")

    def _proven_off(self, card: Card, before: Mapping[str, Any]) -> tuple[list[str], list[str]]:
        """What shows that a ceiling is still in force, and what can't be proven."""
        try:
            if "no_load" in before:
                raise proof.NoLoad(str(before["no_load"]))
            seen = proof.clocks_under_load(card, self._short_load)
        except (proof.NoLoad, CallFailed) as error:
            return [], [f"{card}: clock ceilings were taken off, and no short load can prove it: {error}"]
        known = before["ceilings_mhz"]
        ceilings = [c for c in known if _is_number(c)] if isinstance(known, list) else []
        failures, doubts = proof.judged(before, seen, ceilings)
        return [f"{card}: {text}" for text in failures], [f"{card}: {text}" for text in doubts]

    def _restore(self, card: Card, before: Mapping[str, Any]) -> list[str]:
        library, failures = card.library, []
        with contextlib.suppress(CallFailed):  # a driver that was reset knows the card by another handle
            card.answered(lambda: card.ask("power_limit_mw"))
        try:
            handle = card.handle
        except CallFailed as error:
            return [str(_refused(f"{card} could not be put back", error))]

        def attempt(words: str, call: Callable[..., Any], *arguments: Any) -> Any:
            try:
                return call(*arguments)
            except CallFailed as error:
                if not error.absent:
                    failures.append(str(_refused(f"{card}: {words} could not be put back", error)))
                return None

        for key, clock in _OFFSETS:
            offset = attempt(key, card.ask, "clock_offset", clock)
            target_mhz = _offset_to_restore(offset, before.get(key))
            if offset is not None and offset.offset_mhz != target_mhz:
                attempt(key, library.set_clock_offset_mhz, handle, clock, target_mhz)
                offset = attempt(key, card.ask, "clock_offset", clock)
                if offset is not None and offset.offset_mhz != target_mhz:
                    failures.append(f"{card}: {key} is still {offset.offset_mhz:+d} MHz")
        attempt("core clock ceiling", library.unlock_core_clocks, handle)
        attempt("memory clock ceiling", library.unlock_memory_clocks, handle)
        limit_mw = attempt("power limit", card.ask, "power_limit_mw")
        target_mw = attempt("power limit", self._limit_to_restore_mw, card, before.get("power_limit_w"))
        if target_mw is not None and limit_mw != target_mw:
            attempt("power limit", library.set_power_limit_mw, handle, target_mw)
            limit_mw = attempt("power limit", card.ask, "power_limit_mw")
            if limit_mw != target_mw and not failures:
                seen = "can't be read" if limit_mw is None else f"is still {limit_mw / 1000:g} W"
                failures.append(f"{card}: the power limit {seen}")
        return failures

    @staticmethod
    def _limit_to_restore_mw(card: Card, before_w: Any) -> int | None:
        """The limit that was found, if it can have been; else the maker's; None for a card without limits."""
        limits = card.ask("power_limit_range_mw")
        if _is_number(before_w) and limits and limits[0] <= round(before_w * 1000) <= limits[1]:
            before_mw: int = round(before_w * 1000)
            return before_mw
        default_mw: int | None = card.ask("default_power_limit_mw")
        return default_mw


def _offset_to_restore(offset: ClockOffset | None, before_mhz: Any) -> int:
    """The offset that was found, if it can have been; else none."""
    if offset is None or not _is_number(before_mhz):
        return 0
    return int(before_mhz) if offset.least_mhz <= before_mhz <= offset.most_mhz else 0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _state(card: Card) -> dict[str, Any]:
    """What can be read of the settings, JSON values; what the card lacks is left out. Raises CallFailed."""
    state: dict[str, Any] = {"uuid": card.uuid}
    limit_mw, factory_mw = card.ask("power_limit_mw"), card.ask("default_power_limit_mw")
    if limit_mw is not None and factory_mw is not None:
        state |= {"power_limit_w": limit_mw / 1000, "factory_power_limit_w": factory_mw / 1000}
    for key, clock in _OFFSETS:
        offset = card.ask("clock_offset", clock)
        if offset is not None:
            state[key] = offset.offset_mhz
    return state


def _clock_range(card: Card) -> tuple[int, int]:
    """Lowest and highest core clock that the driver lists at the highest memory clock, MHz."""
    memory = card.library.supported_memory_clocks_mhz(card.handle)
    clocks = card.library.supported_core_clocks_mhz(card.handle, max(memory)) if memory else []
    if not clocks:
        raise CallFailed("nvmlDeviceGetSupportedGraphicsClocks", NOT_SUPPORTED)
    return min(clocks), max(clocks)


def _why_not_ours(card: Card, where: str) -> list[Problem]:
    """Why this card's settings are not this run's alone. Raises CallFailed."""
    mode = _asked(card, "virtualization")
    shared = _SHARED.get(mode) if mode is not None else None
    if shared is None and _asked(card, "divided"):
        shared = "it is divided into instances (MIG), which would all be tuned and measured together"
    if shared is None:
        return []
    what = f"{card} can't be tuned: {shared}"
    return [Problem(where, what, "tune and measure a card that is whole", of_machine=True)]


def _asked(card: Card, call: str) -> Any:
    """An answer that older drivers may not know."""
    try:
        return card.ask(call)
    except CallFailed as error:
        if error.lost and error.code != UNKNOWN:
            raise
        return None


def _of_another_generation(card: Card, wanted: NvmlProfile, where: str) -> list[Problem]:
    """What this card's generation does not have. Raises CallFailed."""
    generation = _asked(card, "architecture")
    if generation in (None, _UNKNOWN_GENERATION):
        return []
    return [
        Problem(
            f"{where}.{key}", f"only cards from {name} on have it, {card.name()} is older", "leave it out"
        )
        for key, (first, name) in _FIRST_GENERATION.items()
        if getattr(wanted, key) is not None and generation < first
    ]


def _out_of_range(card: Card, wanted: NvmlProfile, where: str) -> list[Problem]:
    """What the card would refuse, by the ranges that its driver reports. Raises CallFailed."""
    problems: list[Problem] = []

    def refuse(key: str, what: str, remedy: str) -> None:
        problems.append(Problem(f"{where}.{key}", what, remedy))

    if not wanted.changes():
        refuse("control", "the profile asks for no change", 'set a value, or use control = "factory"')
    if wanted.power_limit_w is not None:
        limits = card.ask("power_limit_range_mw")
        if limits is None:
            refuse("power_limit_w", "this card's power limit can't be set", "leave it out")
        elif not limits[0] <= round(wanted.power_limit_w * 1000) <= limits[1]:
            low_w, high_w = limits[0] / 1000, limits[1] / 1000
            refuse(
                "power_limit_w",
                f"{wanted.power_limit_w:g} W is outside of what the driver allows",
                f"choose {low_w:g} to {high_w:g} W",
            )
    problems += _ceilings_out_of_range(card, wanted, where)
    for key, clock in _OFFSETS:
        offset_mhz = getattr(wanted, key)
        if offset_mhz is None:
            continue
        offset = card.ask("clock_offset", clock)
        if offset is None or offset.least_mhz == offset.most_mhz == 0:
            refuse(key, "this card offers no such offset", "leave it out")
        elif not offset.least_mhz <= offset_mhz <= offset.most_mhz:
            refuse(
                key,
                f"{offset_mhz:+d} MHz is outside of what the driver allows",
                f"choose {offset.least_mhz:+d} to {offset.most_mhz:+d} MHz",
            )
    return problems


def _ceilings_out_of_range(card: Card, wanted: NvmlProfile, where: str) -> list[Problem]:
    problems: list[Problem] = []
    ceiling, floor = wanted.core_clock_ceiling_mhz, wanted.core_clock_floor_mhz
    if floor is not None and (ceiling is None or floor > ceiling):
        problems.append(
            Problem(f"{where}.core_clock_floor_mhz", "a floor needs a ceiling that is no lower", "set both")
        )
    if ceiling is not None:
        least, most = _clock_range(card)
        for key, value in (("core_clock_ceiling_mhz", ceiling), ("core_clock_floor_mhz", floor)):
            if value is not None and not least <= value <= most:
                problems.append(
                    Problem(
                        f"{where}.{key}",
                        f"{value} MHz is outside of the card's clocks",
                        f"choose {least} to {most} MHz",
                    )
                )
    if wanted.memory_clock_ceiling_mhz is not None:
        steps = card.library.supported_memory_clocks_mhz(card.handle)
        if wanted.memory_clock_ceiling_mhz not in steps:
            problems.append(
                Problem(
                    f"{where}.memory_clock_ceiling_mhz",
                    f"{wanted.memory_clock_ceiling_mhz} MHz is none of the card's memory clocks",
                    f"choose one of {', '.join(str(step) for step in sorted(steps))} MHz",
                )
            )
    return problems


def _settled(readings: Sequence[float]) -> Sequence[float]:
    return readings[int(len(readings) * SETTLING_SHARE) :]


def _refused(what: str, error: CallFailed) -> ControlRefused:
    remedy = REMEDY if error.code == NO_PERMISSION else "see `levelrig doctor`"
    return ControlRefused(f"{what}: {error}; {remedy}", permanent=error.code == NO_PERMISSION)
