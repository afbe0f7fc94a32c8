"""How the program starts itself once more: by the same interpreter, with nothing of the working folder.

``python -m`` puts the working folder in front of the module search path, so that a ``statistics.py`` that
lies there would be imported, as root where levelrig runs as root. A child of ours is started in Python's
isolated mode (``-I``: no working folder, no ``PYTHON…`` variables, no packages of the user's own). Where
levelrig itself was installed among the user's own packages, or is found through ``PYTHONPATH``, that mode
could not find it: there only the working folder is kept out (``-P``).

Source: https://docs.python.org/3/using/cmdline.html, options -I and -P.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import harness


def python_command(module: str, *arguments: str, python: Path | None = None) -> list[str]:
    """The words that run a module of ours in a process of its own.

    Args:
        module: As for ``python -m``.
        arguments: Of the module.
        python: Interpreter; default: this one.
    """
    return [str(python or sys.executable), isolation_flag(), "-m", module, *arguments]


def isolation_flag() -> str:
    """``-I``; ``-P`` where levelrig would not be found so."""
    root = Path(harness.__file__).resolve().parent.parent
    return "-P" if any(_within(root, folder) for folder in _left_out_by_isolation()) else "-I"


def _left_out_by_isolation() -> Sequence[Path]:
    """Folders that the isolated mode does not look in."""
    import site

    folders = [Path(entry) for entry in os.environ.get("PYTHONPATH", "").split(os.pathsep) if entry]
    if site.ENABLE_USER_SITE:
        folders.append(Path(site.getusersitepackages()))
    installed = {Path(entry).resolve() for entry in site.getsitepackages()}
    return [folder for folder in map(Path.resolve, folders) if folder not in installed]


def _within(path: Path, folder: Path) -> bool:
    return path == folder or folder in path.parents
