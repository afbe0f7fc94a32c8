"""What titles with steps showed: the screen at a failed step beside the picture that was wanted, and the
points of one measured repeat of each title and setting."""

from __future__ import annotations

from typing import Any, Final

from harness.report.elements import Section, Shot, ShotRow, records, text_or
from harness.report.folder import Campaign
from harness.report.names import Names
from harness.report.sections.attempts import repeat_name

#: Most attempts whose failure is shown; a night may have many alike.
MOST_FAILED: Final = 12
_POINTS: Final = (
    ("ready", "Ready: the title's stages pass here"),
    ("begin", "The measured window begins"),
    ("end", "It has ended"),
)


def screens_section(campaign: Campaign, names: Names) -> Section:
    """The section; it says nothing where no title has steps."""
    stepped = {title.name for title in campaign.plan.titles if title.steps}
    rows: list[ShotRow] = []
    lost = campaign.attempts[campaign.attempts["verdict"] != "accepted"]
    for row in records(lost) if stepped else ():
        if len(rows) < MOST_FAILED and row["title"] in stepped:
            reason = text_or(row["reason"], row["reason_code"])
            shown = (("failed", "The screen then"), ("wanted", "The picture that was wanted"))
            shots = _shots(campaign, row, shown, reason)
            if shots:
                rows.append(ShotRow(f"{_name(row, names)}: {reason}", str(row["title"]), shots))
    seen: set[tuple[str, str]] = set()
    for row in records(campaign.counted) if stepped else ():
        key = (str(row["title"]), str(row["setting"]))
        if key[0] in stepped and key not in seen:
            seen.add(key)
            shots = _shots(campaign, row, _POINTS, "")
            if shots:
                rows.append(ShotRow(f"{_name(row, names)}, as measured", key[0], shots))
    return Section("screens", "What titles with steps showed", over_all_titles=True, shots=rows)


def _name(row: Any, names: Names) -> str:
    return f"{names.row(row['title'], row['setting'])} under {names[row['profile']]}, {repeat_name(row)}"


def _shots(campaign: Campaign, row: Any, wanted: tuple[tuple[str, str], ...], reason: str) -> list[Shot]:
    found = []
    for name, caption in wanted:
        picture = campaign.picture(row, name)
        if picture is not None:
            alt = f"{caption}: {reason}" if reason else caption
            found.append(Shot(caption, alt, *picture))
    return found
