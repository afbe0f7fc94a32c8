"""What the Task Scheduler starts on Windows: the words of a command, if the campaign is still to go on.

The words travel as one argument of letters, digits, ``-`` and ``_``: neither a shell nor the scheduler, which
replaces ``%NAME%`` and ``$(Arg0)``, finds anything in them, whatever the folders are called. Where the flag
is gone nothing is started.

The scheduler starts again what could not be started; a program that ends with an error is a task that worked
to it (from memory). So what fails here, as while the card's driver is not there yet, is tried again here.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.apart import NO_WINDOW
from harness.errors import UnsafePath
from harness.supervise.detach import OUTPUT_NAME

#: What fails is started this often, and waits so long in between, seconds.
STARTS_AT_MOST: Final = 4
RESTART_S: Final = 60.0
#: Exit codes of Windows from here on are those of programs that were ended (NTSTATUS).
_CRASHED: Final = 2**31


def packed(flag: Path, work_folder: Path, words: Sequence[str]) -> str:
    """All that is to be known at boot, as one harmless word."""
    text = json.dumps({"flag": str(flag), "work_folder": str(work_folder), "words": list(words)})
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def unpacked(word: str) -> tuple[Path, Path, list[str]]:
    """(flag, working folder, words), as :func:`packed` took them."""
    held = json.loads(base64.urlsafe_b64decode(word + "=" * (-len(word) % 4)))
    return Path(held["flag"]), Path(held["work_folder"]), [str(w) for w in held["words"]]


def main(word: str, pause: Callable[[float], object] = time.sleep) -> int:
    """Run the words with nothing on standard input; returns their exit code, or 0 without the flag.

    Args:
        word: From :func:`packed`.
        pause: Waits so many seconds before a command that failed is tried again.
    """
    flag, work_folder, words = unpacked(word)
    code = 0
    for number in range(STARTS_AT_MOST):
        if number:
            pause(RESTART_S)
        if not flag.exists():
            return 0
        code = _run(flag.parent, work_folder, words)
        if not (code == 1 or code < 0 or code >= _CRASHED):  # any other says that again does not help
            break
    return code


def _run(folder: Path, work_folder: Path, words: Sequence[str]) -> int:
    options: dict[str, Any] = {"creationflags": NO_WINDOW} if sys.platform == "win32" else {}
    with contextlib.ExitStack() as stack:
        if sys.stdout is None:  # an interpreter without a console
            options |= {"stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT}
            # As the machine itself in a folder of the user's: over no link, into no file with further names.
            # Where it can't be written the card is put back all the same.
            with contextlib.suppress(OSError, UnsafePath):
                flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT
                descriptor = inside.open_file(folder, folder / OUTPUT_NAME, flags)
                options["stdout"] = stack.enter_context(os.fdopen(descriptor, "ab"))
        return subprocess.run(
            words, cwd=work_folder, stdin=subprocess.DEVNULL, check=False, **options
        ).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
