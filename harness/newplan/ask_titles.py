"""Questions about titles: how one starts, when it is ready, how long it is measured, where its frames are."""

from __future__ import annotations

import typing
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.errors import HarnessError, NoAnswer
from harness.newplan.dialogue import Dialogue, one_of
from harness.newplan.fields import LOGGER, FieldError, logger_beside, title_table, written_words
from harness.newplan.machine import Machine
from harness.newplan.wording import join_command, literally, number, plan_name, split_command, unquoted


def scenes(machine: Machine) -> list[str]:
    """Names of the built-in scenes."""
    kind = machine.kinds.get(("workload", "scene"))
    if kind is None or kind.options is None:
        return []
    return [str(name) for name in typing.get_args(kind.options.model_fields["scene"].annotation)]


def given_titles(entries: Sequence[Sequence[str]], machine: Machine) -> list[dict[str, Any]]:
    """Titles from ``--title NAME KEY=VALUE...``. Raises NoAnswer."""
    found = []
    for words in entries:
        try:
            found.append(title_table(written_words(_as_scene(words, scenes(machine)), "--title"), machine))
        except FieldError as error:
            raise NoAnswer(str(error)) from error
    return found


def _as_scene(words: Sequence[str], known: Sequence[str]) -> Sequence[str]:
    """A built-in scene needs nothing but its name."""
    if words[0] not in known or any(word.partition("=")[0] in ("scene", "command") for word in words[1:]):
        return words
    seconds = [] if any(word.startswith(("measure_s=", "seconds=")) for word in words[1:]) else ["seconds=60"]
    return [words[0], f"scene={words[0]}", *seconds, *words[1:]]


def ask_titles(dialogue: Dialogue, machine: Machine, taken: Collection[str] = ()) -> list[dict[str, Any]]:
    """Titles, one after the other until an empty name; at least one in a new plan. Raises NoAnswer."""
    found: list[dict[str, Any]] = []
    built_in = scenes(machine)
    dialogue.explain(f"Titles: any program, or a built-in scene ({', '.join(built_in)}).")
    logger = ""
    while True:
        names = {*taken, *(title["name"] for title in found)}
        if found:
            name = dialogue.ask("Another title (empty: no more)", str, option="--title or --from", default="")
        else:
            name = dialogue.ask(
                "Name of the first title", str, option="--title or --from", default=next(iter(built_in), None)
            )
        if not name:
            return found
        found.append(ask_title(dialogue, machine, name, names, logger))
        logger = _logger_of(found[-1], machine) or logger


def ask_title(
    dialogue: Dialogue, machine: Machine, name: str, taken: Collection[str], logger: str = ""
) -> dict[str, Any]:
    """One title: how it starts, when it is ready, how long it is measured, where its frames are.

    Args:
        dialogue: Asks.
        machine: Knows what is a program here, and looks at samples of logs.
        name: What the person calls it.
        taken: Names that are gone.
        logger: Command line of the logger beside the title before; empty for none.
    """
    plain = plan_name(name, taken)
    table: dict[str, Any] = {"name": plain} | ({"label": name} if plain != name else {})
    if plan_name(name) in scenes(machine):
        return {**table, **_ask_scene(dialogue, machine, plan_name(name))}
    table["workload"] = "command"
    table["command"] = _ask_command(dialogue, machine)
    folder = machine.folder_for(table["command"]) or _folder_of(table["command"][0])
    folder = dialogue.ask(
        "  Its working folder" + ("" if folder else " (empty: an empty one for each run)"),
        unquoted,
        option="--title",
        default=folder,
    )
    table |= {"working_folder": folder} if folder else {}
    process = dialogue.ask(
        "  If that only asks a launcher: the title's own program (empty: it does not)",
        str,
        option="--title NAME process=PROGRAM",
        default="",
    )
    table |= {"process_name": process} if process else {}
    ready = dialogue.ask(
        "  Ready after how many seconds, or at which text in its output", str, option="--title", default="20"
    )
    try:
        table["ready_after_s"] = _plain_number(ready)
    except ValueError:
        table["ready_line"] = literally(ready)
    measure_s = dialogue.ask(
        "  Seconds to measure (0: until it ends by itself)", _seconds, option="--title", default="60"
    )
    if measure_s:
        table["measure_s"] = measure_s
    else:
        end = dialogue.ask(
            "  Text in its output at its end (empty: it just ends)", str, option="--title", default=""
        )
        table |= {"end_line": literally(end)} if end else {}
        table |= {"warm_up": {"seconds": 0}, "soak": {}}
    frames = dialogue.ask(
        "  Its frames: log (a file of them), logger (a program beside it logs), "
        + ("" if machine.windows else "capture (levelrig records them), ")
        + "or score",
        one_of(["log", "logger", *([] if machine.windows else ["capture"]), "score"]),
        option="--title",
        default="logger" if logger else "log",
    )
    if frames == "logger":
        dialogue.say(
            "  It is started and ended with the title. {work_folder} is the run's own folder, {process_id} "
            "the title's process."
        )
        command = dialogue.ask(
            "  Program and arguments of the logger",
            lambda text: command_of(text, machine),
            option="--title NAME logger=COMMAND",
            default=logger or None,
        )
        table |= logger_beside(command)
        return {**table, "frame_log": {"companion": LOGGER, **ask_frame_log(dialogue, machine)}}
    if frames == "capture":
        dialogue.say(
            "  It has to be an offline title or mode: one with a protection against foreign code in its "
            "process may bar the player's account."
        )
        return {**table, "frames": frames}
    if frames == "log":
        return {**table, "frame_log": ask_frame_log(dialogue, machine)}
    front = dialogue.ask("  Text in front of the number", str, option="--title", default="score:")
    table["score_line"] = literally(front) + r"\s*([0-9.]+)"
    return table


