"""Words as values of plan keys: the same for a question, an option ``key=value`` and a spreadsheet's cell.

What a key takes is read off the models of the plan and of the plugins, so a key is known here as soon as it
is known there.
"""

from __future__ import annotations

import tomllib
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from harness.errors import HarnessError
from harness.newplan.dialogue import truth
from harness.newplan.machine import Machine
from harness.newplan.wording import is_plan_name, number, plan_name, split_command, unquoted
from harness.plan.complaints import nearest
from harness.plan.schema import FrameLogSpec, ProfileSpec, TitleSpec

#: Names that people write -> the key that is meant. ``log`` and ``sample`` lead into the frame log.
USUAL_NAMES: Final[Mapping[str, str]] = {
    "seconds": "measure_s",
    "measure": "measure_s",
    "folder": "working_folder",
    "log": "path",
    "frame_log": "path",
    "interval": "interval_column",
    "time": "presentation_time_column",
    "ready_after": "ready_after_s",
    "end_after": "end_after_s",
    "deadline": "deadline_s",
    "score": "score_line",
    "process": "process_name",
    "program": "command",
    "title": "name",
}
#: What stands for several keys: the log's columns, a sample of a log to find them in, and the command of a
#: program beside the title that writes the log.
COLUMNS, SAMPLE, LOGGER = "columns", "sample", "logger"
_COMMANDS: Final = frozenset({"command", "arguments", "apply", "restore", "verify"})
_PATHS: Final = frozenset({"path", "working_folder", "watch_file"})


@dataclass(frozen=True)
class Written:
    """A word for a key, and where it was written, for complaints."""

    key: str
    text: str
    where: str


class FieldError(ValueError):
    """A word that its key does not take.

    Attributes:
        where: Where it was written.
        what, remedy: What is wrong, and what to write.
    """

    def __init__(self, where: str, what: str, remedy: str) -> None:
        self.where, self.what, self.remedy = where, what, remedy
        super().__init__(f"{where}: {what}; {remedy}")


def written_words(words: Sequence[str], option: str) -> list[Written]:
    """``NAME KEY=VALUE...`` as the words of a table. Raises FieldError."""
    name, *rest = words
    found = [Written("name", name, f"{option} {name}")]
    for word in rest:
        key, sign, text = word.partition("=")
        if not sign:
            what = f"{word!r} is no KEY=VALUE"
            raise FieldError(
                f"{option} {name}",
                what,
                f"the plan stands before {option}; put quotes around a value with blanks",
            )
        found.append(Written(key, text, f"{option} {name}, {key}"))
    return found


def canonical(name: str) -> str:
    """The key that a heading or a name means: ``Ready after`` -> ``ready_after_s``."""
    plain = "_".join(name.strip().lower().replace("-", " ").split())
    return USUAL_NAMES.get(plain, plain)


def title_keys(machine: Machine) -> list[str]:
    """Everything that may be said of a title."""
    frame_log = [name for name in _log_models(machine) if name != "reader"]
    title = [name for name in _title_fields(machine, None) if name not in ("frame_log", "options")]
    return [*title, *frame_log, COLUMNS, SAMPLE, LOGGER]


def _title_fields(machine: Machine, workload: str | None) -> dict[str, FieldInfo]:
    fields = dict(TitleSpec.model_fields)
    for (role, name), kind in machine.kinds.items():
        if (
            role == "workload"
            and name != "simulated"
            and workload in (None, name)
            and kind.options is not None
        ):
            fields |= kind.options.model_fields
    return fields


def _log_models(machine: Machine) -> dict[str, FieldInfo]:
    columns = machine.kinds.get(("reader", "columns"))
    fields = dict(columns.options.model_fields) if columns is not None and columns.options else {}
    return {**{k: v for k, v in FrameLogSpec.model_fields.items() if k != "options"}, **fields}


