"""What a command of a plan needs: its working folder, a program that can be started, its script."""

from __future__ import annotations

import contextlib
import json
import re
import sys
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from typing import Final

from harness.needs.arguments import ATTEMPT as ATTEMPT
from harness.needs.arguments import script_needs
from harness.needs.need import Need
from harness.plan.locate import Path as PlanPath
from harness.programs import NoProgram, find_program, plan_folders, plan_path

#: Words between two programs, or after one, that a shell would understand.
_SHELL: Final = frozenset(("|", "||", "&", "&&", ";", "<", "2>&1"))
_VARIABLE: Final = re.compile(r"\$[A-Z][A-Z0-9_]*\b|\$\{[A-Z][A-Z0-9_]*\}|%[A-Za-z][A-Za-z0-9_]*%")


def folder_need(text: str, base: Path | None, place: PlanPath) -> Generator[Need, None, Path | None]:
    """Complaints about a working folder; gives the folder, None where it is missing or not known yet."""
    if ATTEMPT.name in text:
        return None
    path = plan_path(text, base)
    if path.is_dir():
        return path
    what = f"{path} is no folder" if path.exists() else f"there is no folder {path}"
    variable = variable_in(text)
    remedy = "make it, or fix the path" if variable is None else f"write the path itself for {variable}"
    yield Need(place, "missing", what + slashes(text), remedy)
    return None


def command_needs(
    words: Sequence[str], folder: Path | None, base: Path | None, place: PlanPath, *, placeholders: bool
) -> Iterator[Need]:
    """Complaints about a command's program, and about a script that its interpreter would not find.

    Args:
        words: The whole command; placeholders filled in.
        folder: Its working folder; None for one that is new and empty.
        base: Folder of the plan.
        place: Of the command in the plan.
        placeholders: Whether ``{plan_folder}`` may stand in it.
    """
    if ATTEMPT.name in words[0]:
        return
    sought = plan_folders(base)
    folders = [*sought, *([] if folder is None else [folder])]
    try:
        find_program(words[0], folders)
    except NoProgram as error:
        yield Need(place, "missing", error.what, _instead(words[0], folders) or error.remedy)
        return
    yield from _shell_needs(words[1:], place)
    hint = "'{{plan_folder}}/{}'" if placeholders and base is not None else "the full path of {}"
    yield from script_needs(words, folder, sought, place, hint)


def _instead(word: str, folders: Sequence[Path]) -> str | None:
    """How to write a program's word that is no program, where that can be seen."""
    if (what := variable_in(word)) is not None:
        return f"{what} is not filled in here: write the path itself, or ~ for the home folder"
    words = word.split()
    if len(words) > 1:
        with contextlib.suppress(NoProgram):
            find_program(words[0], folders)
            return f"write each word as a text of its own: {json.dumps(words, ensure_ascii=False)}"
    return None


def _shell_needs(words: Sequence[str], place: PlanPath) -> Iterator[Need]:
    """Words that only a shell would make something of."""
    for word in words:
        if word in _SHELL or word.startswith((">", "2>")):
            what = f"{word!r} reaches the program as an argument, as no shell reads the command"
            yield Need(place, "doubtful", what, "leave it out, or start a script that does it")
        elif (variable := variable_in(word)) is not None:
            what = f"{variable} reaches the program as it stands, as no shell reads the command"
            yield Need(place, "doubtful", what, "write the value itself, unless the program fills it in")


def variable_in(text: str) -> str | None:
    """The first variable of the environment in a text, as a shell would fill it in; None for none."""
    found = _VARIABLE.search(text)
    return None if found is None else found[0]


def slashes(text: str) -> str:
    """What to add where a path is written as on Windows, on another system; else nothing."""
    if sys.platform != "win32" and "\\" in text:
        return "; parts of a path are separated by / here, not by \\"
    return ""
