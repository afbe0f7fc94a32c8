"""Which program a plan's word means, and whether the system can start it.

One rule for relative paths in a plan, of programs and of working folders: they are looked for in the folder
of the plan, then in the one in which levelrig was started. What stands after a program are its own arguments,
which nobody but the program understands.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from harness.errors import WorkloadFailed

#: What Windows' own call starts without a shell, of what the search path may name.
WINDOWS_PROGRAMS: Final = (".exe", ".com", ".bat", ".cmd")
_HEAD_BYTES: Final = 512
_HANDLERS: Final = Path("/proc/sys/fs/binfmt_misc")


class NoProgram(WorkloadFailed):
    """A program that is not there, or that the system can't start. It can't change by itself.

    Attributes:
        what, remedy: The message in its two parts.
    """

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(f"{what}; {remedy}", permanent=True)


def plan_folders(base: Path | None) -> list[Path]:
    """Where relative paths of a plan are looked for: the plan's folder, then the one levelrig runs in."""
    return list(dict.fromkeys([*([] if base is None else [base.absolute()]), _here()]))


def plan_path(text: str, base: Path | None) -> Path:
    """The path that a plan's text means: of those it may mean the first that is there, else the first."""
    path = Path(text).expanduser()
    if path.is_absolute():
        return path
    candidates = [folder / path for folder in plan_folders(base)]
    return next((candidate for candidate in candidates if candidate.exists()), candidates[0])


def find_program(word: str, folders: Sequence[Path]) -> Path:
    """The program that ``word`` means, as an absolute path.

    Args:
        word: A name on the search path, or a path. Entries of the search path that are relative or empty
            count for nothing: what they hold depends on the folder.
        folders: Where a relative path is looked for, in this order.
    Raises:
        NoProgram: There is none that can be started.
    """
    if not word:
        raise NoProgram("the program's name is empty", "write the program as the first word")
    is_path = "/" in word or (sys.platform == "win32" and ("\\" in word or ":" in word))
    if not is_path and (found := shutil.which(word, path=_search_path())) is not None:
        return _startable(Path(found).absolute())
    for candidate in _candidates(Path(word).expanduser(), folders):
        if candidate.exists():
            return _startable(candidate)
    raise NoProgram(*_absent(word, is_path=is_path, folders=folders))


def hindrance(path: Path) -> tuple[str, str] | None:
    """Why the system can't start that file, and what to do; None where nothing speaks against it."""
    if path.is_dir():
        return f"{path} is a folder, no program", "name the program inside it"
    if not path.is_file():
        return f"{path} is no file", "name the program itself"
    if sys.platform == "win32":
        return windows_hindrance(path)
    if not os.access(path, os.X_OK):
        return (
            f"{path} is not executable",
            f"grant the right (chmod +x {path.name}), or write its interpreter before it",
        )
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return None  # a program that may be run and not read
    return _unix_head(path, head)


def windows_hindrance(path: Path) -> tuple[str, str] | None:
    """The same by a file's ending, which decides on Windows. Not tried there."""
    if path.suffix.lower() in WINDOWS_PROGRAMS:
        return None
    return (
        f"{path} is no program that Windows starts by itself (those end with {', '.join(WINDOWS_PROGRAMS)})",
        "write its interpreter before it, as in ['python', 'title.py']",
    )


def _unix_head(path: Path, head: bytes) -> tuple[str, str] | None:
    if head.startswith(b"#!"):
        return _interpreter(path, head)
    if not head:
        return f"{path} is empty", "name the program itself"
    if head.startswith(b"MZ"):
        if _has_handlers():
            return None
        return f"{path} is a program for Windows, which this system does not start", "name the one for here"
    if b"\0" not in head:
        return (
            f"{path} is a text without a first line such as #!/bin/sh, so the system can't start it",
            "add that line, or write its interpreter before it, as in ['sh', 'start.sh']",
        )
    return None


def _interpreter(path: Path, head: bytes) -> tuple[str, str] | None:
    line = head[2:].split(b"\n", 1)[0]
    if line.endswith(b"\r"):
        return (
            f"{path}: its first line ends as lines do on Windows, which makes its interpreter unknown",
            "save it with Unix line ends",
        )
    words = line.decode("utf-8", "replace").split()
    wanted = words[0] if words else ""
    if Path(wanted).name == "env":
        wanted = next((word for word in words[1:] if not word.startswith("-") and "=" not in word), "")
    if not wanted or shutil.which(wanted) is None:
        return (
            f"{path} asks for the interpreter {wanted!r}, which is not there",
            "install it, or fix the file's first line",
        )
    return None


def _startable(path: Path) -> Path:
    wrong = hindrance(path)
    if wrong is not None:
        raise NoProgram(*wrong)
    return path


def _candidates(path: Path, folders: Iterable[Path]) -> Iterable[Path]:
    places = [path] if path.is_absolute() else [folder.absolute() / path for folder in folders]
    for place in dict.fromkeys(places):
        yield place
        if sys.platform == "win32" and not place.suffix:
            yield from (place.with_name(place.name + ending) for ending in WINDOWS_PROGRAMS)


def _absent(word: str, *, is_path: bool, folders: Sequence[Path]) -> tuple[str, str]:
    if sys.platform != "win32" and "\\" in word:
        return (
            f"there is no program {word!r}: parts of a path are separated by / here, not by \\",
            f"write {word.replace(chr(92), '/')!r}, if that is where it lies",
        )
    where = [] if is_path else ["on the search path"]
    where += [] if Path(word).expanduser().is_absolute() else [f"in {f}" for f in dict.fromkeys(folders)]
    looked = f", looked for {', '.join(where)}" if where else ""
    return f"there is no program {word!r}{looked}", "install it, or write its full path as the first word"


def _search_path() -> str:
    entries = os.environ.get("PATH", os.defpath).split(os.pathsep)
    return os.pathsep.join(entry for entry in entries if Path(entry).is_absolute())


def _has_handlers() -> bool:
    """The kernel was told of programs that start files of further kinds."""
    try:
        return any(entry.name not in ("register", "status") for entry in _HANDLERS.iterdir())
    except OSError:
        return False


def _here() -> Path:
    try:
        return Path.cwd()
    except OSError:  # it was removed
        return Path(os.sep)
