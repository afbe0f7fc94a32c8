"""The rig and its profiles, as read back. Pure."""

from __future__ import annotations

import json
from typing import Any

from harness.power_sensor.of_window import FACTS_SECTION
from harness.report.elements import (
    NOTHING,
    Entry,
    Heading,
    Row,
    Table,
)
from harness.report.folder import Campaign
from harness.report.names import Names

_FACT_UNITS = {"mib": "MiB", "w": "W", "mhz": "MHz", "c": "°C", "s": "s", "hz": "Hz"}


def rig_table(campaign: Campaign) -> Table:
    """Everything that is known of the rig."""
    rows = [
        Row([Entry(str(section).replace("_", " ")), Entry(_fact_name(str(name))), Entry(_plain(value))])
        for section, values in _facts(campaign).items()
        for name, value in (values.items() if isinstance(values, dict) else [("", values)])
    ]
    rows.append(Row([Entry("rig"), Entry("identity"), Entry(str(campaign.rig.get("rig_id", NOTHING)))]))
    return Table(
        "table-rig",
        "The rig",
        [Heading("Part"), Heading("Fact"), Heading("Value", wide=True)],
        rows,
    )


def _facts(campaign: Campaign) -> dict[str, Any]:
    """The rig's facts; of the model of its power sensors, how each source looks."""
    found: dict[str, Any] = dict(campaign.rig.get("facts", {}))
    model = campaign.power_sensor
    if model is not None:
        found[FACTS_SECTION] = {"measured": model.measured_utc} | {
            one.name: "sees all of the time"
            if one.rhythm_s is None
            else f"looks every {1000 * one.rhythm_s:.1f} ms, over {1000 * one.look_s:.1f} ms"
            for one in model.sources
        }
    return found


def _fact_name(name: str) -> str:
    """``memory_mib`` -> ``memory, MiB``: a unit at the end is set apart, as units are everywhere else."""
    stem, _, last = name.rpartition("_")
    unit = _FACT_UNITS.get(last) if stem else None
    return f"{stem.replace('_', ' ')}, {unit}" if unit else name.replace("_", " ")


def profiles_table(campaign: Campaign, names: Names) -> Table:
    """The profiles as the plan defines them and as they were last read back."""
    rows = []
    for profile in campaign.plan.profiles:
        options = ", ".join(f"{k} = {_plain(v)}" for k, v in profile.options.items()) or "as the maker set it"
        read = campaign.repeats.loc[campaign.repeats["profile"] == profile.name, "profile_read_back"].dropna()
        kinds = read.nunique()
        back = (
            NOTHING
            if not kinds
            else _settings(str(read.iloc[-1])) + (f" ({kinds} different readings)" if kinds > 1 else "")
        )
        rows.append(
            Row(
                [
                    Entry(names[profile.name], profile=profile.name),
                    Entry(profile.control),
                    Entry(options),
                    Entry(back),
                ],
                profile=profile.name,
            )
        )
    return Table(
        "table-profiles",
        "The profiles",
        [
            Heading("Profile"),
            Heading("control"),
            Heading("asked for", wide=True),
            Heading("read back", wide=True),
        ],
        rows,
    )


def _settings(read_back: str) -> str:
    """What was read back, JSON, in the form of what was asked for; a dash for nothing."""
    try:
        found = json.loads(read_back)
    except ValueError:
        return read_back
    if not isinstance(found, dict):
        return read_back
    return ", ".join(f"{name} = {_plain(value)}" for name, value in found.items()) or NOTHING


def _plain(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return str(value)
