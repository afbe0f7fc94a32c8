"""On Windows: a folder that only its owner, the system and administrators may use.

A folder below ``ProgramData`` is made writable for every user by what it inherits, so what lies there could
be changed by anyone. Written after the documentation of ``icacls`` and well-known SIDs; not tried on Windows.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path, PureWindowsPath
from typing import Final

#: OWNER RIGHTS, LocalSystem, Administrators (Microsoft, "Well-known SIDs").
_ALLOWED: Final = ("*S-1-3-4", "*S-1-5-18", "*S-1-5-32-544")


def acl_words(folder: Path, system_root: str = r"C:\Windows") -> list[str]:
    """The command that takes inherited rights away and gives full ones to owner, system, administrators."""
    program = str(PureWindowsPath(system_root, "System32", "icacls.exe"))
    grants = [f"{sid}:(OI)(CI)F" for sid in _ALLOWED]
    return [program, str(folder), "/inheritance:r", "/grant:r", *grants, "/q"]


def protect(folder: Path, run: Callable[[Sequence[str]], int] | None = None) -> None:
    """Protect a folder just made; does nothing but on Windows unless ``run`` is given. Raises OSError."""
    if run is None:
        if sys.platform != "win32":
            return
        run = _run
    code = run(acl_words(folder, os.environ.get("SystemRoot", r"C:\Windows")))  # noqa: SIM112
    if code:
        raise OSError(f"{folder}: can't be protected from other users (icacls ended with {code}); remove it")


def _run(words: Sequence[str]) -> int:
    return subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False).returncode
