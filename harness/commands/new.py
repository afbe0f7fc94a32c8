"""``new``: writes a plan by asking, from options or from a spreadsheet; adds a title or a profile to one."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from harness.commands import add_command
from harness.errors import Interrupted, NoAnswer, PlanError, Problem, UserFileError
from harness.terminal import console, duration

if TYPE_CHECKING:
    from rich.console import Console

    from harness.card import GraphicsCard
    from harness.newplan.dialogue import Dialogue
    from harness.newplan.machine import Machine
    from harness.plan.schema import Plan
    from harness.plugins import PluginHost

T = TypeVar("T")
_USUAL_NAME = "plan.toml"
_NO_TEXT = "the answers are no text in this system's encoding; save them as UTF-8"
#: Columns for an answer on the line of its question.
_ROOM = 16
_ADDED = {"title": "titles", "profile": "profiles"}
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def register(commands: Any) -> None:
    """Add the command of this module."""
    new = add_command(
        commands,
        "new",
        _new,
        example="levelrig new night.toml\n  levelrig new night.toml --from titles.csv --hours 7:30\n"
        "  levelrig new title night.toml --title harbour-lights command='./harbour --demo' seconds=60 "
        "sample=frames.csv\n  levelrig new profile night.toml",
    )
    new.add_argument(
        "words",
        nargs="*",
        metavar="PLAN",
        help="file to write; with `title` or `profile` in front, a plan to add one to",
    )
    entry = "NAME", "KEY=VALUE"
    new.add_argument(
        "--profile",
        action="append",
        nargs="+",
        default=[],
        metavar=entry,
        help="a profile: name, control=KIND and the control's keys, as power_limit_w=240; may be repeated",
    )
    new.add_argument(
        "--title",
        action="append",
        nargs="+",
        default=[],
        metavar=entry,
        help="a title: name and any keys of a title or its frame_log; sample=FILE finds the columns; "
        "may be repeated",
    )
    new.add_argument("--from", dest="sheet", type=Path, metavar="CSV", help="titles from a spreadsheet")
    new.add_argument("--hours", help="how long the night may be: 8, 7:30, 45 min")
    new.add_argument("--margin-pct", help="difference in %% that nobody would notice")
    new.add_argument("--repeats", help="repeats of each cell; default: chosen from hours and margin")
    new.add_argument("--reference", help="profile that the others are compared with; default: factory")
    new.add_argument(
        "--card", help="the card under test, of several: PCI address, UUID or a part of its name"
    )
    new.add_argument("--question", help="question that the report answers first")
    new.add_argument("--core-temp-limit-c", help="core temperature in °C that ends the night; 0 for none")
    new.add_argument(
        "--allow-hardware-changes",
        action="store_true",
        help="the plan may change the card; read the cautions in the README first",
    )
    new.add_argument("--overwrite", action="store_true", help="replace a plan that is there already")
    new.add_argument(
        "--yes",
        action="store_true",
        help="take the default of every question that has one; never a permission",
    )


def _new(arguments: argparse.Namespace) -> int:
    try:
        return _ask_and_write(arguments)
    except KeyboardInterrupt as error:
        raise Interrupted("stopped; nothing was written") from error


def _ask_and_write(arguments: argparse.Namespace) -> int:
    from harness.commands.machine_at_hand import cards_here, look
    from harness.newplan import ask_night
    from harness.newplan.dialogue import Dialogue
    from harness.plugins import PluginHost

    out = console()
    words: list[str] = arguments.words
    adds = _ADDED.get(words[0]) if words else None
    if len(words) > (1 if adds is None else 2):
        raise NoAnswer(f"{words[-1]}: one plan at a time; put quotes around a path that holds blanks")
    if adds is not None and len(words) < 2:
        raise NoAnswer(f"which plan gets the {words[0]}? Write levelrig new {words[0]} PLAN")
    at_terminal = sys.stdin is not None and sys.stdin.isatty()
    dialogue = Dialogue(
        _reader(out, at_terminal),
        lambda line: _say(out, line),
        again=at_terminal,
        take_defaults=arguments.yes,
    )
    path = (
        Path(words[-1])
        if words
        else Path(dialogue.ask("File to write", str, option="PLAN", default=_USUAL_NAME))
    )
    host = PluginHost()
    if adds is not None:
        return _add(arguments, dialogue, host, path, adds, out)
    replace = _may_write(arguments, dialogue, path)
    cards = cards_here(host)
    card = _given("--card", arguments.card, lambda text: ask_night.card_called(text, cards))
    if card is None and cards:
        card = cards[0] if len(cards) == 1 else ask_night.ask_card(dialogue, cards)
    several = (card.device, card.name) if card is not None and len(cards) > 1 else None
    text, told, first = _compose(arguments, dialogue, look(host, card, path.parent), host, path, several)
    _write(path, text.replace("\n", "\r\n") if sys.platform == "win32" else text, replace=replace)
    for line in told:
        out.print(line, markup=False)
    _tell_what_is_missing(out, host, path)
    name = _shown(path)
    out.print(f"Written: {path}. Next:", markup=False)
    for command in ("check {}", f"try {{}} {first}", "rehearse {}", "run {}"):
        out.print(f"  levelrig {command.format(name)}", markup=False, soft_wrap=True)
    return 0


def _tell_what_is_missing(out: Console, host: PluginHost, path: Path) -> None:
    """What `check` will refuse in the plan that was written, as a program that is not on this machine."""
    from harness import userfiles
    from harness.before_night.ask import elsewhere, night_needs, problems_of
    from harness.card import CardChoiceError
    from harness.places import CAMPAIGNS
    from harness.plan.load import load_plan
    from harness.plugins import PluginRig

    plan = load_plan(path, host)
    rig = PluginRig(host, plan)
    try:
        needs = night_needs(plan, host, rig, CAMPAIGNS / path.stem)
    except CardChoiceError as error:
        _say(out, f"To be put right: {error}")
        return
    if any(host.kind("control", profile.control).changes_hardware for profile in plan.profiles):
        needs = needs if _card_of(host, plan) is not None else elsewhere(needs)
    for problem in problems_of(needs, userfiles.read_text(path, "plan")):
        _say(out, f"To be put right: {problem}")


def _reader(out: Console, at_terminal: bool) -> Callable[[str], str | None]:
    """Shows a prompt and reads a line: at a terminal with its editing, from a pipe with an echo."""
    begun = False

    def read(prompt: str) -> str | None:
        nonlocal begun
        if len(prompt) > out.width - _ROOM and at_terminal:  # an answer needs room behind the question
            question, _, hint = prompt.rstrip().removesuffix(":").partition(" [")
            _say(out, question)
            prompt = f"  [{hint}: " if hint else "  > "
        try:
            if at_terminal:
                _edit_lines()
                return input(prompt)
            out.print(prompt, end="", markup=False, soft_wrap=True)
            line = sys.stdin.readline() if sys.stdin is not None else ""
        except EOFError:
            out.print()
            return None
        except KeyboardInterrupt:
            out.print()
            raise
        except UnicodeDecodeError as error:
            raise NoAnswer(_NO_TEXT) from error
        answer = line.rstrip("\r\n")
        if any("\ud800" <= sign <= "\udfff" for sign in answer):  # bytes that the encoding lacks
            raise NoAnswer(_NO_TEXT)
        if not begun:
            answer, begun = answer.removeprefix("\ufeff"), True
        out.print(answer, markup=False, soft_wrap=True)
        return answer if line else None

    return read


def _say(out: Console, line: str) -> None:
    """A line, wrapped between words and set in below its own beginning."""
    margin = " " * (len(line) - len(line.lstrip()))
    for part in textwrap.wrap(line, out.width, subsequent_indent=f"{margin}  ") or [""]:
        out.print(part, markup=False, soft_wrap=True)


def _edit_lines() -> None:
    """Arrow keys and history, where the system has them."""
    try:
        import readline  # noqa: F401
    except ImportError:
        return


def _may_write(arguments: argparse.Namespace, dialogue: Dialogue, path: Path) -> bool:
    """Whether a file that is there is replaced. Raises UserFileError, NoAnswer."""
    if not path.parent.is_dir():
        raise UserFileError(path, f"there is no folder {path.parent}", "make it, or name another file")
    if path.is_dir():
        raise UserFileError(path, "it is a folder", "name a file in it")
    if not path.exists() or arguments.overwrite:
        return bool(arguments.overwrite)
    if dialogue.agree(f"{path} is there already. Replace it", option="--overwrite", default=None):
        return True
    raise NoAnswer(
        f"{path} stays as it is; name another file, or add to it: levelrig new title {_shown(path)}"
    )


def _compose(
    arguments: argparse.Namespace,
    dialogue: Dialogue,
    machine: Machine,
    host: PluginHost,
    path: Path,
    card: tuple[str, str] | None,
) -> tuple[str, list[str], str]:
    """The plan's text, what to say of it, and the title to try first."""
    from harness.newplan import ask_night, ask_profiles, ask_titles, compose, repeats
    from harness.newplan.wording import hours, whole
    from harness.plan.forecast import forecast
    from harness.plan.load import parse_plan

    night_h = _given(
        "--hours", arguments.hours, hours
    )  # what was given is looked at before anything is asked
    margin = _given("--margin-pct", arguments.margin_pct, ask_night.margin_pct)
    count = _given("--repeats", arguments.repeats, whole)
    limit = _given("--core-temp-limit-c", arguments.core_temp_limit_c, ask_night.limit_c)
    profiles = ask_profiles.given_profiles(arguments.profile, machine)
    titles = _titles_given(arguments, machine)
    if not arguments.profile:
        profiles += ask_profiles.ask_profiles(dialogue, machine, ("factory",))
    reference = arguments.reference or "factory"
    names = [profile["name"] for profile in profiles]
    if reference not in names:
        if reference != "factory":
            there = ", ".join(names) or "none"
            raise NoAnswer(f"--reference: no profile is named {reference!r}; there are: {there}")
        profiles.insert(0, {"name": "factory", "label": "Factory"})
    titles = titles or ask_titles.ask_titles(dialogue, machine)
    night_h = night_h or ask_night.ask_hours(dialogue)
    margin = margin or ask_night.ask_margin_pct(dialogue)
    if arguments.core_temp_limit_c is None:
        limit = ask_night.ask_limit_c(dialogue, machine)
    allowed = _permitted(arguments, dialogue, machine, profiles)
    answers = compose.Answers(
        arguments.question or ask_night.usual_question(profiles, reference),
        tuple(profiles),
        tuple(titles),
        reference,
        night_h,
        margin,
        allowed,
        limit,
        card,
    )

    def parsed(text: str) -> Any:
        return parse_plan(text, f"{path} (not written)", host.kinds, [str(plugin) for plugin in host.broken])

    name = _shown(path)
    if count is not None:
        text = compose.plan_text(answers.repeated(count), machine, name)
        expected_s, told = forecast(parsed(text)).expected_s, []
    else:
        choice = repeats.choose(parsed(compose.plan_text(answers.repeated(2), machine, name)), night_h * 3600)
        count, expected_s, told = choice.repeats, choice.expected_s, [f"{choice.reason}."]
        text = compose.plan_text(answers.repeated(count), machine, name, choice)
    parsed(text)
    size = f"{_count(len(profiles), 'profile')}, {_count(len(titles), 'title')}, {_count(count, 'repeat')}"
    to_try = next((t for t in titles if t["workload"] != "scene"), titles[0])
    return text, [f"{size} of each: about {duration(expected_s)}.", *told], str(to_try["name"])


