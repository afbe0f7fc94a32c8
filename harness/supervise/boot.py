"""Goes on after a reboot: a unit of the system's own that restores the factory state and resumes.

Linux: a systemd unit. Windows: two tasks for the Task Scheduler (:func:`windows_tasks`), which could not be
tried here. They start nothing once the campaign is over: they look for a small file in the campaign folder
that the end of the campaign removes.

The flag is taken away by every end in order (done, stop, limit, conditions) and kept by a crash, a SIGTERM
while systemd is ``stopping``, and a SIGHUP. The unit restarts on failure four times an hour at most, and
never after codes 2 to 6 and 130. A system service finds the display only if the user's session is there.
"""

from __future__ import annotations

import contextlib
import getpass
import os
import re
import shutil
import subprocess
import sys
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

from harness import inside
from harness.errors import HarnessError, StoreError, UnsafePath
from harness.guard import RestoreRecord
from harness.guard.times import CALL_S, HANDOVER_S, LONGEST_COMMAND_S
from harness.isolated import python_command
from harness.store.journal import JOURNAL_NAME
from harness.supervise import at_boot
from harness.supervise.at_boot import RESTART_S, STARTS_AT_MOST
from harness.supervise.boot_environment import drop_environment, environment_path, keep_environment
from harness.supervise.supervisor import FINAL_CODES, GAVE_UP
from harness.supervise.tasks import Run, Task, register, task_xml, unregister
from harness.systemtools import tool_text
from harness.windows import endsession
from harness.windows.console import ENDING

FLAG_NAME: Final = "resume-at-boot"


@dataclass(frozen=True)
class Resumption:
    """What is to be done at boot.

    Attributes:
        folder: The campaign folder, absolute.
        plan: The plan file to resume with, absolute.
        work_folder: Working folder in which the campaign was started.
        python: The interpreter that levelrig is installed in.
        user: Account to run as; None for the one that the unit belongs to.
        changes_hardware: The plan does: its run needs rights, and a card may be left to be put back.
    """

    folder: Path
    plan: Path
    work_folder: Path
    python: Path
    user: str | None = None
    changes_hardware: bool = True

    @property
    def name(self) -> str:
        """Name of the unit: the folder's name and what tells folders of the same name apart."""
        clean = re.sub(r"[^A-Za-z0-9_-]", "-", self.folder.name)[:80]
        return f"levelrig-{clean}-{sha256(str(self.folder).encode()).hexdigest()[:6]}"

    @property
    def flag(self) -> Path:
        return self.folder / FLAG_NAME

    @property
    def restore_command(self) -> list[str]:
        """Puts back what the machine's record holds, and nothing else: see :mod:`harness.guard`, whose watch
        restores as soon as its standard input ends, here at once."""
        return python_command("harness.guard", str(RestoreRecord().path), str(HANDOVER_S), python=self.python)

    @property
    def run_command(self) -> list[str]:
        words = ("run", str(self.plan), "--into", str(self.folder), "--supervised", "--goes-on")
        return python_command("harness.cli", *words, python=self.python)


def systemd_unit(resumption: Resumption) -> str:
    """The unit file's text (systemd.unit(5), systemd.service(5)).

    ``ExecStartPre`` has no leading ``-``: where the factory state can't be restored, nothing is started.

    Raises:
        StoreError: A folder's name can't stand in a unit file; the message says why.
    """
    _refuse_unspeakable(resumption)
    user = [f"User={resumption.user}"] if resumption.user else []
    lines = [
        "[Unit]",
        f"Description={resumption.name}",
        f"ConditionPathExists={_percent(str(resumption.flag))}",
        "After=multi-user.target graphical.target",
        # A run that fails at once (no display yet) is started again, a few times.
        "StartLimitIntervalSec=1h",
        f"StartLimitBurst={STARTS_AT_MOST}",
        "",
        "[Service]",
        "Type=exec",
        *user,
        f"WorkingDirectory={_percent(str(resumption.work_folder))}",
        f"EnvironmentFile=-{_percent(str(environment_path(resumption.name)))}",
        "StandardInput=null",
        "ExecStartPre=" + _exec_line(resumption.restore_command),
        "ExecStart=" + _exec_line(resumption.run_command),
        # A stop must leave the time to end the title and to restore; the titles themselves get no signal.
        "KillMode=mixed",
        f"TimeoutStartSec={LONGEST_COMMAND_S + HANDOVER_S + CALL_S:.0f}",
        "TimeoutStopSec=5min",
        "Restart=on-failure",
        f"RestartSec={RESTART_S:.0f}",
        # These end the campaign's run in order, or say that starting it again does not help.
        "RestartPreventExitStatus=" + " ".join(str(code) for code in sorted({*FINAL_CODES, GAVE_UP} - {0})),
        "",
        "[Install]",
        "WantedBy=default.target" if user_scope() else "WantedBy=multi-user.target",
        "",
    ]
    return "\n".join(lines)


