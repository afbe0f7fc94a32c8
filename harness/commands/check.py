"""``check``: validates a plan; shows its cells, their order and the forecast; changes nothing."""

from __future__ import annotations

import argparse
import dataclasses
import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness import userfiles
from harness.before_night.ask import as_json, elsewhere, night_needs, problems_of, where
from harness.card import GraphicsCard
from harness.commands import add_command, print_json
from harness.errors import HarnessError, PlanError, Problem
from harness.needs.need import Need
from harness.numerals import counted
from harness.places import CAMPAIGNS
from harness.plan.cells import expand
from harness.plan.forecast import forecast, plan_calendar
from harness.plan.load import load_plan, older_spellings
from harness.plan.locate import LineIndex
from harness.plan.order import arrange
from harness.plan.schema import Plan, ProfileSpec
from harness.plugins import PluginHost, PluginRig
from harness.terminal import console, duration, paged, print_table

if TYPE_CHECKING:
    from rich.console import Console


def register(commands: Any) -> None:
    """Add the command of this module."""
    check = add_command(
        commands,
        "check",
        _check,
        example="levelrig check plans/first-night.toml",
        reports=True,
    )
    check.add_argument("plan", type=Path, help="plan file (TOML)")


def _check(arguments: argparse.Namespace) -> int:
    try:
        return _checked(arguments)
    except PlanError as error:
        if not arguments.json:
            raise
        print_json({"fine": False, "problems": [dataclasses.asdict(problem) for problem in error.problems]})
        return error.exit_code


def _checked(arguments: argparse.Namespace) -> int:
    host = PluginHost()
    plan = load_plan(arguments.plan, host)
    text = userfiles.read_text(arguments.plan, "plan")
    rig = PluginRig(host, plan)
    card, not_here = _card_of(rig, str(arguments.plan))
    needs = night_needs(plan, host, rig, CAMPAIGNS / arguments.plan.stem)
    tuned = any(host.kind("control", profile.control).knows_makers_state for profile in _tuned(plan, host))
    needs = elsewhere(needs) if not_here or (tuned and card is None) else needs
    cards, refused = _ask_cards(plan, host, rig, not_here)
    missing = problems_of(needs, text)
    if arguments.json:
        cells = expand(plan)
        night = forecast(plan)
        nights = plan_calendar(plan, night.expected_s, datetime.now(UTC))
        print_json(
            {
                "fine": not (missing or refused),
                "problems": [dataclasses.asdict(problem) for problem in (*missing, *refused)],
                "needs": as_json(needs, text),
                "cells": [{"cell_id": c.cell_id, "definition_hash": c.definition_hash} for c in cells],
                "order": [s.model_dump() for s in arrange(plan, cells)],
                "forecast": dataclasses.asdict(night),
                "night": None if nights is None else dataclasses.asdict(nights),
                "resolvable": _resolvable(plan),
                "card": None if card is None else card.facts(),
                "cards": cards,
                "notes": older_spellings(arguments.plan),
            }
        )
        return PlanError.exit_code if missing or refused else 0
    if missing or refused:
        _show_needs(console(stderr=True), needs, text)
        raise PlanError(str(arguments.plan), [*missing, *refused])
    out = console()
    with paged(out):
        _show(out, plan)
        if card is not None or not_here:
            out.print(f"card: {card or not_here}", markup=False, soft_wrap=True)
        for profile, told in cards.items():
            out.print(f"profile {profile}: {told}", markup=False, soft_wrap=True)
        for note in older_spellings(arguments.plan):
            out.print(f"note: {note}", markup=False, soft_wrap=True)
        count = _show_needs(out, needs, text)
        fine = "fine" if not count else f"fine, with {counted(count, 'warning')}"
        out.print(f"{arguments.plan}: {fine}. Nothing was changed.", markup=False)
    return 0


def _tuned(plan: Plan, host: PluginHost) -> list[ProfileSpec]:
    """Profiles that change a card."""
    return [profile for profile in plan.profiles if host.kind("control", profile.control).changes_hardware]


def _show_needs(out: Console, needs: Sequence[Need], text: str) -> int:
    """Print what was asked and answered, and the warnings; how many of these there are."""
    lines = LineIndex(text)
    for need in needs:
        if need.state == "met":
            out.print(f"{where(need, lines)}: {need.what}", markup=False, soft_wrap=True)
    doubtful = [need for need in needs if need.state == "doubtful"]
    for need in doubtful:
        said = f"warning: {where(need, lines)}: {need.what}; {need.remedy}"
        out.print(said, style="yellow", markup=False, soft_wrap=True)
    return len(doubtful)