def title_table(
    words: list[Written], machine: Machine, *, comma_is_decimal: bool | None = None
) -> dict[str, Any]:
    """The ``[[titles]]`` table that the words make.

    Args:
        words: What was said of the title; empty texts count as not said.
        machine: Knows the keys, and what is a program here.
        comma_is_decimal: As in :func:`harness.newplan.wording.number`.
    Raises:
        FieldError: A key is not known, or a word is none that it takes.
    """
    said = {canonical(w.key): w for w in words if w.text.strip()}
    known = title_keys(machine)
    for key, written in said.items():
        if key not in known:
            raise FieldError(
                written.where, f"no key of a title is called {written.key!r}", nearest(key, known)
            )
    if "name" not in said:
        where = words[0].where if words else "the title"
        raise FieldError(where, "the title has no name", "give it one")
    table: dict[str, Any] = {}
    name = said.pop("name")
    table["name"] = name.text.strip() if is_plan_name(name.text.strip()) else plan_name(name.text)
    if table["name"] != name.text.strip():
        table["label"] = name.text.strip()
    workload = (
        said.pop("workload").text.strip() if "workload" in said else "scene" if "scene" in said else "command"
    )
    table["workload"] = workload
    fields, log_fields = _title_fields(machine, workload), _log_models(machine)
    log: dict[str, Any] = {}
    for key, written in said.items():
        if key == COLUMNS:
            log |= _columns(written, log_fields, comma_is_decimal)
        elif key == LOGGER:
            table |= logger_beside(_said_command(written, machine, None))
            log["companion"] = LOGGER
        elif key != SAMPLE and key in log_fields:
            log[key] = _value(key, log_fields[key], written, machine.windows, comma_is_decimal)
        elif key in fields:
            table[key] = _value(key, fields[key], written, machine.windows, comma_is_decimal, machine, said)
        elif key != SAMPLE:
            raise FieldError(
                written.where, f"{written.key!r} does not go with workload {workload!r}", "leave it empty"
            )
    if SAMPLE in said:
        log = _from_sample(said[SAMPLE], machine) | log
    if log:
        table["frame_log"] = log
    if workload == "command" and not table.keys() & {"frame_log", "score_line", "frames"}:
        where = words[0].where.partition(", column")[0]
        what = "the title gives neither frames nor a score"
        raise FieldError(where, what, "say log and columns, a sample of its log, frames, or score")
    if workload == "command" and "command" not in table:
        where = words[0].where.partition(", column")[0]
        raise FieldError(where, "the title has no command", "say what starts it")
    if (
        workload == "command"
        and "working_folder" not in table
        and (folder := machine.folder_for(table["command"]))
    ):
        table["working_folder"] = folder
    if measured_to_its_end(table):
        table.setdefault("warm_up", {"seconds": 0})
        table.setdefault("soak", {})
    return table


def _from_sample(written: Written, machine: Machine) -> dict[str, Any]:
    """The mapping that a look at a sample of the log proposes; its own name where no other is given."""
    path = Path(unquoted(written.text)).expanduser()
    try:
        mapping = machine.propose(path).mapping
    except HarnessError as error:
        raise FieldError(written.where, str(error), "name a log that the title has written") from error
    if not mapping:
        what = f"no column of {path} looks like a frame time"
        raise FieldError(written.where, what, "see `levelrig map`, or name the columns by hand")
    return {"path": path.name, **mapping}


def logger_beside(command: list[str]) -> dict[str, Any]:
    """The key of a title beside which a frame logger runs; one that is told the process starts after it."""
    late = any("{process_id}" in word for word in command)
    return {"companions": [{"name": LOGGER, "command": command} | ({"starts": "when-ready"} if late else {})]}


def measured_to_its_end(table: Mapping[str, Any]) -> bool:
    """Whether the title's whole run is its window: no warm-up and no soak may be cut from it."""
    return table.get("workload") == "command" and "measure_s" not in table


def _columns(written: Written, fields: Mapping[str, FieldInfo], comma: bool | None) -> dict[str, Any]:
    """``dt`` alone is the interval's column; ``interval_column=dt; unit=ms`` says more."""
    if "=" not in written.text:
        return {"interval_column": written.text.strip()}
    found: dict[str, Any] = {}
    for part in written.text.replace(",", ";").split(";"):
        name, sign, text = part.partition("=")
        key = canonical(name)
        if not sign or key not in fields:
            raise FieldError(
                written.where,
                f"{part.strip()!r} says nothing of a column",
                "write the heading of the frame times' column, or interval_column=dt; unit=ms",
            )
        found[key] = _value(key, fields[key], Written(key, text.strip(), written.where), False, comma)
    return found


