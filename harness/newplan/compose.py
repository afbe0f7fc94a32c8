"""The commented plan that the answers make. Pure: text in, text out."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from harness.newplan.machine import Machine
from harness.newplan.repeats import Choice
from harness.plan.checks_table import Checks
from harness.plan.toml_text import toml_key, toml_value
from harness.tables import QUANTITIES

#: Shorter nights are for trying things out: short waits.
SHORT_NIGHT_H: Final = 0.75
_WIDTH: Final = 100
CAUTION: Final = (
    "CAUTION. This plan changes the card. Such changes can crash the machine, lose unsaved work, shorten "
    "the hardware's life or void its warranty. The maker's limits and manual come first; save your work; if "
    "you are not sure, ask someone who is qualified. Results hold for the one card that is measured."
)


@dataclass(frozen=True)
class Answers:
    """What a plan is made of.

    Attributes:
        question: That the report answers first.
        profiles, titles: Their tables, as a plan has them.
        reference: Profile that the others are compared with.
        hours: How long the night may be.
        margin_pct: Difference that counts as none.
        allow_hardware_changes: Given by the person, in so many words.
        core_temp_limit_c: Ends the night above it; None for no such limit.
        card: UUID or PCI address of the card under test and what to call it; None where there is no choice.
        repeats: Of each cell; 0 until they are chosen.
    """

    question: str
    profiles: tuple[Mapping[str, Any], ...]
    titles: tuple[Mapping[str, Any], ...]
    reference: str
    hours: float
    margin_pct: float
    allow_hardware_changes: bool = False
    core_temp_limit_c: float | None = None
    card: tuple[str, str] | None = None
    repeats: int = 0

    def repeated(self, count: int) -> Answers:
        """With so many repeats."""
        return replace(self, repeats=count)


def plan_text(answers: Answers, machine: Machine, name: str, choice: Choice | None = None) -> str:
    """The plan as text with comments, LF line ends.

    Args:
        answers: What was answered.
        machine: What the comments tell of it, and what the conditions can hold.
        name: How the file is called, for the commands in its first comment.
        choice: Why so many repeats; None while they are not chosen yet.
    """
    name = _plain(name)
    parts = [
        *_comment(answers.question),
        "#",
        f"#   levelrig check {name}        every mistake, order and length of the night; changes nothing",
        f"#   levelrig try {name} TITLE    one title, once, now, with an account of each step",
        f"#   levelrig rehearse {name}     the whole night on a simulated rig",
        f"#   levelrig run {name}          the night; the same command goes on after a stop",
        "#",
        *_comment("Written by `levelrig new`; change anything. plans/README.md explains every key."),
    ]
    if answers.allow_hardware_changes:
        parts += ["#", *_comment(CAUTION)]
    parts += [
        "",
        "[plan]",
        *_line("question", answers.question),
        *_repeats(answers, choice),
        *_line("reference", answers.reference, "the others are compared with it"),
        *_line("margin_pct", answers.margin_pct, "a difference inside this, in %, counts as none"),
    ]
    if answers.allow_hardware_changes:
        parts += _line(
            "allow_hardware_changes", True, "answered by you; without it no profile changes the card"
        )
    if answers.card is not None:
        parts += [
            "",
            "[rig]",
            *_line("card", answers.card[0], f"{answers.card[1]}; this machine has several"),
        ]
    parts += ["", *_comment(f"Read on this machine: {read_here(machine.quantities)}.")]
    parts += [*_conditions(answers, machine), "", *_limits(answers, machine)]
    for profile in answers.profiles:
        parts += ["", *profile_block(profile, machine)]
    if machine.screen is not None and machine.screen.refresh_hz is not None:
        hint = f"The screen is drawn {machine.screen.refresh_hz:.3g} times a second: switch off in each title"
        parts += [
            "",
            *_comment(f"{hint} what waits for it or caps the frame rate, or profiles can't differ."),
        ]
    for title in answers.titles:
        parts += ["", *title_block(title)]
    return "\n".join(parts) + "\n"


def _plain(text: str) -> str:
    """Text that may stand in a comment, where TOML allows no control characters."""
    return "".join(" " if ord(sign) < 32 or ord(sign) == 127 else sign for sign in text)


def _comment(text: str) -> list[str]:
    return textwrap.wrap(_plain(text), _WIDTH, initial_indent="# ", subsequent_indent="# ") or ["#"]


def _line(key: str, value: Any, why: str = "") -> list[str]:
    return [f"{toml_key(key)} = {toml_value(value)}" + (f"    # {_plain(why)}" if why else "")]


def _repeats(answers: Answers, choice: Choice | None) -> list[str]:
    if choice is None:
        return _line("repeats", answers.repeats)
    lines = _comment(f"{choice.reason}.")
    if answers.repeats % choice.even_of == 0 and choice.even_of > 1:
        return lines + _line("repeats", answers.repeats, f"a multiple of {choice.even_of} is balanced best")
    return lines + _line("repeats", answers.repeats)


def _conditions(answers: Answers, machine: Machine) -> list[str]:
    head = ["[conditions]"]
    if answers.hours < SHORT_NIGHT_H:
        return [
            *_comment("Too short for a card to settle, long enough to see how it works."),
            *head,
            *_line("cooldown", {"seconds": 2}),
            *_line("warm_up", {"seconds": 5}),
            "",
            *_comment("Load by other programs only marks here; take this out for a night that counts."),
            "[checks]",
            *_line("mark_only", ["foreign-cpu-load", *Checks().mark_only]),
        ]
    if "core_temp_c" not in machine.quantities:
        return [
            *_comment("No temperature of a card is read here, so each attempt waits for a time."),
            *head,
            *_line("cooldown", {"seconds": 20}),
            *_line("warm_up", {"seconds": 30}),
        ]
    ambient = "ambient_temp_c" in machine.quantities
    rule: dict[str, Any] = {"seconds": 20}
    rule |= {"until_above_ambient_k": 25} if ambient else {}
    rule |= {"or_stopped_falling": True, "timeout_s": 600, "then": "mark"}
    start = "25 K above the room, or as cold as it gets" if ambient else "where it has stopped falling"
    return [
        *_comment(f"Each attempt starts at the same temperature: {start}. Then the heat may settle."),
        *head,
        *_line("cooldown", rule),
        *_line("warm_up", {"seconds": 30}),
        *_line(
            "soak",
            {
                "slope_at_most_c_per_min": 1.5,
                "clock_variation_at_most_pct": 2,
                "window_s": 45,
                "timeout_s": 300,
                "then": "mark",
            },
        ),
    ]


def _limits(answers: Answers, machine: Machine) -> list[str]:
    lines = ["[limits]"]
    if answers.core_temp_limit_c is not None:
        slows = next((t.slows_at_c for t in machine.tunings if t.slows_at_c is not None), None)
        why = "above it the factory state is restored and the night ends"
        if slows is not None:
            why += f"; the card itself slows down at {slows:g}"
        lines += _line("core_temp_c", answers.core_temp_limit_c, why)
    why = "ends in order after this time and goes on with the same command"
    return [*lines, *_line("night_ends_after_s", round(answers.hours * 3600), why)]


def raises_clock(profile: Mapping[str, Any]) -> bool:
    """Whether a shift of the curve is not held by a ceiling, so that the card would run faster."""
    return profile.get("core_clock_offset_mhz", 0) > 0 and "core_clock_ceiling_mhz" not in profile


def profile_block(profile: Mapping[str, Any], machine: Machine) -> list[str]:
    """The lines of a ``[[profiles]]`` table."""
    lines = ["[[profiles]]"]
    tuning = next((t for t in machine.tunings if t.control == profile.get("control")), None)
    ranges = {} if tuning is None else {r.key: r.words for r in tuning.ranges}
    for key, value in profile.items():
        lines += _line(key, value, ranges.get(key, ""))
    if raises_clock(profile):
        lines += _comment("CAUTION: a positive offset without core_clock_ceiling_mhz raises the clock.")
    if "control" not in profile:
        lines[1] += "    # as the maker set the card; nothing is changed"
    return lines


def title_block(title: Mapping[str, Any]) -> list[str]:
    """The lines of a ``[[titles]]`` table."""
    lines = ["[[titles]]"]
    for key, value in title.items():
        if key == "soak" and value == {} and title.get("warm_up") == {"seconds": 0}:
            lines += _line(key, value, "its whole run is measured, so nothing is cut from it")
        else:
            lines += _line(key, value)
    return lines


def read_here(quantities: Iterable[str]) -> str:
    """What is read on this machine, in words."""
    known: Sequence[str] = [name for name in QUANTITIES if name in set(quantities)]
    return ", ".join(known) or "nothing"
