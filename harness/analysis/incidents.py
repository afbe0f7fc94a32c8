"""What went wrong on the way and belongs in the answer: crashes, and repeats that are missing or marked.

An unstable profile is a result, not missing data; so it is told first, whatever else could be compared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from harness.analysis import words
from harness.analysis.basis import Crashes
from harness.analysis.repeats import planned
from harness.analysis.settings import AnalysisSettings
from harness.numerals import counted, out_of, times
from harness.plan.night_tables import Retries
from harness.reasons import in_words
from harness.store.campaign_state import SetAside, unstable_in_the_end
from harness.store.causes import AttemptFact


@dataclass(frozen=True)
class Account:
    """Repeats of a campaign, sentinels and re-measurements left out.

    Attributes:
        wanted: Repeats that the plan wants at least, and any that were added.
        counted: Those that were accepted.
        marked: Those of them with a remark.
        nothing: Profile -> why none of its repeats counts.
    """

    wanted: int
    counted: int
    marked: int
    nothing: Mapping[str, str]

    @property
    def missing(self) -> int:
        return self.wanted - self.counted


def set_aside(attempts: pd.DataFrame, retries: Retries) -> tuple[SetAside, ...]:
    """Profiles that the plan's rule sets aside as unstable, for a title or altogether.

    Args:
        attempts: Every attempt, columns of :data:`harness.tables.ATTEMPTS`.
        retries: The plan's bounds.
    """
    facts = [
        AttemptFact(
            cell_id=f"{row['title']}.{row['setting']}.{row['profile']}",
            title=str(row["title"]),
            profile=str(row["profile"]),
            definition_hash=str(row.get("definition_hash", "")),
            repeat_index=int(row["repeat_index"]),
            sentinel=row.get("sentinel") is True,
            verdict=row["verdict"],
            reason_code=None if pd.isna(row["reason_code"]) else row["reason_code"],
        )
        for row in attempts.to_dict("records")
    ]
    return unstable_in_the_end(facts, retries)


def account(attempts: pd.DataFrame, settings: AnalysisSettings) -> Account:
    """Count the planned repeats, of each campaign by itself: one night's don't stand in for another's."""
    table = planned(attempts)
    accepted = table[table["verdict"] == "accepted"]
    nights = [mine for _, mine in table.groupby("campaign_id")] if "campaign_id" in table.columns else [table]
    wanted = sum(_wanted(mine, settings) for mine in nights)
    marks = accepted["marks"] if "marks" in accepted.columns else pd.Series(dtype=object)
    nothing = {}
    for profile in settings.profiles:
        mine = table[table["profile"] == profile]
        if len(mine) and not (mine["verdict"] == "accepted").any():
            codes = mine["reason_code"].dropna()
            nothing[profile] = in_words(str(codes.mode().iloc[0])) if len(codes) else "no reason kept"
    return Account(wanted, len(accepted), sum(_has(value) for value in marks), nothing)


def _wanted(attempts: pd.DataFrame, settings: AnalysisSettings) -> int:
    """Repeats that one campaign wanted: by the plan, or of its own cells where it ran by another."""
    tried = attempts.groupby(["title", "setting", "profile"])["verdict"]
    counts: dict[Any, int] = tried.agg(lambda verdicts: int((verdicts == "accepted").sum())).to_dict()
    cells = {(*place, profile) for place in settings.places for profile in settings.profiles}
    if cells and not set(counts) <= cells:
        cells = set(counts)
    return sum(max(counts.get(cell, 0), settings.repeats) for cell in cells | set(counts))


def lead(
    crashes: Sequence[Crashes], aside: Sequence[SetAside], found: Account | None, settings: AnalysisSettings
) -> str:
    """``brittle crashed in 3 of 9 tries (canyon 2, comet 1): not usable in canyon; 24 of 27 repeats count.``

    Empty where nothing crashed and nothing is missing.
    """
    faults: dict[str, int] = {}
    for entry in aside:
        if entry.title_at_fault and entry.title is not None:
            faults[entry.title] = faults.get(entry.title, 0) + entry.crash_count
    clauses = [_of_profile(one, aside, settings) for one in crashes if set(one.titles) - set(faults)]
    clauses += [
        f"{settings.label(title)} crashed {times(count)}, under every profile tried: look at the title first"
        for title, count in faults.items()
    ]
    crashed = {one.profile for one in crashes if one.crashed}
    if found is not None:
        clauses += [
            f"{settings.label(profile)} has no repeat that counts ({why})"
            for profile, why in found.nothing.items()
            if profile not in crashed
        ]
        if found.missing > 0:
            marked = f", {found.marked} of them marked" if found.marked else ""
            clauses.append(f"{found.counted} of {found.wanted} planned repeats count{marked}")
    return f"{'; '.join(clauses)}." if clauses else ""


def sentence(
    crashes: Sequence[Crashes], aside: Sequence[SetAside], found: Account | None, settings: AnalysisSettings
) -> str:
    """All of it as a sentence by itself; empty for nothing."""
    marked = tail(found).removeprefix("; ")
    return lead(crashes, aside, found, settings) or (f"Of these, {marked}." if marked else "")


def tail(found: Account | None) -> str:
    """``; 2 of 18 repeats are marked``: for a night in which nothing is missing."""
    if found is None or found.missing > 0 or not found.marked:
        return ""
    are = "is" if found.marked == 1 else "are"
    return f"; {out_of(found.marked, found.counted, 'repeat')} {are} marked"


def _of_profile(one: Crashes, aside: Sequence[SetAside], settings: AnalysisSettings) -> str:
    """``brittle crashed in 3 of 9 tries (canyon 2, comet 1): not usable in canyon``."""
    mine = [entry for entry in aside if entry.profile == one.profile and not entry.title_at_fault]
    where = words.listed([f"{settings.label(title)} {count}" for title, count in one.titles.items()])
    tries = counted(one.tries, "try", "tries")
    told = f"{settings.label(one.profile)} crashed in {one.crashed} of {tries} ({where})"
    if any(entry.title is None for entry in mine):
        return f"{told}: not usable"
    titles = [settings.label(entry.title) for entry in mine if entry.title is not None]
    return f"{told}: not usable in {words.listed(titles)}" if titles else told


def _has(value: Any) -> bool:
    return value is not None and not isinstance(value, float) and len(value) > 0