def profile_table(words: list[Written], machine: Machine) -> dict[str, Any]:
    """The ``[[profiles]]`` table that the words make. Raises FieldError."""
    said = {w.key.strip().lower().replace("-", "_"): w for w in words if w.text.strip()}
    name = said.pop("name", None)
    if name is None:
        raise FieldError(words[0].where if words else "the profile", "the profile has no name", "give it one")
    table: dict[str, Any] = {"name": plan_name(name.text)}
    if table["name"] != name.text.strip():
        table["label"] = name.text.strip()
    control = said.pop("control").text.strip() if "control" in said else _control_of(said, machine)
    kind = machine.kinds.get(("control", control))
    if kind is None and control != "factory":
        raise FieldError(
            name.where, f"no control {control!r} is installed", nearest(control, machine.controls)
        )
    if control != "factory":
        table["control"] = control
    options = kind.options if kind is not None else None
    fields = {**ProfileSpec.model_fields, **(options.model_fields if options is not None else {})}
    known = [key for key in fields if key not in ("options", "name", "control")]
    for key, written in said.items():
        if key not in known:
            what = f"control {control!r} has no key {written.key!r}"
            raise FieldError(written.where, what, nearest(key, known))
        table[key] = _value(key, fields[key], written, machine.windows, None)
    return table


def _control_of(said: Mapping[str, Written], machine: Machine) -> str:
    """The control whose keys were said: of the cards here first."""
    for control in machine.controls:
        options = machine.kinds["control", control].options
        if said and options is not None and set(said) - {"label"} <= set(options.model_fields):
            return control
    return "factory" if not set(said) - {"label"} else machine.controls[0]


def key_value(key: str, model: type[BaseModel], text: str, *, windows: bool) -> Any:
    """The value of one key of a model. Raises ValueError with what to write."""
    return _convert(key, model.model_fields[key], text, windows, None)


def _value(
    key: str,
    field: FieldInfo,
    written: Written,
    windows: bool,
    comma: bool | None,
    machine: Machine | None = None,
    said: Mapping[str, Written] | None = None,
) -> Any:
    if key in _COMMANDS and machine is not None:
        folder = said["working_folder"].text.strip() if said and "working_folder" in said else None
        return _said_command(written, machine, folder)
    try:
        return _convert(key, field, written.text, windows, comma)
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        raise FieldError(written.where, what, remedy or "see plans/README.md") from error


def _said_command(written: Written, machine: Machine, folder: str | None) -> list[str]:
    text = written.text
    try:
        if text.lstrip().startswith("["):
            return _words(text)
        return split_command(
            text, windows=machine.windows, is_program=lambda words: machine.is_program(words, folder)
        )
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        raise FieldError(written.where, what, remedy or "write it as on a command line") from error


def _words(text: str) -> list[str]:
    value = _toml(text)
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise ValueError(f'{text!r} is no list of words; write it as ["program", "argument"]')
    return value


def _toml(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ValueError(f"{text[:80]!r} can't be read ({error}); write it as in a plan") from error


def _convert(key: str, field: FieldInfo, text: str, windows: bool, comma: bool | None) -> Any:
    """The text as what the field takes. Raises ValueError."""
    plain, kind = text.strip(), _plain_type(field.annotation)
    if plain[:1] in ("[", "{") and kind not in (str, int, float):
        return _toml(plain)
    if kind is bool:
        return truth(plain)
    if kind in (int, float):
        value = number(plain, comma_is_decimal=comma)
        if kind is int or value.is_integer():
            if not value.is_integer():
                raise ValueError(f"{plain!r} is no whole number; write digits, as in 60")
            return int(value)
        return value
    if typing.get_origin(kind) is Literal:
        words = [str(word) for word in typing.get_args(kind)]
        if plain not in words:
            raise ValueError(f"{plain!r} is none that it takes; {nearest(plain, words)}")
        return plain
    if typing.get_origin(kind) in (list, tuple):
        if key in _COMMANDS:
            return split_command(plain, windows=windows)
        inner = typing.get_args(kind)[0]
        parts = [part.strip() for part in plain.replace(";", ",").split(",")] if inner is int else [plain]
        if inner is not int:
            return parts
        if not all(part.isdecimal() for part in parts):
            raise ValueError(f"{plain!r} is no list of whole numbers; write them with commas, as in 0, 1")
        return [int(part) for part in parts]
    if kind is str or kind is None:
        return unquoted(plain) if key in _PATHS else plain
    raise ValueError(f"{plain!r} is no table; write it as in a plan, as {{ seconds = 10 }}")


def _plain_type(annotation: Any) -> Any:
    """The type without None; text where several are possible and text is one."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _plain_type(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        inner = [_plain_type(part) for part in typing.get_args(annotation) if part is not type(None)]
        return str if str in inner else inner[0]
    return annotation
