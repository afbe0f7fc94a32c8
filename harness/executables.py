"""The program that a word of a plan means."""

from __future__ import annotations

import shutil
from pathlib import Path

from harness.errors import WorkloadFailed


def find_executable(word: str, folder: Path) -> Path:
    """The program that ``word`` means: on the search path, or a path from here or from ``folder``.

    Raises:
        WorkloadFailed: There is none that can be run.
    """
    if "/" not in word and "\\" not in word and (found := shutil.which(word)) is not None:
        return Path(found).absolute()
    for candidate in (Path(word).absolute(), (folder / word).absolute()):
        if (found := shutil.which(str(candidate))) is not None:
            return Path(found)
        if candidate.is_file():
            raise WorkloadFailed(
                f"{candidate} is not executable; grant the right or name its interpreter", permanent=True
            )
    raise WorkloadFailed(
        f"there is no program {word!r}, neither on the search path nor in {Path.cwd()} nor in {folder}; "
        "write its full path as the first word of command",
        permanent=True,
    )
