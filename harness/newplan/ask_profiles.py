"""Questions about profiles: which card, and a value for each key, inside what its driver takes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from harness.errors import HarnessError, NoAnswer
from harness.newplan.compose import raises_clock
from harness.newplan.dialogue import Dialogue, one_of
from harness.newplan.fields import FieldError, key_value, profile_table, written_words
from harness.newplan.machine import Machine
from harness.newplan.wording import plan_name
from harness.plan.schema import ProfileSpec
from harness.plan.tunings import Tuning

_OF_THE_CARD: Final = frozenset({"card_index", "card"})


def ask_profiles(dialogue: Dialogue, machine: Machine, taken: Collection[str] = ()) -> list[dict[str, Any]]:
    """Profiles beside the reference, one after the other until an empty name. Raises NoAnswer."""
    tell_card(dialogue, machine)
    found: list[dict[str, Any]] = []
    while True:
        names = {*taken, *(profile["name"] for profile in found)}
        more = "A profile to compare with it, by name" if not found else "Another profile"
        name = dialogue.ask(
            f"{more} (empty: no {'more' if found else 'other'})", str, option="--profile", default=""
        )
        if not name:
            return found
        found.append(ask_profile(dialogue, machine, name, names))


def tell_card(dialogue: Dialogue, machine: Machine) -> None:
    """What can be tuned here, with ranges."""
    for tuning in machine.tunings:
        ranges = "; ".join(f"{_words(r.key)} {r.words} {_unit(r.key)}".rstrip() for r in tuning.ranges)
        dialogue.explain(
            f"Found: {tuning.device} (control {tuning.control}). {ranges or 'Nothing of it can be set'}."
        )
    if not machine.tunings:
        dialogue.explain(
            "No card that can be tuned was found here. A profile may still set processor threads, run your "
            "own tuning program, or be meant for a card in another machine."
        )


def ask_profile(dialogue: Dialogue, machine: Machine, name: str, taken: Collection[str]) -> dict[str, Any]:
    """One profile: its control, and a value for each key that is not passed over. Raises NoAnswer."""
    plain = plan_name(name, taken)
    table: dict[str, Any] = {"name": plain} | ({"label": name} if plain != name else {})
    tuning = _which_card(dialogue, machine)
    control = tuning.control if tuning is not None else _which_control(dialogue, machine)
    table["control"] = control
    while True:
        dialogue.say("  Its values; an empty answer leaves one as it is.")
        values = _ask_values(dialogue, machine, control, tuning)
        problems = _refusals(machine, {**table, **values})
        if raises_clock(values) and not dialogue.agree(
            "  An offset without core_clock_ceiling_mhz raises the clock. Keep it so",
            option="--profile",
            default=False,
        ):
            problems = ["the clock would be raised"]
        if not values:
            problems = ["nothing is set, so it would be the same as the reference"]
        if not problems:
            return {**table, **values}
        for problem in problems:
            dialogue.say(f"  {problem}; please once more")


def _ask_values(dialogue: Dialogue, machine: Machine, control: str, tuning: Tuning | None) -> dict[str, Any]:
    """A value for each key of the control that this card takes, less those that are passed over."""
    options = machine.kinds["control", control].options
    ranges = {} if tuning is None else {r.key: r for r in tuning.ranges}
    values: dict[str, Any] = {}
    for key, field in () if options is None else options.model_fields.items():
        if key in _OF_THE_CARD or (ranges and key not in ranges and not field.is_required()):
            continue

        def parse(text: str, key: str = key) -> Any:
            if not text or options is None:
                return None
            value = key_value(key, options, text, windows=machine.windows)
            refusal = ranges[key].refusal(float(value)) if key in ranges else None
            if refusal is not None:
                raise ValueError(f"{refusal} {_unit(key)}".rstrip())
            return value

        about = f"{ranges[key].words} {_unit(key)}".rstrip() if key in ranges else field.description or ""
        default = None if field.is_required() else ""
        value = dialogue.ask(f"  {key} ({about})", parse, option="--profile", default=default)
        if value is not None:
            values[key] = value
    return values


def _which_card(dialogue: Dialogue, machine: Machine) -> Tuning | None:
    """The card of a profile; None where it is none of those here."""
    if not machine.tunings:
        return None
    others = [name for name in machine.controls if name not in {t.control for t in machine.tunings}]
    choices = [str(n) for n in range(1, len(machine.tunings) + 1)] + others
    listed = "; ".join(f"{n} {t.device}" for n, t in enumerate(machine.tunings, start=1))
    answer = dialogue.ask(
        f"  What does it set? {listed}; or {', '.join(others)}",
        one_of(choices),
        option="--profile",
        default="1",
    )
    return machine.tunings[int(answer) - 1] if answer.isdigit() else Tuning(answer, "", ())


def _which_control(dialogue: Dialogue, machine: Machine) -> str:
    controls = machine.controls
    for control in controls:
        dialogue.say(f"    {control}: {machine.kinds['control', control].summary}")
    default = "processor" if "processor" in controls else controls[0]
    return dialogue.ask("  What does it set", one_of(controls), option="--profile", default=default)


def _refusals(machine: Machine, table: Mapping[str, Any]) -> list[str]:
    """What the control says of the profile, by the driver of the card that is here."""
    try:
        profile = ProfileSpec.model_validate(
            {
                "name": table["name"],
                "control": table["control"],
                "options": {k: v for k, v in table.items() if k not in ("name", "label", "control")},
            }
        )
        return [f"{p.what}; {p.remedy}" for p in machine.refused(profile) if not p.of_machine]
    except (HarnessError, ValueError):
        return []  # nobody to ask here; `check` says what is wrong in the plan


def given_profiles(entries: Sequence[Sequence[str]], machine: Machine) -> list[dict[str, Any]]:
    """Profiles from ``--profile NAME KEY=VALUE...``. Raises NoAnswer."""
    found = []
    for words in entries:
        try:
            table = profile_table(written_words(words, "--profile"), machine)
        except FieldError as error:
            raise NoAnswer(str(error)) from error
        if (refused := _refused_range(table, machine)) is not None:
            raise NoAnswer(f"--profile {words[0]}: {refused}")
        found.append(table)
    return found


def _refused_range(table: Mapping[str, Any], machine: Machine) -> str | None:
    for tuning in machine.tunings:
        if tuning.control == table.get("control"):
            for bounds in tuning.ranges:
                value = table.get(bounds.key)
                if isinstance(value, int | float) and (refusal := bounds.refusal(value)) is not None:
                    return f"{bounds.key}: {refusal} {_unit(bounds.key)}"
            break
    if "control" not in table:
        return None
    return next(iter(_refusals(machine, table)), None)


def _words(key: str) -> str:
    return key.rsplit("_", 1)[0].replace("_", " ") if _unit(key) else key.replace("_", " ")


def _unit(key: str) -> str:
    units = {"w": "W", "mhz": "MHz", "mv": "mV", "pct": "%", "c": "°C", "s": "s"}
    return units.get(key.rsplit("_", 1)[-1], "")
