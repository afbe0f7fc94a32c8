"""The way back of one card: what to put it back to, the steps, and the proof."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from harness.errors import ControlRefused
from harness_plugins.amdgpu.card import CAP, KEEP_AWAKE, LEVEL, AmdCard, CardState, Unsent
from harness_plugins.amdgpu.table import Entries, TuningTable

#: Words of the level file that the kernel documents and that a person may have chosen.
_LEVELS = frozenset(
    {"auto", "low", "high", "manual", "perf_determinism"}
    | {f"profile_{name}" for name in ("standard", "min_sclk", "min_mclk", "peak")}
)
#: Keys of records that versions before 2026-11-28 wrote.
_EARLIER = {
    "core_clock_ceiling_mhz": "sclk.1",
    "memory_clock_ceiling_mhz": "mclk.1",
    "voltage_offset_mv": "vo",
}


def possible(card: AmdCard, record: Any) -> tuple[CardState, list[str]]:
    """What to put a card back to: the recorded state, and the maker's for what it lacks or can't have been.

    A record that was tampered with must not tune a card: nothing outside the driver's range is taken, and
    no raised voltage.

    Returns:
        The state; and what of the record was refused, a phrase each. The table of a card that nothing is
        recorded of holds only the entries whose value at the maker is known: offsets of 0.
    """
    table = card.table()
    cap_uw, level, keep_awake = card.cap_uw("_default"), "auto", None
    entries: dict[str, int] = {}
    fan: dict[str, int] = {}
    refused: list[str] = []
    known: dict[tuple[str, Any], Any] = {}
    for key, value in record.items() if isinstance(record, Mapping) else ():
        inner = key in ("table", "fan") and isinstance(value, Mapping)
        known |= {(key, name): entry for name, entry in value.items()} if inner else {("", key): value}
    present_fan = card.fan()
    for (part, name), value in known.items():
        entry = _EARLIER.get(name, name)
        if value is None:
            continue
        if name == LEVEL and isinstance(value, str) and value in _LEVELS:
            level = value
        elif name == KEEP_AWAKE and isinstance(value, str) and value in ("auto", "on"):
            keep_awake = value
        elif type(value) is not int:
            refused.append(f"{name} {value!r} is not known")
        elif name == CAP:
            lowest, highest = card.cap_uw("_min"), card.cap_uw("_max")
            inside = (lowest is None or lowest <= value) and (highest is None or value <= highest)
            if (inside and value > 0) or value == card.cap_uw():
                cap_uw = value
            else:
                refused.append(f"{name} {value} can't be what was found")
        elif part == "fan" and name in present_fan and 0 <= value <= 10_000:
            fan[name] = value
        elif part != "fan" and entry in table.entries:
            if _can_have_been(entry, value, table):
                entries[entry] = value
            else:
                refused.append(f"{name} {value} can't be what was found")
        else:
            refused.append(f"{name} {value!r} is not known")
    for offset in ("vo", "sclk_offset"):
        if offset in table.entries:
            entries.setdefault(offset, 0)
    return CardState(cap_uw, level, entries, fan, keep_awake), refused


def _can_have_been(entry: str, value: int, table: TuningTable) -> bool:
    """Inside the driver's range, where there is one; lowest clocks lie below theirs with some makers."""
    kind, *place = entry.split(".")
    if entry == "vo":
        return table.ranges.get("VDDGFX_OFFSET", (-300, 0))[0] <= value <= 0
    if entry == "sclk_offset":
        lowest, highest = table.ranges.get("SCLK_OFFSET", (-1000, 0))
        return lowest <= value <= highest
    names = {"sclk": "SCLK", "mclk": "MCLK", "cclk": "CCLK"}
    if kind == "vc":
        names["vc"] = f"VDDC_CURVE_{'VOLT' if entry.endswith('.mv') else 'SCLK'}[{place[0]}]"
    elif entry.endswith(".mv"):
        names[kind] = "VDDC"
    lowest, highest = table.ranges.get(names.get(kind, ""), (0, table.entries[entry]))
    if value == table.entries[entry] or (kind == "vc" and value == 0):
        return True
    return (0 if place[-1] == "0" else lowest) <= value <= highest


def put_back(card: AmdCard, wanted: CardState) -> list[str]:
    """Put a card that is awake back, and read it back. A card that is as wanted, and was not tuned by
    hand, is not written to.

    The order is such that a kill at any step leaves the level ``manual``, and so tells the next restore
    that all is to be done again; the level comes last.

    Returns:
        What could not be done, a phrase each; tries all steps.
    """
    failures: list[str] = []
    early: list[str] = []

    def attempt(act: Callable[[], None], into: list[str] = failures) -> None:
        try:
            act()
        except ControlRefused as error:
            into.append(str(error))

    present = card.state()
    unlike = card.unlike(wanted)
    if unlike or (present.level == "manual" and card.may_tune()):
        only_power = [difference.what for difference in unlike] == ["power limit"] and not card.may_tune()
        if (present.table or present.fan) and not only_power:
            # A card that was killed while it was held low keeps so until its table is back.
            if present.level != "manual" and not (present.level == "low" and card.commits_at_reset()):
                attempt(lambda: card.set_level("manual"))
            attempt(lambda: card.set_fan(wanted.fan))  # what a reset of the table would hide
            if present.table:
                early += _put_table_back_tried_twice(card, wanted.table, failures)
            attempt(lambda: card.set_fan(wanted.fan))
        if wanted.cap_uw is not None and card.cap_uw() not in (None, wanted.cap_uw):
            attempt(lambda: card.set_cap(wanted.cap_uw or 0))
        if present.level is not None and wanted.level is not None and not only_power:
            attempt(lambda: card.set_level(wanted.level or "auto"))
    if wanted.keep_awake is not None and present.keep_awake != wanted.keep_awake:
        attempt(lambda: card.set_keep_awake(wanted.keep_awake or "auto"))
    left = card.unlike(wanted)
    if left or failures:
        failures += early
    if left and not failures:
        failures.append(
            f"card {card.address} reads back otherwise after the restore: {'; '.join(map(str, left))}"
        )
    return failures


def _put_table_back_tried_twice(card: AmdCard, wanted: Entries, failures: list[str]) -> list[str]:
    """A fault that passes is no failure; one that stays is, where the files can't show what is in force.

    Returns:
        Refusals that count only where the card reads back otherwise.
    """
    for last in (False, True):
        try:
            _put_table_back(card, wanted)
            break
        except ControlRefused as error:
            if last and not isinstance(error, Unsent):
                return [str(error)]
            if last:
                failures.append(str(error))
    return []


def _put_table_back(card: AmdCard, wanted: Entries) -> None:
    """Explicit values and a commit; then a reset, which proves that they are the maker's, or they come again.

    The reset is left out where it would put the maker's in force at once, which may lie above what was found.
    What is wanted of a card that nothing is recorded of are the maker's values.
    """
    entries = card.table().entries
    if not set(wanted) >= set(entries):
        card.reset()
        card.set_table(wanted)
        return
    refused: ControlRefused | None = None
    try:
        card.set_table(wanted)
    except ControlRefused as error:
        refused = error
    if refused is None and card.commits_at_reset():
        return
    card.show_the_makers()
    card.set_table(wanted)
