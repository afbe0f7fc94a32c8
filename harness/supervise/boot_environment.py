"""What a run after a reboot needs of the surroundings in which it was enabled: display, PATH, notifications.

It stands in a file that only its owner may read, since addresses of notifications are secrets; the unit
names the file and nothing of what it holds.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from harness.places import state_folder
from harness.supervise.notify import ADDRESSES_VARIABLE

_FOLDER_NAME: Final = "boot"
#: Variables that are carried over, where they are set.
CARRIED: Final = (
    "PATH",
    "LANG",
    "TZ",
    "DISPLAY",
    "WAYLAND_DISPLAY",
    "XDG_SESSION_TYPE",
    "XDG_RUNTIME_DIR",
    "XAUTHORITY",
    "DBUS_SESSION_BUS_ADDRESS",
    "XDG_STATE_HOME",
    ADDRESSES_VARIABLE,
)


def environment_path(name: str) -> Path:
    """Where the surroundings of the unit of that name stand."""
    return state_folder() / _FOLDER_NAME / f"{name}.env"


def environment_text(environment: Mapping[str, str]) -> str:
    """The file's text (systemd.exec(5), ``EnvironmentFile=``): double quotes, escapes as in a POSIX shell."""
    lines = []
    for name in CARRIED:
        value = environment.get(name)
        if value is not None and "\0" not in value:
            for sign in '\\"$`':
                value = value.replace(sign, f"\\{sign}")
            lines.append(f'{name}="{value}"\n')
    return "".join(lines)


def keep_environment(name: str, environment: Mapping[str, str]) -> Path:
    """Write it; readable by this user alone. Raises OSError, StoreError."""
    path = environment_path(name)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    # Made with its mode, so that there is no moment in which others could open it.
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(environment_text(environment))
    return path


def drop_environment(name: str) -> None:
    """Take it away. Nothing there is no error."""
    environment_path(name).unlink(missing_ok=True)