def windows_tasks(resumption: Resumption) -> tuple[Task, ...]:
    """Two tasks: the machine restores at its start, before anybody is there; the campaign goes on when its
    user logs on, since only then there is a desktop for the titles. The first only where hardware is changed.

    Raises:
        StoreError: A folder's name can't stand in them; the message says why.
    """
    _refuse_unspeakable(resumption)

    def words(command: Sequence[str]) -> list[str]:
        # A task has no condition: at_boot looks for the flag.
        word = at_boot.packed(resumption.flag, resumption.work_folder, command)
        return python_command("harness.supervise.at_boot", word, python=_without_console(resumption.python))

    restore = Task(
        f"{resumption.name}-restore",
        f"levelrig puts the card back after a crash in {resumption.folder}",
        "boot",
        [words(resumption.restore_command)],
        tries=STARTS_AT_MOST,
    )
    goes_on = Task(
        resumption.name,
        f"levelrig goes on with {resumption.folder}",
        "logon",
        [words(resumption.run_command)],
        user=resumption.user or getpass.getuser(),
        elevated=resumption.changes_hardware,
        tries=STARTS_AT_MOST,
    )
    return (restore, goes_on) if resumption.changes_hardware else (goes_on,)


def _without_console(python: Path) -> Path:
    """The interpreter that opens no console window, where it is there: a window would lie over a title."""
    other = python.with_name("pythonw.exe")
    return other if python.name.lower() == "python.exe" and other.exists() else python


def enable(resumption: Resumption, run: Run | None = None, unit_folder: Path | None = None) -> Path:
    """Install the unit and switch it on; returns the file that was written.

    Raises:
        StoreError: No campaign there, or the system refused; the message has its words.
    """
    run = run or _run
    if not inside.is_there(resumption.folder, resumption.folder / JOURNAL_NAME):
        raise StoreError(f"{resumption.folder}: no campaign here; start it once with `levelrig run` first")
    units = _units(resumption)
    text = b"The campaign goes on after a reboot while this file is here.\n"
    with _changing(resumption.flag):
        inside.write_whole(resumption.folder, resumption.flag, text)
    try:
        return _install(resumption, units, run, unit_folder)
    except BaseException:  # what the system does not know of must not look as if it did
        with contextlib.suppress(HarnessError, OSError):
            disable(resumption, lambda command: None, unit_folder)
        raise


@contextlib.contextmanager
def _changing(path: Path) -> Iterator[None]:
    try:
        yield
    except UnsafePath:
        raise
    except OSError as error:
        raise StoreError(
            f"{path}: can't be changed ({error.strerror}); run as the user who began the campaign, or see "
            "that you may write its folder"
        ) from error


def _units(resumption: Resumption) -> list[str]:
    """The texts that this system's own service takes."""
    if sys.platform == "win32":
        return [task_xml(task) for task in windows_tasks(resumption)]
    return [systemd_unit(resumption)]


def shown(resumption: Resumption) -> str:
    """The same for a person to read. Raises StoreError."""
    return "\n".join(_units(resumption))


def enable_windows_tasks(resumption: Resumption, run: Run) -> Path:
    """Register the tasks; returns the file of the one that goes on. Raises OSError, StoreError."""
    path = resumption.folder
    for task in windows_tasks(resumption):
        path = resumption.folder / f"{FLAG_NAME}-{task.starts}.xml"
        inside.write_whole(resumption.folder, path, task_xml(task).encode("utf-16"))
        register(task, path, run)
    return path


def disable_windows_tasks(resumption: Resumption, run: Run) -> None:
    """Have the scheduler forget both; one that it does not know keeps it from nothing. Raises StoreError."""
    refused = []
    for name in (f"{resumption.name}-restore", resumption.name):
        try:
            unregister(name, run)
        except StoreError as error:
            refused.append(error)
    if len(refused) == 2:
        raise refused[1]