def _card_of(rig: PluginRig, source: str) -> tuple[GraphicsCard | None, str]:
    """The plan's card on this machine, or why it is not here: another machine may have it.

    Raises:
        PlanError: This machine has several, and the plan does not say which one.
    """
    try:
        return rig.require_card(source), ""
    except PlanError as error:
        if not all(problem.of_machine for problem in error.problems):
            raise
        return None, error.problems[0].what


def _ask_cards(
    plan: Plan, host: PluginHost, rig: PluginRig, not_here: str
) -> tuple[dict[str, str], list[Problem]]:
    """Ask the card of the plan whether it can take the profiles that change it.

    Args:
        plan: The plan.
        host: Knows the controls.
        rig: Opens each of them once.
        not_here: Why it is not in this machine; empty where it is, or where the plan names none.

    Returns:
        Name of each such profile -> what was asked, or why it was not: another machine may have the card. And
        the values that a driver says are impossible.
    """
    told: dict[str, str] = {}
    problems: list[Problem] = []
    for profile in plan.profiles:
        kind = host.kind("control", profile.control)
        if not (kind.changes_hardware and kind.knows_makers_state):
            continue
        if not_here:
            told[profile.name] = f"not asked of a card: {not_here}"
            continue
        try:
            found = rig.open_control(profile.control).check(profile)
        except HarnessError as error:
            found = [Problem(f"profiles.{profile.name}", str(error), "", of_machine=True)]
        problems += [problem for problem in found if not problem.of_machine]
        here = [problem.what for problem in found if problem.of_machine]
        told[profile.name] = (
            f"not asked of a card, or not to be applied here: {'; '.join(here)}"
            if here
            else "its values lie in the range that this machine's driver reports"
        )
    return told, problems


def _resolvable(plan: Plan) -> list[dict[str, Any]]:
    """What the plan can resolve, as JSON values."""
    from harness.analysis.planning import resolvable_rows

    return [
        {key: None if value != value else value for key, value in row.items()}  # NaN
        for row in resolvable_rows(plan)
    ]


def _show(out: Console, plan: Plan) -> None:
    cells = expand(plan)
    slots = arrange(plan, cells)
    night = forecast(plan)
    print_table(
        out,
        f"{counted(len(cells), 'cell')}, {counted(len(slots), 'repeat')}, order {plan.plan.order}",
        ["title", "setting", "profile", "definition"],
        [[c.title.name, c.setting.name, c.profile.name, c.definition_hash] for c in cells],
    )
    out.print()
    print_table(
        out,
        "order of the night (first block of each title)",
        ["position", "block", "cell", "repeat"],
        [
            [str(s.position), str(s.block), s.cell_id, str(s.repeat_index)]
            for s in slots
            if s.repeat_index == 1
        ],
    )
    out.print()
    print_table(
        out,
        "forecast",
        ["phase", "expected", "likely from", "to"],
        [
            [phase, duration(span.expected_s), duration(low_s), duration(high_s)]
            for phase, span, (low_s, high_s) in (
                *((phase, span, night.likely[phase]) for phase, span in night.phases.items()),
                ("together", night.total, night.likely_s),
            )
        ],
    )
    for assumption in night.assumptions:
        out.print(f"assumed: {assumption}", markup=False)
    if night.assumptions:
        out.print(
            "likely: assumed times from a tenth to two and a half times as long; rejected attempts add to it"
        )
    out.print()
    if night.ends_early:
        out.print(
            "note: limits.night_ends_after_s ends the night before all of it is measured; "
            "the same command goes on the next night"
        )
        out.print()
    limit_s = plan.limits.night_ends_after_s
    if limit_s is not None and night.likely_s[1] > limit_s:
        count = math.ceil(night.likely_s[1] / limit_s)
        out.print(
            "note: these are the times of all nights together; limits.night_ends_after_s ends each one after "
            f"{duration(limit_s)}, so there may be {count} of them"
        )
        out.print()
    nights = plan_calendar(plan, night.expected_s, datetime.now(UTC))
    if nights is not None:
        out.print(nights.sentence, markup=False, soft_wrap=True)
        out.print()
    for row in _resolvable(plan):
        if row["title"] is None:
            out.print(f"to expect: {row['sentence']}", markup=False)
    out.print()
