"""Starts a campaign in the background, in a session of its own, and waits until it really runs."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from harness import inside
from harness.apart import start_apart
from harness.errors import CampaignBusy, StoreError
from harness.isolated import python_command
from harness.supervise.runners import find_runners
from harness.watch.beacon import BEACON_NAME

OUTPUT_NAME: Final = "run.log"
_POLL_S: Final = 0.2
#: A run that neither began nor failed within this time is left to itself, seconds.
_BEGINS_WITHIN_S: Final = 120.0
_SHOWN_LINES: Final = 12


#: Children that outlive this process; held, so that nobody takes them for forgotten ones.
_LEFT_RUNNING: list[subprocess.Popen[bytes]] = []


@dataclass(frozen=True)
class Detached:
    """A campaign that was started in the background.

    Attributes:
        pid: Process of its supervisor.
        output: File with all that it prints.
        running: It has begun to work: the engine gave its first sign.
        exit_code: It has ended already, with this code; else None.
        said: What it printed last, where it has ended.
    """

    pid: int
    output: Path
    running: bool
    exit_code: int | None = None
    said: str = ""


def detach(
    arguments: Sequence[str],
    folder: Path,
    *,
    within_s: float = _BEGINS_WITHIN_S,
    start: Callable[[Sequence[str], Any], subprocess.Popen[bytes]] | None = None,
) -> Detached:
    """Start ``levelrig ARGUMENTS`` in the background and wait until it runs, or has failed.

    Raises:
        CampaignBusy: Somebody works on the folder already.
        StoreError: The folder can't be made or written.
    """
    runners = find_runners(folder)
    if runners.pids:
        raise CampaignBusy(
            f"{folder}: process {runners.run or runners.supervisor} works on this folder; "
            "`levelrig status` shows it, `levelrig stop` ends it"
        )
    folder = folder.absolute()
    output = folder / OUTPUT_NAME
    made = not folder.exists()
    try:
        inside.make_folders(folder, folder)
        written = inside.size_bytes(folder, output)
        descriptor = inside.open_file(folder, output, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        with os.fdopen(descriptor, "ab") as file:
            process = (start or _start)(python_command("harness.cli", *arguments), file)
            _LEFT_RUNNING.append(process)
    except OSError as error:
        raise StoreError(
            f"{output}: can't be written ({error.strerror or error}); make room, or use another folder"
        ) from error
    began_s = time.monotonic()
    while time.monotonic() - began_s < within_s:
        code = process.poll()
        if code is not None:
            said = _last_lines(folder, output, written)
            if code and made:
                _remove_if_nothing_began(folder, output)
            return Detached(process.pid, output, False, code if code >= 0 else 1, said)
        if find_runners(folder).run is not None and inside.is_file(folder, folder / BEACON_NAME):
            return Detached(process.pid, output, True)
        time.sleep(_POLL_S)
    return Detached(process.pid, output, False)


def _start(command: Sequence[str], output: Any) -> subprocess.Popen[bytes]:
    return start_apart(
        command,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def _last_lines(folder: Path, output: Path, skip_bytes: int) -> str:
    """What this start printed last: at most a dozen lines."""
    try:
        with inside.opened(folder, output) as file:
            file.seek(max(skip_bytes, file.seek(0, os.SEEK_END) - 8192))
            text = file.read().decode("utf-8", "replace")
    except OSError:
        return ""
    return "\n".join(text.strip().splitlines()[-_SHOWN_LINES:])


def _remove_if_nothing_began(folder: Path, output: Path) -> None:
    """Leave no folder behind that holds nothing but a refusal which was shown."""
    with contextlib.suppress(OSError):
        if [path.name for path in inside.children(folder, folder)] == [output.name]:
            inside.remove(folder, output)
            folder.rmdir()
