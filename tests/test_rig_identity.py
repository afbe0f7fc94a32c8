"""Which machine this is: from the system's own id, never raw, never from a network address."""

from __future__ import annotations

import hashlib
import re
import uuid
from pathlib import Path

import pytest

from harness.rig_identity import (
    KEPT_NAME,
    compare_rigs,
    has_card,
    lacks_card,
    read_machine_id,
    rig_id,
)

SYSTEM_ID = "3f1c0de5a7b94b0c8f6e2d4a91b5c7e8"
CARD = "GPU-6a1fd1f0-90c4-4b0e-a3a1-0d2f8e5c7b19"


def nothing(path: str) -> str:
    raise FileNotFoundError(path)


def files(**content: str):
    """Reads these files only; names without their folder."""

    def read(path: str) -> str:
        found = {"/etc/machine-id": "etc", "/var/lib/dbus/machine-id": "dbus"}[path]
        if found not in content:
            raise FileNotFoundError(path)
        return content[found]

    return read


def look(folder: Path, **more):
    return read_machine_id(folder, **{"read_text": nothing, "read_registry": lambda: None, **more})


def test_the_systems_id_is_the_first_source_and_is_never_shown(tmp_path):
    found = look(tmp_path, read_text=files(etc=f"{SYSTEM_ID}\n", dbus="0" * 31 + "1"))
    assert found.source.startswith("/etc/machine-id")
    assert re.fullmatch("[0-9a-f]{12}", found.part)
    assert found.part not in SYSTEM_ID
    assert SYSTEM_ID[:8] not in found.part
    # machine-id(5): hash with a fixed, application-specific key; a plain hash could be matched elsewhere
    assert found.part != hashlib.sha256(SYSTEM_ID.encode()).hexdigest()[:12]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("unset", ["", "uninitialized\n", "0" * 32, "not hexadecimal, but thirty-two !"])
def test_an_unset_machine_id_is_passed_over_for_the_next_source(tmp_path, unset):
    """machine-id(5): empty and ``uninitialized`` mean not set; all zeros is no valid id."""
    other = look(tmp_path, read_text=files(etc=unset, dbus=SYSTEM_ID))
    assert other.source.startswith("/var/lib/dbus/machine-id")
    assert other.part == look(tmp_path, read_text=files(etc=SYSTEM_ID)).part


def test_windows_gives_its_machine_guid(tmp_path):
    guid = "5C2A7B1E-9D04-4F7A-8E3B-1F6D2C9A0B47"
    found = look(tmp_path, read_registry=lambda: guid)
    assert found.source.startswith("MachineGuid")
    assert found.part == look(tmp_path, read_registry=lambda: guid.lower()).part
    assert guid[:8].lower() not in found.part


def test_without_a_machine_id_a_random_one_is_made_once_and_holds_over_restarts(tmp_path):
    first = look(tmp_path / "state")
    assert "state folder" in first.source
    assert look(tmp_path / "state") == first
    assert look(tmp_path / "another-machine").part != first.part
    kept = (tmp_path / "state" / KEPT_NAME).read_text()
    uuid.UUID(kept.strip())
    assert [p.name for p in (tmp_path / "state").iterdir()] == [KEPT_NAME]


def test_where_nothing_can_be_kept_the_source_says_so(tmp_path):
    blocked = tmp_path / "a file"
    blocked.write_text("")
    found = look(blocked)
    assert "host name" in found.source
    assert look(blocked) == found


def test_the_id_needs_no_network_card_and_does_not_change_with_one(tmp_path, monkeypatch):
    """``uuid.getnode`` is random per process on a machine without a network card."""

    def ask() -> int:
        raise AssertionError("the network card was asked")

    monkeypatch.setattr(uuid, "getnode", ask)
    assert look(tmp_path, read_text=files(etc=SYSTEM_ID)).part
    assert look(tmp_path / "kept").part


ROOM = read_machine_id(Path(), read_text=lambda path: SYSTEM_ID)
OTHER = read_machine_id(Path(), read_text=lambda path: SYSTEM_ID[::-1])
FACTS = {
    "processor": {"model": "Invented 8", "architecture": "x86_64", "logical_cpus": 8, "cores": 4},
    "memory": {"total_mib": 32_000},
}
WITH_CARD = {**FACTS, "card": {"uuid": CARD}}


def compared(before, now, facts_before=FACTS, facts_now=FACTS, same_boot=False):
    seen = compare_rigs(before, now, facts_before=facts_before, facts_now=facts_now, same_boot=same_boot)
    return seen.same, seen.told


def test_what_differs_is_said_part_by_part():
    mine = rig_id(ROOM, CARD)
    assert CARD[4:12] not in mine
    assert has_card(mine)
    assert lacks_card(rig_id(ROOM, None))
    assert compared(mine, mine) == (True, "")
    assert compared(mine, rig_id(OTHER, CARD)) == (False, "the machine differs")
    assert compared(mine, rig_id(ROOM, CARD + "0")) == (False, "the card differs")
    assert compared(mine, rig_id(OTHER, CARD + "0")) == (False, "machine and card differ")
    assert compared(mine, rig_id(ROOM, None))[1].startswith("card not found")
    assert compared(rig_id(ROOM, None), mine)[0]
    assert compared(mine, rig_id(OTHER, CARD), same_boot=True)[0]
    assert not compared("rig-1", "rig-2", same_boot=True)[0]


@pytest.mark.parametrize(
    ("facts_before", "facts_now", "same_boot", "same", "told"),
    [
        (WITH_CARD, WITH_CARD, False, True, "card, processor and memory"),
        (FACTS, FACTS, False, True, "processor and memory"),
        (FACTS, WITH_CARD, False, True, "processor and memory"),
        (WITH_CARD, {**WITH_CARD, "memory": {"total_mib": 31_900}}, False, True, "card"),
        ({}, FACTS, True, True, "present boot"),
        (WITH_CARD, FACTS, True, False, "card not found"),
        (WITH_CARD, {**FACTS, "card": {"uuid": "GPU-else"}}, True, False, "the card differs"),
        (WITH_CARD, {**WITH_CARD, "memory": {"total_mib": 64_000}}, False, False, "memory"),
        (
            FACTS,
            {**FACTS, "processor": {**FACTS["processor"], "model": "Invented 9"}},
            False,
            False,
            "the machine differs (model)",
        ),
        ({}, FACTS, False, False, "rig.json is missing"),
    ],
)
def test_folders_with_an_id_from_a_network_address_are_recognised_by_what_was_found(
    facts_before, facts_now, same_boot, same, told
):
    now = rig_id(ROOM, facts_now.get("card", {}).get("uuid"))
    seen = compared("ef39a1b2c3d4", now, facts_before, facts_now, same_boot)
    assert seen[0] is same
    assert told in seen[1]
