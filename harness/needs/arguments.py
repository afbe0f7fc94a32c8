"""Files that a command's arguments name: a script that is given as ``python title.py`` is looked for by the
interpreter, in the working folder, and not by the rule for programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path, PurePath
from typing import Final

from harness.needs.need import Need
from harness.plan.locate import Path as PlanPath

#: Stands for the attempt's folder, which is not there yet, wherever a placeholder names it.
ATTEMPT: Final = Path("(the attempt's folder)")
_ENDINGS: Final = "py pyw sh bash pl rb js mjs lua ps1 bat cmd jar exe php r jl tcl"
_SCRIPTS: Final = frozenset("." + ending for ending in _ENDINGS.split())
_NAMES: Final = (
    "python pypy sh bash dash zsh perl ruby node lua java powershell pwsh cmd wine php tclsh julia"
)
_INTERPRETERS: Final = frozenset(_NAMES.split())
#: Options of interpreters after which no file of theirs comes first, or after which theirs comes.
_CODE: Final = frozenset(("-c", "-m", "-e", "-Command", "/c", "/C", "/k"))


def script_needs(
    words: Sequence[str], folder: Path | None, sought: Sequence[Path], path: PlanPath, hint: str
) -> Iterator[Need]:
    """Complaints about scripts among the arguments that would not be found.

    Args:
        words: The whole command; placeholders filled in.
        folder: Its working folder; None for one that is new and empty.
        sought: Where the person may have meant them to lie.
        path: Place of the command in the plan.
        hint: How to write a path that holds, with ``{}`` for the script.
    """
    is_interpreter = _is_interpreter(words[0])
    for number, word in enumerate(words[1:], 1):
        first = is_interpreter and number == _first_file(words)
        file = PurePath(word)
        if not (first or file.suffix.lower() in _SCRIPTS) or word.startswith("-"):
            continue
        if file.is_absolute():
            if first and not Path(word).exists() and ATTEMPT.name not in word:
                what = f"there is no file {word}, which {words[0]} is to run"
                yield Need(path, "missing", what, "fix the path")
            continue
        if first and file.suffix.lower() not in _SCRIPTS and not any((f / word).exists() for f in sought):
            continue  # a sub-command, or what only the interpreter knows
        if folder is not None and (folder / word).exists():
            continue
        meant = next((f / word for f in sought if (f / word).exists()), None)
        if not first and meant is None:
            continue  # a name that the program makes something of
        where = f"in {folder}" if folder is not None else "in the attempt's own folder, which is empty"
        what = f"the argument {word!r} is no file {where}, where the program looks for it"
        remedy = f"write {hint.format(word)}" if meant is not None else f"fix it: {hint.format(word)}"
        yield Need(path, "missing" if first else "doubtful", what, remedy)


def _is_interpreter(word: str) -> bool:
    name = PurePath(word.replace("\\", "/")).name.lower().removesuffix(".exe").rstrip("0123456789.-")
    return name in _INTERPRETERS


def _first_file(words: Sequence[str]) -> int | None:
    """Place of the interpreter's script; None where it gets none."""
    for number, word in enumerate(words[1:], 1):
        if word in _CODE:
            return None
        if word == "-jar":
            return number + 1
        if not word.startswith("-"):
            return number
    return None
