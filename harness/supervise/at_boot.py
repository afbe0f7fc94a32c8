"""What the Task Scheduler starts on Windows: the words of a command, if the campaign is still to go on.

The words travel as one argument of letters, digits, ``-`` and ``_``: neither a shell nor the scheduler, which
replaces ``%NAME%`` and ``$(Arg0)``, finds anything in them, whatever the folders are called. Where the flag
is gone nothing is started.
"""

from __future__ import annotations

import base64
import contextlib
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from harness.apart import NO_WINDOW
from harness.supervise.detach import OUTPUT_NAME


def packed(flag: Path, work_folder: Path, words: Sequence[str]) -> str:
    """All that is to be known at boot, as one harmless word."""
    text = json.dumps({"flag": str(flag), "work_folder": str(work_folder), "words": list(words)})
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def unpacked(word: str) -> tuple[Path, Path, list[str]]:
    """(flag, working folder, words), as :func:`packed` took them."""
    held = json.loads(base64.urlsafe_b64decode(word + "=" * (-len(word) % 4)))
    return Path(held["flag"]), Path(held["work_folder"]), [str(w) for w in held["words"]]


def main(word: str) -> int:
    """Run the words with nothing on standard input; returns their exit code, or 0 without the flag."""
    flag, work_folder, words = unpacked(word)
    if not flag.exists():
        return 0
    options: dict[str, Any] = {"creationflags": NO_WINDOW} if sys.platform == "win32" else {}
    with contextlib.ExitStack() as stack:
        if sys.stdout is None:  # an interpreter without a console
            output = stack.enter_context((flag.parent / OUTPUT_NAME).open("ab"))
            options |= {"stdout": output, "stderr": subprocess.STDOUT}
        return subprocess.run(
            words, cwd=work_folder, stdin=subprocess.DEVNULL, check=False, **options
        ).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
