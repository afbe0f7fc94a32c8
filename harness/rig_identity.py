"""Which machine this is, and which card it holds: what makes a rig the same rig on another day.

A rig's id has two parts, ``<machine>-<card>``, so that it can be said which of them differs. The system's own
machine id is never published: it goes through a keyed hash made for this purpose alone, as machine-id(5) asks
for. Network addresses are no identity: they change with adapters and privacy settings, and a machine without
a network card has none.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import sys
import uuid
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

#: Key word of the hashes: the same machine id gives another value in any other program.
_PURPOSE: Final = b"levelrig: identity of a rig, form 2"
NO_CARD: Final = "none"
_FORM: Final = re.compile(rf"([0-9a-f]{{12}})-([0-9a-f]{{8}}|{NO_CARD})")
#: Ids before there were two parts; they came from a network address.
_EARLIER_FORM: Final = re.compile(r"[0-9a-f]{12}")
_LINUX_FILES: Final = ("/etc/machine-id", "/var/lib/dbus/machine-id")
KEPT_NAME: Final = "machine-id"
#: Main memory as systems report it differs by this share at most between versions of the system.
_MEMORY_SHARE: Final = 0.02


@dataclass(frozen=True)
class MachineId:
    """Identity of a machine.

    Attributes:
        part: Keyed hash, 12 hexadecimal digits.
        source: What it was made from, in words for ``rig.json``.
    """

    part: str
    source: str


def read_machine_id(
    kept_folder: Path,
    *,
    read_text: Callable[[str], str] = lambda path: Path(path).read_text(encoding="ascii"),
    read_registry: Callable[[], str | None] | None = None,
) -> MachineId:
    """The identity of this machine; the same after every restart.

    Where the system has no machine id (many containers, some minimal systems), a random one is made once and
    kept in ``kept_folder``; it holds as long as that folder does. Where not even that can be written, the
    processor count and the host name stand in.

    Args:
        kept_folder: This user's state folder on this machine.
        read_text: Reads a small file; raises OSError or ValueError.
        read_registry: Windows' MachineGuid; None or OSError where there is none.
    """
    registry = read_registry or _machine_guid
    for path in _LINUX_FILES:
        with suppress(OSError, ValueError):
            found = read_text(path).strip()
            if re.fullmatch(r"[0-9a-fA-F]{32}", found) and int(found, 16):
                return MachineId(_part(found.lower(), 12), f"{path}, hashed")
    with suppress(OSError, ValueError):
        guid = registry()
        if guid:
            return MachineId(_part(guid.strip().lower(), 12), "MachineGuid, hashed")
    with suppress(OSError, ValueError):
        kept = _kept_id(kept_folder / KEPT_NAME)
        return MachineId(
            _part(kept, 12), "a random id kept in levelrig's state folder, as the system has no machine id"
        )
    import platform

    weak = f"{platform.node()}/{os.cpu_count()}"
    return MachineId(_part(weak, 12), "host name and processor count, as no id could be kept")


def rig_id(machine: MachineId, card_uuid: str | None) -> str:
    """``<machine>-<card>``: 12 and 8 hexadecimal digits; the card part is ``none`` where there is no card."""
    return f"{machine.part}-{_part(card_uuid.lower(), 8) if card_uuid else NO_CARD}"


def has_card(identity: str) -> bool:
    """The id names a card. False for ids without parts."""
    found = _FORM.fullmatch(identity)
    return found is not None and found[2] != NO_CARD


def lacks_card(identity: str) -> bool:
    """The id says that there is no card, or that it did not answer."""
    found = _FORM.fullmatch(identity)
    return found is not None and found[2] == NO_CARD


@dataclass(frozen=True)
class RigComparison:
    """Whether two looks were at the same rig.

    Attributes:
        same: They were.
        told: What differs, or by what the rig was recognised; empty where nothing needs saying.
    """

    same: bool
    told: str = ""


def compare_rigs(
    before: str,
    now: str,
    *,
    facts_before: Mapping[str, Mapping[str, Any]],
    facts_now: Mapping[str, Mapping[str, Any]],
    same_boot: bool = False,
) -> RigComparison:
    """Compare the rig that a folder was measured on with this one. Pure.

    Args:
        before: Id of the folder's last session.
        now: Id of this rig.
        facts_before: Sections of the folder's ``rig.json``; may be empty.
        facts_now: The same of this rig.
        same_boot: Both looks were in one boot of the machine, so the machine is the same.
    """
    if before == now:
        return RigComparison(True)
    old, new = _FORM.fullmatch(before), _FORM.fullmatch(now)
    if old and new:
        machine, card = same_boot or old[1] == new[1], old[2] == new[2]
        if machine and card:
            return RigComparison(True, "the same boot of the machine; its machine id changed meanwhile")
        if machine and old[2] == NO_CARD:
            return RigComparison(
                True, "the same machine; its card did not answer when the campaign was begun"
            )
        if machine and new[2] == NO_CARD:
            return RigComparison(False, "card not found: it does not answer now")
        what = {(False, True): "the machine differs", (True, False): "the card differs"}
        return RigComparison(False, what.get((machine, card), "machine and card differ"))
    if new and _EARLIER_FORM.fullmatch(before):
        return _by_facts(facts_before, facts_now, same_boot)
    return RigComparison(False, "machine or card differs")


def _by_facts(
    before: Mapping[str, Mapping[str, Any]], now: Mapping[str, Mapping[str, Any]], same_boot: bool
) -> RigComparison:
    """A folder whose id came from a network address: that address says nothing, what was found does."""
    card_before, card_now = (f.get("card", {}).get("uuid") for f in (before, now))
    if card_before != card_now and card_before:
        return RigComparison(
            False, "card not found: it does not answer now" if not card_now else "the card differs"
        )
    if same_boot:
        return RigComparison(True, "recognised by its present boot, as ids were made otherwise then")
    if not before:
        return RigComparison(False, "rig.json is missing, so the machine can't be recognised")
    differs = [
        name
        for section, name in (
            ("processor", "model"),
            ("processor", "architecture"),
            ("processor", "logical_cpus"),
            ("processor", "cores"),
        )
        if before.get(section, {}).get(name) != now.get(section, {}).get(name)
    ]
    sizes = [f.get("memory", {}).get("total_mib") or 0 for f in (before, now)]
    if abs(sizes[0] - sizes[1]) > _MEMORY_SHARE * max(sizes):
        differs.append("memory")
    if differs:
        return RigComparison(False, f"the machine differs ({', '.join(differs)})")
    by = "card, processor and memory" if card_before else "processor and memory"
    return RigComparison(True, f"recognised by its {by}, as ids were made otherwise then")


def _part(text: str, digits: int) -> str:
    return hmac.new(text.encode(), _PURPOSE, hashlib.sha256).hexdigest()[:digits]


def _kept_id(path: Path) -> str:
    """The id kept here, made once. Raises OSError, or ValueError where the file holds something else."""
    with suppress(FileNotFoundError):
        return str(uuid.UUID(path.read_text(encoding="ascii").strip()))
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    temporary = path.with_name(f"{path.name}.{os.getpid()}")
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        os.write(descriptor, f"{uuid.uuid4()}\n".encode())
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    try:
        os.link(temporary, path)  # the first of two that start together wins, and both read that one
    except FileExistsError:
        pass
    finally:
        os.unlink(temporary)  # noqa: PTH108
    return str(uuid.UUID(path.read_text(encoding="ascii").strip()))


def _machine_guid() -> str | None:
    if sys.platform != "win32":
        return None
    import winreg

    key = r"SOFTWARE\Microsoft\Cryptography"
    access = winreg.KEY_READ | winreg.KEY_WOW64_64KEY
    with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, key, 0, access) as opened:
        return str(winreg.QueryValueEx(opened, "MachineGuid")[0])