def _given(option: str, text: str | None, parse: Callable[[str], T]) -> T | None:
    """The value of an option; None where it was not given. Raises NoAnswer."""
    from harness.newplan.dialogue import given

    return None if text is None else given(option, text, parse)


def _titles_given(arguments: argparse.Namespace, machine: Machine) -> list[dict[str, Any]]:
    from harness.newplan.ask_titles import given_titles

    found = given_titles(arguments.title, machine)
    return found + (_from_sheet(arguments.sheet, machine) if arguments.sheet is not None else [])


def _from_sheet(path: Path, machine: Machine) -> list[dict[str, Any]]:
    from harness import userfiles
    from harness.newplan.sheet import titles_from_sheet

    content = userfiles.read_bytes(path, "spreadsheet")
    if content.startswith(_WORKBOOKS):
        what = "it is a workbook, which is not read here"
        raise UserFileError(path, what, "save it as CSV from the spreadsheet and name that file")
    return titles_from_sheet(userfiles.text_of(content, path), str(path), machine)


def _permitted(
    arguments: argparse.Namespace, dialogue: Dialogue, machine: Machine, profiles: list[dict[str, Any]]
) -> bool:
    from harness.newplan import ask_night

    if arguments.allow_hardware_changes and ask_night.changing_profiles(profiles, machine):
        return True
    return ask_night.ask_permission(dialogue, machine, profiles)


