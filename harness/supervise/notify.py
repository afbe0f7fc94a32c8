"""Tells the user how the night goes: through Apprise (extra ``notify``) and through a command of their own.

A message that can't be delivered never disturbs a measurement: it is reported and forgotten. Addresses hold
secrets, so they stand in a file or an environment variable of the user's, never in the plan, which is
published with the results.
"""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from harness import userfiles
from harness.errors import HarnessError, UserFileError

Occasion = Literal["end", "stop", "unstable-profile", "restart", "alive"]
OCCASIONS: Final[tuple[Occasion, ...]] = ("end", "stop", "unstable-profile", "restart", "alive")
#: Addresses, one a line, when no file is named.
ADDRESSES_VARIABLE: Final = "LEVELRIG_NOTIFY"
_COMMAND_TIMEOUT_S: Final = 30.0
#: Whatever looks like an address may hold a secret, the command's own too.
_ADDRESS: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://[^\s'\"<>]+")
#: Variables that the notify command gets, besides ``LC_…``: to be found, to find its user's files and screen.
_KEPT_VARIABLES: Final = frozenset(
    {
        "PATH", "HOME", "USER", "LOGNAME", "SHELL", "LANG", "LANGUAGE", "TZ", "TMPDIR",
        "DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "XDG_DATA_HOME",
        "DBUS_SESSION_BUS_ADDRESS",
        "SYSTEMROOT", "SYSTEMDRIVE", "WINDIR", "COMSPEC", "PATHEXT", "TEMP", "TMP", "USERNAME", "USERPROFILE",
        "USERDOMAIN", "HOMEDRIVE", "HOMEPATH", "APPDATA", "LOCALAPPDATA", "PROGRAMDATA", "PROGRAMFILES",
    }
)  # fmt: skip


class NotifyError(HarnessError):
    """Notifications are set up so that they can't work; told before the night, not in it."""

    exit_code = 2


@dataclass(frozen=True)
class Message:
    """One thing to tell.

    Attributes:
        occasion: Why it is told.
        title: One line.
        body: A few sentences.
        data: The same as values, for the command.
    """

    occasion: Occasion
    title: str
    body: str
    data: Mapping[str, Any] = field(default_factory=dict)


class Notifier:
    """Delivers messages.

    Args:
        addresses: Apprise addresses; see :func:`read_addresses`.
        command: Executable and arguments, run for each message: it gets the message as one JSON object on
            standard input, and ``LEVELRIG_OCCASION``, ``LEVELRIG_TITLE`` in an environment that holds little
            else.
        occasions: What to tell; the rest is dropped.
    Raises:
        NotifyError: Apprise is needed and not installed, or it does not understand an address.
    """

    def __init__(
        self,
        addresses: Sequence[str] = (),
        command: Sequence[str] = (),
        occasions: Sequence[Occasion] = OCCASIONS,
    ) -> None:
        self._command = tuple(command)
        self._occasions = frozenset(occasions)
        self._secrets = tuple(addresses)
        self._apprise = _open_apprise(addresses) if addresses else None

    def send(self, message: Message) -> list[str]:
        """Deliver it; returns what went wrong, in sentences. Never raises."""
        if message.occasion not in self._occasions:
            return []
        failures = []
        if self._command:
            failures += self._run_command(message)
        if self._apprise is not None:
            try:
                if not self._apprise.notify(body=message.body, title=message.title):
                    failures.append("a notification could not be delivered to at least one address")
            except Exception as error:  # third-party services fail in their own ways
                failures.append(f"a notification could not be delivered ({type(error).__name__})")
        return [self._without_secrets(failure) for failure in failures]

    def _without_secrets(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, "(an address)")
        return _ADDRESS.sub("(an address)", text)

    def _run_command(self, message: Message) -> list[str]:
        content = {"occasion": message.occasion, "title": message.title, "body": message.body}
        try:
            ended = subprocess.run(
                self._command,
                input=json.dumps(content | {"data": dict(message.data)}, default=str).encode(),
                env=_environment(message),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                timeout=_COMMAND_TIMEOUT_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return [f"the notify command ran longer than {_COMMAND_TIMEOUT_S:.0f} s and was ended"]
        except OSError as error:
            return [f"the notify command can't be run ({error.strerror}); check plan key notify.command"]
        if ended.returncode:
            said = ended.stderr.decode(errors="replace").strip().splitlines()
            return [f"the notify command ended with exit code {ended.returncode}: {said[-1] if said else ''}"]
        return []


def _environment(message: Message) -> dict[str, str]:
    """What the command needs of the user's environment, and the message; secrets there stay behind."""
    kept = {name: value for name, value in os.environ.items() if _is_kept(name.upper())}
    return {**kept, "LEVELRIG_OCCASION": message.occasion, "LEVELRIG_TITLE": message.title}


def _is_kept(name: str) -> bool:
    return name in _KEPT_VARIABLES or name.startswith("LC_")


def send_within(notifier: Notifier, message: Message, seconds: float) -> list[str]:
    """Deliver on a thread of its own; one that takes longer is left behind and told as a failure."""
    failures: list[str] = []
    thread = threading.Thread(
        target=lambda: failures.extend(notifier.send(message)), name="levelrig-notify", daemon=True
    )
    thread.start()
    thread.join(seconds)
    if thread.is_alive():
        return [f"a notification was not delivered within {seconds:.0f} s"]
    return failures


def read_addresses(file: Path | None, environment: Mapping[str, str]) -> list[str]:
    """Addresses from a file of the user's, or from ``LEVELRIG_NOTIFY``; one a line, ``#`` for remarks.

    Raises:
        NotifyError: The file can't be read.
    """
    if file is not None:
        try:
            text = userfiles.read_text(file.expanduser(), "file of addresses")
        except UserFileError as error:
            raise NotifyError(
                f"{file}: {error.what}; name the file with your addresses in notify.addresses_file, "
                "or remove the key"
            ) from error
    else:
        text = environment.get(ADDRESSES_VARIABLE, "")
    lines = (line.strip() for line in text.splitlines())
    return [line for line in lines if line and not line.startswith("#")]


def _open_apprise(addresses: Sequence[str]) -> Any:
    try:
        import apprise
    except ImportError as error:
        raise NotifyError(
            "notification addresses are set, but Apprise is not installed; install levelrig[notify], "
            "or use notify.command"
        ) from error
    logging.getLogger("apprise").addHandler(logging.NullHandler())
    logging.getLogger("apprise").propagate = False  # it repeats addresses in its messages
    opened = apprise.Apprise()
    for number, address in enumerate(addresses, start=1):
        if not opened.add(address):
            # The address itself is a secret and is not repeated.
            raise NotifyError(f"notification address {number} is not understood; see Apprise's own list")
    return opened
