"""``check``: validates a plan; shows its cells, their order and the forecast; changes nothing."""

from __future__ import annotations

import argparse
import dataclasses
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.card import GraphicsCard
from harness.clock import SystemClock
from harness.commands import add_command, print_json
from harness.errors import HarnessError, PlanError, Problem
from harness.plan.cells import expand
from harness.plan.forecast import forecast, plan_calendar
from harness.plan.load import load_plan, older_spellings
from harness.plan.order import arrange
from harness.plan.schema import Plan
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
    host = PluginHost()
    plan = load_plan(arguments.plan, host)
    card, where = _card_of(plan, host, str(arguments.plan))
    cards = _ask_cards(plan, host, str(arguments.plan), card, where)
    if arguments.json:
        cells = expand(plan)
        night = forecast(plan)
        nights = plan_calendar(plan, night.expected_s, datetime.now(UTC))
        print_json(
            {
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
        return 0
    out = console()
    with paged(out):
        _show(out, plan)
        if card is not None or where:
            out.print(f"card: {card or where}", markup=False, soft_wrap=True)
        for profile, told in cards.items():
            out.print(f"profile {profile}: {told}", markup=False, soft_wrap=True)
        for note in older_spellings(arguments.plan):
            out.print(f"note: {note}", markup=False, soft_wrap=True)
        out.print(f"{arguments.plan}: fine. Nothing was changed.", markup=False)
    return 0


def _card_of(plan: Plan, host: PluginHost, source: str) -> tuple[GraphicsCard | None, str]:
    """The plan's card on this machine, or why it is not here: another machine may have it.

    Raises:
        PlanError: This machine has several, and the plan does not say which one.
    """
    try:
        return PluginRig(host, plan).require_card(source), ""
    except PlanError as error:
        if not all(problem.of_machine for problem in error.problems):
            raise
        return None, error.problems[0].what


def _ask_cards(
    plan: Plan, host: PluginHost, source: str, card: GraphicsCard | None, not_here: str
) -> dict[str, str]:
    """Ask the card of the plan whether it can take the profiles that change it.

    Args:
        plan: The plan.
        host: Knows the controls.
        source: Name of its file.
        card: The card.
        not_here: Why it is not in this machine; empty where it is, or where the plan names none.

    Returns:
        Name of each such profile -> what was asked, or why it was not: another machine may have the card.
    Raises:
        PlanError: A driver says that a value is impossible.
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
            found = host.open_control(profile.control, SystemClock(), card).check(profile)
        except HarnessError as error:
            found = [Problem(f"profiles.{profile.name}", str(error), "", of_machine=True)]
        problems += [problem for problem in found if not problem.of_machine]
        here = [problem.what for problem in found if problem.of_machine]
        told[profile.name] = (
            f"not asked of a card, or not to be applied here: {'; '.join(here)}"
            if here
            else "its values lie in the range that this machine's driver reports"
        )
    if problems:
        raise PlanError(source, problems)
    return told


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
        f"{len(cells)} cells, {len(slots)} repeats, order {plan.plan.order}",
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
        ["phase", "shortest", "expected", "longest"],
        [
            [phase, duration(span.shortest_s), duration(span.expected_s), duration(span.longest_s)]
            for phase, span in (*night.phases.items(), ("together", night.total))
        ],
    )
    for assumption in night.assumptions:
        out.print(f"assumed: {assumption}", markup=False)
    out.print()
    if night.ends_early:
        out.print(
            "note: limits.night_ends_after_s ends the night before all of it is measured; "
            "the same command goes on the next night"
        )
        out.print()
    limit_s = plan.limits.night_ends_after_s
    if limit_s is not None and night.longest_s > limit_s:
        count = math.ceil(night.longest_s / limit_s)
        out.print(
            "note: the longest time is that of all nights together; limits.night_ends_after_s ends each one "
            f"after {duration(limit_s)}, so it would be {count} of them"
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
