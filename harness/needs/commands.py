"""What a command of a plan needs: its working folder, a program that can be started, its script."""

from __future__ import annotations

import sys
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from typing import Final

from harness.needs.arguments import script_needs
from harness.needs.need import Need
from harness.plan.locate import Path as PlanPath
from harness.programs import NoProgram, find_program, plan_folders, plan_path

#: Stands for the attempt's folder, which is not there yet, wherever a placeholder names it.
ATTEMPT: Final = Path("(the attempt's folder)")


def folder_need(text: str, base: Path | None, place: PlanPath) -> Generator[Need, None, Path | None]:
    """Complaints about a working folder; gives the folder, None where it is missing or not known yet."""
    if ATTEMPT.name in text:
        return None
    path = plan_path(text, base)
    if path.is_dir():
        return path
    what = f"{path} is no folder" if path.exists() else f"there is no folder {path}"
    yield Need(place, "missing", what + slashes(text), "make it, or fix the path")
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
    try:
        find_program(words[0], [*sought, *([] if folder is None else [folder])])
    except NoProgram as error:
        yield Need(place, "missing", error.what, error.remedy)
        return
    hint = "'{{plan_folder}}/{}'" if placeholders and base is not None else "the full path of {}"
    yield from script_needs(words, folder, sought, place, hint)


def slashes(text: str) -> str:
    """What to add where a path is written as on Windows, on another system; else nothing."""
    if sys.platform != "win32" and "\\" in text:
        return "; parts of a path are separated by / here, not by \\"
    return ""
