"""Who holds a file, by the Restart Manager. Sizes and steps: learn.microsoft.com, from memory."""

from __future__ import annotations

import ctypes
from pathlib import Path

from harness.windows.holders import ProcessInfo, holders_of
from tests.windows.emulation import FakeWindows, poke

PATH = Path("attempts.csv")


def manager(*names: str, refuse: str = "") -> FakeWindows:
    """A Restart Manager that knows these programs as holders."""

    def start(session: int, flags: int, key: int) -> int:
        poke(session, 7)
        return int(refuse == "start")

    def register(session: int, files: int, paths: int, *none: object) -> int:
        assert (session, files) == (7, 1)
        assert ctypes.c_wchar_p.from_address(paths).value == str(PATH)
        return 5 * (refuse == "register")

    def tell(session: int, needed: int, count: int, into: int, reasons: int) -> int:
        if refuse == "list":
            return 234  # ERROR_MORE_DATA
        poke(needed, len(names))
        if ctypes.c_uint32.from_address(count).value < len(names):
            return 234
        for place, name in enumerate(names):
            one = ProcessInfo.from_address(into + place * ctypes.sizeof(ProcessInfo))
            one.process_id = 40 + place
            raw = name.encode("utf-16-le")
            ctypes.memmove(one.name, raw, len(raw))
        poke(count, len(names))
        return 0

    return FakeWindows(
        RmStartSession=start, RmRegisterResources=register, RmGetList=tell, RmEndSession=lambda session: 0
    )


def test_holders_are_named_and_the_session_is_given_back() -> None:
    windows = manager("Tabellen für alle", "indexer")
    assert holders_of(windows, PATH) == ["Tabellen für alle (process 40)", "indexer (process 41)"]
    assert windows.named("RmEndSession") == [(7,)]


def test_more_holders_than_were_expected_are_named_too() -> None:
    windows = manager(*(f"reader {number}" for number in range(30)))
    assert len(holders_of(windows, PATH)) == 30
    assert len(windows.named("RmEndSession")) == 1


def test_where_the_system_does_not_tell_nobody_is_named() -> None:
    for step in ("start", "register", "list"):
        windows = manager("indexer", refuse=step)
        assert holders_of(windows, PATH) == []
        assert len(windows.named("RmEndSession")) == (step != "start")


def test_the_structure_has_the_size_that_the_system_expects() -> None:
    assert ctypes.sizeof(ProcessInfo) == 668
