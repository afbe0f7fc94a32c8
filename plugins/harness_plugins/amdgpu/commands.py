"""From values to the commands of the table: pure.

Source: ``Documentation/gpu/amdgpu/thermal.rst``, section "pp_od_clk_voltage": ``s``/``m`` index MHz (or
level MHz mV), ``vc`` point MHz mV, ``vo`` mV, ``p`` core index MHz, ``c`` commit, ``r`` back to the
defaults; and what takes them, see :mod:`harness_plugins.amdgpu.table`.
"""

from __future__ import annotations

from harness.errors import Difference
from harness_plugins.amdgpu.table import Entries

_LETTERS = {"sclk": "s", "mclk": "m", "vc": "vc"}
_WORDS = {
    "vo": "voltage offset",
    "sclk_offset": "core clock offset",
    "sclk.0": "lowest core clock",
    "sclk.1": "core clock ceiling",
    "mclk.0": "lowest memory clock",
    "mclk.1": "memory clock ceiling",
}


def with_ceiling(entries: Entries, clock: str, ceiling_mhz: int) -> dict[str, int]:
    """The entries that change so that no clock lies above the ceiling.

    Levels above it get the ceiling and the voltage of the lowest of them, which is enough there by the
    maker's own table; no voltage is raised.
    """
    if f"{clock}.1" in entries:
        return {f"{clock}.1": ceiling_mhz}
    above = {
        name.removesuffix(".mhz"): mhz
        for name, mhz in entries.items()
        if name.startswith(f"{clock}.") and name.endswith(".mhz") and mhz > ceiling_mhz
    }
    if not above:
        return {}
    enough_mv = min(entries[f"{name}.mv"] for name in above)
    changed = {f"{name}.mhz": ceiling_mhz for name in above}
    return changed | {f"{name}.mv": enough_mv for name in above}


def edits(wanted: Entries, present: Entries) -> list[str]:
    """Commands that bring the table to these values; the whole of a pair where one half is wanted.

    Args:
        wanted: Entries to set.
        present: What the table shows now.
    """
    target = {**present, **wanted}
    commands: list[str] = []
    done: set[str] = set()
    for name in wanted:
        parts = name.split(".")
        if name == "vo":
            commands.append(f"vo {wanted[name]}")
        elif name == "sclk_offset":
            commands.append(f"s {wanted[name]}")
        elif parts[0] in ("sclk", "mclk") and len(parts) == 2:
            if parts[0] not in done:
                done.add(parts[0])
                commands += _span(parts[0], wanted, present)
        elif parts[0] == "cclk":
            commands.append(f"p {parts[1]} {parts[2]} {wanted[name]}")
        elif (pair := ".".join(parts[:2])) not in done:
            done.add(pair)
            commands.append(f"{_LETTERS[parts[0]]} {parts[1]} {target[f'{pair}.mhz']} {target[f'{pair}.mv']}")
    return commands


def _span(clock: str, wanted: Entries, present: Entries) -> list[str]:
    """Lowest and highest clock, in an order in which neither passes the other on the way."""
    low, high = f"{clock}.0", f"{clock}.1"
    names = [name for name in (low, high) if name in wanted]
    if len(names) == 2 and wanted[high] >= present.get(low, wanted[high]):
        names.reverse()
    return [f"{_LETTERS[clock]} {name[-1]} {wanted[name]}" for name in names]


def raised(entries: Entries, over: Entries) -> list[str]:
    """Names of entries whose highest clock or voltage lies above what they are held against."""
    return [
        name
        for name, value in entries.items()
        if name in over
        and value > over[name]
        and not is_lowest(name)
        and not name.startswith(("fan", "acou"))
    ]


def is_lowest(name: str) -> bool:
    """It is a lowest clock: to lower it raises nothing, and to raise it no ceiling."""
    return name in ("sclk.0", "mclk.0") or (name.startswith("cclk.") and name.endswith(".0"))


def words(name: str) -> str:
    """An entry in a person's words."""
    if name in _WORDS:
        return _WORDS[name]
    kind, *place = name.split(".")
    if kind == "cclk":
        return f"{'highest' if place[1] == '1' else 'lowest'} clock of processor core {place[0]}"
    if kind in ("vc", "fan_curve"):
        return f"point {place[0]} of the {'voltage' if kind == 'vc' else 'fan'} curve"
    if kind in ("sclk", "mclk"):
        return f"{'core' if kind == 'sclk' else 'memory'} level {place[0]}"
    return name.replace("_", " ")


def unit(name: str) -> str:
    """The unit of an entry's value; empty where it has none of its own."""
    if name == "vo" or name.endswith(".mv"):
        return "mV"
    if name.startswith(("sclk", "mclk", "cclk", "vc")):
        return "MHz"
    if name.startswith("fan_curve"):
        return "°C" if name.endswith(".c") else "%"
    return "1/min" if name.endswith("rpm_threshold") else ""


def differences(seen: Entries, wanted: Entries, maker: Entries | None = None) -> list[Difference]:
    """What reads otherwise than wanted.

    Args:
        seen: What reads back.
        wanted: What should.
        maker: The maker's values, where they are known.
    """
    return [
        Difference(words(name), value, seen.get(name), (maker or {}).get(name), unit(name))
        for name, value in wanted.items()
        if seen.get(name) != value
    ]