def _ask_scene(dialogue: Dialogue, machine: Machine, scene: str) -> dict[str, Any]:
    table: dict[str, Any] = {"workload": "scene", "scene": scene}
    default = "gpu" if machine.draws_on_card else "cpu"
    backend = dialogue.ask("  Drawn on gpu or cpu", one_of(["gpu", "cpu"]), option="--title", default=default)
    if backend == "gpu":
        size = machine.screen
        usual = "2560x1440" if size is None else f"{size.width_px}x{size.height_px}"
        size_text = dialogue.ask("  Resolution", str, option="--title", default=usual)
        table |= {"backend": "gpu", "resolution": size_text, "load": 20}
    table["measure_s"] = dialogue.ask("  Seconds to measure", _some_seconds, option="--title", default="60")
    return table


def _logger_of(title: Mapping[str, Any], machine: Machine) -> str:
    commands = (companion["command"] for companion in title.get("companions", ()))
    return next((join_command(command, windows=machine.windows) for command in commands), "")


def command_of(text: str, machine: Machine) -> list[str]:
    """The words of a command line. Raises ValueError."""
    return split_command(
        text, windows=machine.windows, is_program=lambda words: machine.is_program(words, None)
    )


def _ask_command(dialogue: Dialogue, machine: Machine) -> list[str]:
    while True:
        words = dialogue.ask(
            "  Program and its arguments", lambda text: command_of(text, machine), option="--title"
        )
        if machine.is_program(words[0], None):
            return words
        dialogue.say(f"  There is no program {words[0]} on this machine.")
        question = "  Keep it all the same, for another machine"
        if dialogue.agree(question, option="--title", default=True):
            return words


def _folder_of(program: str) -> str:
    """The folder that a program's path leads to; empty for one on the search path."""
    cut = max(program.rfind("/"), program.rfind("\\"))
    folder = program[:cut] if cut > 0 else ""
    return "" if folder == "." else f"{folder}\\" if folder.endswith(":") else folder


def ask_frame_log(dialogue: Dialogue, machine: Machine) -> dict[str, Any]:
    """Where a title's log is and which column holds what: from a sample, or by hand."""
    path = dialogue.ask(
        "  Path of the log that it writes (* for a part that changes)", unquoted, option="--title"
    )
    default = path if machine.is_file(path) else ""
    while True:
        sample = dialogue.ask(
            "  A log that it wrote before, to find the columns (empty: name them)",
            unquoted,
            option="--title NAME sample=FILE",
            default=default,
        )
        if not sample:
            break
        try:
            proposal = machine.propose(Path(sample).expanduser())
        except HarnessError as error:
            dialogue.say(f"  {error}")
            default = ""
            continue
        if not proposal.mapping:
            dialogue.say("  No column of it looks like a frame time; please name them.")
            break
        dialogue.say(f"  Proposed: {', '.join(f'{k} = {v}' for k, v in proposal.mapping.items())}")
        if proposal.result:
            shown = proposal.result
            dialogue.say(
                f"  So read it has {shown['frame_count']} frames at {shown['average_fps']} FPS on average."
            )
        for doubt in proposal.doubts:
            dialogue.say(f"  Not certain: {doubt}")
        if dialogue.agree("  Use these lines", option="--title NAME interval_column=COLUMN", default=True):
            return {"path": path, **proposal.mapping}
        break
    return {"path": path, **_ask_columns(dialogue, machine)}


def _ask_columns(dialogue: Dialogue, machine: Machine) -> dict[str, Any]:
    option = "--title NAME interval_column=COLUMN"
    interval = dialogue.ask(
        "  Column with each frame's time (heading, or #2 for the second; empty: none)",
        str,
        option=option,
        default="",
    )
    if interval:
        found = {"interval_column": interval}
    else:
        time = "  Column with the time at which each frame was shown"
        found = {"presentation_time_column": dialogue.ask(time, str, option=option)}
    units = ["s", "ms", "us", "ns"]
    found["unit"] = dialogue.ask(
        f"  Its unit ({', '.join(units)})", one_of(units), option=option, default="ms"
    )
    sign = dialogue.ask(
        "  Between the columns (comma, semicolon, tab)",
        one_of(["comma", "semicolon", "tab"]),
        option=option,
        default="comma",
    )
    return found if sign == "comma" else {**found, "delimiter": sign}


def _plain_number(text: str) -> float:
    value = number(text)
    if value < 0:
        raise ValueError(f"{text!r} is below 0; write seconds, as in 20")
    return value


def _seconds(text: str) -> float:
    value = _plain_number(text.strip().removesuffix("s"))
    if value > 24 * 3600:
        raise ValueError(f"{text!r} is over a day; write seconds, as in 60")
    return value


def _some_seconds(text: str) -> float:
    value = _seconds(text)
    if value == 0:
        raise ValueError("0 s is no time to measure; write seconds, as in 60")
    return value