def _add(
    arguments: argparse.Namespace,
    dialogue: Dialogue,
    host: PluginHost,
    path: Path,
    kind: str,
    out: Console,
) -> int:
    """Add titles or profiles to a plan; its comments, line ends and order stay."""
    from harness import userfiles
    from harness.commands.machine_at_hand import look
    from harness.newplan import ask_profiles, ask_titles, compose, extend
    from harness.plan.forecast import forecast
    from harness.plan.load import load_plan, parse_plan

    plan = load_plan(path, host)
    content = userfiles.read_bytes(path, "plan")
    text, put_back = _decoded(content, path)
    machine = look(host, _card_of(host, plan), path.parent)
    added: list[dict[str, Any]]
    block: Callable[[Mapping[str, Any]], list[str]]
    if kind == "profiles":
        taken = {profile.name for profile in plan.profiles}
        added = ask_profiles.given_profiles(arguments.profile, machine)
        added = added or ask_profiles.ask_profiles(dialogue, machine, taken)
        if not plan.plan.allow_hardware_changes and _permitted(arguments, dialogue, machine, added):
            text = extend.with_permission(text, str(path))

        def block(table: Mapping[str, Any]) -> list[str]:
            return compose.profile_block(table, machine)
    else:
        taken = {title.name for title in plan.titles}
        added = _titles_given(arguments, machine) or ask_titles.ask_titles(dialogue, machine, taken)
        block = compose.title_block
    if not added:
        raise NoAnswer(f"nothing was answered, so {path} stays as it is; name what to add")
    for table in added:
        text = extend.with_table(
            text, "profiles" if kind == "profiles" else "titles", table, block(table), str(path)
        )
    whole = parse_plan(text, f"{path} (not written)", host.kinds, [str(plugin) for plugin in host.broken])
    if userfiles.read_bytes(path, "plan") != content:
        raise PlanError(str(path), [Problem("the file", "it was changed meanwhile", "do it once more")])
    userfiles.write_whole(path, put_back(text), "plan", replace=True)
    names = ", ".join(str(table["name"]) for table in added)
    out.print(
        f"Added to {path}: {names}. The night is now about {duration(forecast(whole).expected_s)}.",
        markup=False,
    )
    _tell_what_is_missing(out, host, path)
    out.print(f"Next: levelrig check {_shown(path)}", markup=False, soft_wrap=True)
    return 0


def _card_of(host: PluginHost, plan: Plan) -> GraphicsCard | None:
    """The card that the plan is about; None where it is not here or can't be told, as `check` says."""
    from harness.card import CardChoiceError
    from harness.plugins import PluginRig

    try:
        return PluginRig(host, plan).card()
    except CardChoiceError:
        return None


def _decoded(content: bytes, path: Path) -> tuple[str, Callable[[str], bytes]]:
    """A plan's text, and the way back to its bytes: encoding and byte-order mark as they were."""
    from harness import userfiles

    mark, encoding = userfiles.encoding_of(content)
    return userfiles.text_of(content, path), lambda whole: mark + whole.encode(encoding)


def _write(path: Path, text: str, *, replace: bool) -> None:
    from harness import userfiles

    userfiles.write_whole(path, text.encode("utf-8"), "plan", replace=replace)


def _shown(path: Path) -> str:
    """The path as a word of a command line."""
    text = str(path)
    return f'"{text}"' if " " in text else text


def _count(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
