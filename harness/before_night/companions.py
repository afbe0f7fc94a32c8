"""What the companions of titles need of this machine: programs, folders, lines that can match."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.needs.commands import ATTEMPT, command_needs, folder_need
from harness.needs.need import Need
from harness.needs.titles import pattern_needs
from harness.plan.cells import expand
from harness.plan.companion_table import CompanionSpec
from harness.plan.placeholders import PROCESS_ID, fill, values_of
from harness.plan.schema import Cell, Plan


def companion_needs(plan: Plan) -> list[Need]:
    """For all companions of all titles; each thing once."""
    places = {title.name: index for index, title in enumerate(plan.titles)}
    found: dict[Need, None] = {}
    for cell in expand(plan):
        for number, companion in enumerate(cell.title.companions):
            index = places[cell.title.name]
            found |= dict.fromkeys(_needs_of(cell, companion, index, number))
    return list(found)


def notify_needs(plan: Plan) -> Iterator[Need]:
    """What the command that is run for each message needs."""
    words = plan.notify.command
    if words:
        yield from command_needs(words, Path.cwd(), None, ("notify", "command"), placeholders=False)


def _needs_of(cell: Cell, companion: CompanionSpec, index: int, number: int) -> Iterator[Need]:
    place, base = ("titles", index, "companions", number), cell.title.base
    values = {PROCESS_ID: 0, **values_of(cell, ATTEMPT)}
    folder, is_own = None, companion.working_folder is None
    if companion.working_folder is not None:
        text = fill(companion.working_folder, values)
        folder = yield from folder_need(text, base, (*place, "working_folder"))
    for key in ("command", "end_command"):
        command = getattr(companion, key)
        if command is not None and (is_own or folder is not None):
            words = [fill(word, values) for word in command]
            yield from command_needs(words, folder, base, (*place, key), placeholders=True)
    if companion.ready_after_s is not None and companion.ready_after_s > companion.ready_within_s:
        what = (
            f"it is ready after {companion.ready_after_s:g} s, and the attempt fails where it is not ready "
            f"within {companion.ready_within_s:g} s"
        )
        yield Need((*place, "ready_after_s"), "missing", what, "raise ready_within_s", of_plan=True)
    if companion.ready_line is not None:
        yield from pattern_needs(place, {"ready_line": companion.ready_line})