def _install(resumption: Resumption, units: list[str], run: Run, unit_folder: Path | None) -> Path:
    if sys.platform == "win32":
        return enable_windows_tasks(resumption, run)
    folder = unit_folder or unit_folder_of_this_user()
    path = folder / f"{resumption.name}.service"
    try:
        keep_environment(resumption.name, os.environ)
        folder.mkdir(parents=True, exist_ok=True)
        inside.write_whole(folder, path, units[0].encode())
    except OSError as error:
        raise StoreError(
            f"{error.filename or path}: can't be written ({error.strerror}); "
            "grant the rights, or start the campaign by hand after a reboot"
        ) from error
    scope = ["--user"] if user_scope() else []
    run(["systemctl", *scope, "daemon-reload"])
    run(["systemctl", *scope, "enable", path.name])
    if scope:
        run(["loginctl", "enable-linger"])  # or the unit would wait for the user to log in
    return path


def disable(resumption: Resumption, run: Run | None = None, unit_folder: Path | None = None) -> None:
    """Switch the unit off and remove it. Nothing there is no error."""
    run = run or _run
    with _changing(resumption.flag):
        inside.remove(resumption.folder, resumption.flag)
    if sys.platform == "win32":
        disable_windows_tasks(resumption, run)
        return
    drop_environment(resumption.name)
    path = (unit_folder or unit_folder_of_this_user()) / f"{resumption.name}.service"
    if path.exists():
        scope = ["--user"] if user_scope() else []
        run(["systemctl", *scope, "disable", path.name])
        path.unlink()
        run(["systemctl", *scope, "daemon-reload"])


def campaign_is_over(folder: Path) -> bool:
    """Nothing is left to be resumed: the unit, if there is one, starts nothing any more.

    Returns:
        Whether the system would have gone on with it.
    """
    flag = folder / FLAG_NAME
    before = flag.exists()
    with contextlib.suppress(FileNotFoundError):
        inside.remove(folder, flag)
    return before


def system_ends_it(signals: Sequence[str], state: Callable[[], str] | None = None) -> bool:
    """Whether the run was ended by a system that goes down, or a terminal that went away: not by a person.

    Args:
        signals: Names of the signals that asked for a stop, oldest first.
        state: Tells the system's state in its own word; default: asks systemd.
    """
    first = signals[0] if signals else ""
    if first == "SIGTERM":
        return (state or _system_state)() == "stopping"
    return first == "SIGHUP" or first == endsession.NAME or first in ENDING.values()


def _system_state() -> str:
    """``systemctl is-system-running``: "stopping" while the machine is shut down (systemctl(1))."""
    if shutil.which("systemctl") is None:
        return ""
    try:
        ended = subprocess.run(
            ["systemctl", "is-system-running"], capture_output=True, text=True, timeout=5.0, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return ended.stdout.strip()


def this_user() -> str | None:
    """Who enables it, and as whom the run goes on; None where the unit belongs to that user anyway."""
    if sys.platform == "win32":
        domain, name = os.environ.get("USERDOMAIN"), os.environ.get("USERNAME")
        return f"{domain}\\{name}" if domain and name else name
    return None if user_scope() else getpass.getuser()


def user_scope() -> bool:
    """Without root rights the unit belongs to the user's own service manager."""
    return sys.platform != "win32" and os.geteuid() != 0


def unit_folder_of_this_user() -> Path:
    """Where this user's units lie."""
    if not user_scope():
        return Path("/etc/systemd/system")
    home = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(home) / "systemd" / "user"


def _refuse_unspeakable(resumption: Resumption) -> None:
    """Names that neither a unit file nor XML can hold, so that none of them becomes a line of its own."""
    for path in (resumption.folder, resumption.plan, resumption.work_folder, resumption.python):
        name = str(path)
        try:
            name.encode()
        except UnicodeEncodeError:
            why = "is no valid text"
        else:
            if any(unicodedata.category(sign) in ("Cc", "Zl", "Zp") for sign in name):
                why = "holds a line break or another control character"
            elif name != name.strip() or name.endswith("\\"):
                why = "ends in a space or a backslash"
            else:
                continue
        raise StoreError(
            f"{name!r} {why}, which the system's own file can't hold; rename it, then enable again"
        )


def _exec_line(words: Sequence[str]) -> str:
    """Words as systemd splits them again: quoted, specifiers and variables taken literally."""
    return " ".join(
        '"' + _percent(w).replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$") + '"' for w in words
    )


def _percent(text: str) -> str:
    return text.replace("%", "%%")


def _run(command: Sequence[str]) -> None:
    if shutil.which(command[0]) is None:
        raise StoreError(f"{command[0]} is not on this system; start the campaign by hand after a reboot")
    ended = subprocess.run(command, capture_output=True, check=False)
    if ended.returncode:
        said = tool_text(ended.stderr or ended.stdout).strip()
        raise StoreError(f"`{' '.join(command)}` was refused: {said}; grant the rights, or resume by hand")
