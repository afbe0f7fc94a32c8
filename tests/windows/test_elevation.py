from __future__ import annotations

import ctypes

import pytest

from harness.windows import elevation
from harness.windows.elevation import ProcessInformation, StartupInfo, is_elevated, run_plainly
from tests.windows.emulation import FakeWindows, poke


class Tokens:
    """Tokens and processes; every handle that is opened must be closed."""

    def __init__(self, elevated=True, start_error=0, exit_code=7):
        self.open, self.started, self.label, self._next = set(), [], None, 0x200
        self.windows = FakeWindows(
            GetCurrentProcess=lambda: 0xFFFFFFFFFFFFFFFF,
            OpenProcessToken=lambda process, rights, into: self._give(into),
            GetTokenInformation=lambda token, kind, into, size, used: poke(into, int(elevated)) or 1,
            CreateRestrictedToken=self._restrict,
            ConvertStringSidToSidW=lambda text, into: self._give(into) if text == "S-1-16-8192" else 0,
            GetLengthSid=lambda sid: 12,
            SetTokenInformation=self._set,
            LocalFree=lambda sid: self.open.remove(sid),
            CreateProcessAsUserW=self._start,
            GetStdHandle=lambda number: number - 0xFFFFFFF0,
            WaitForSingleObject=lambda handle, timeout: 0,
            GetExitCodeProcess=lambda handle, into: poke(into, exit_code) or 1,
            CloseHandle=lambda handle: self.open.remove(handle) or 1,
        )
        self.start_error = start_error

    def _give(self, into):
        self._next += 8
        self.open.add(self._next)
        poke(into, self._next, ctypes.c_uint64)
        return 1

    def _restrict(self, token, flags, *rest):
        assert flags == 0x4, "LUA_TOKEN: administrators' groups only deny, privileges are gone"
        return self._give(rest[-1])

    def _set(self, token, kind, address, size):
        assert (kind, size) == (25, 16 + 12), "TokenIntegrityLevel: TOKEN_MANDATORY_LABEL and its SID"
        self.label = ctypes.c_uint32.from_address(address + 8).value
        return 1

    def _start(
        self, token, program, line, security, threads, inherit, flags, environment, folder, startup, made
    ):
        if self.start_error:
            self.windows.error = self.start_error
            return 0
        info = StartupInfo.from_address(startup)
        assert info.size == 104
        assert info.flags & 0x100, "STARTF_USESTDHANDLES"
        self.started.append((ctypes.wstring_at(line), inherit, list(info.handles)))
        process = ProcessInformation.from_address(made)
        process.process, process.thread = 0x500, 0x508
        self.open |= {0x500, 0x508}
        return 1


@pytest.mark.parametrize("elevated", [True, False])
def test_the_token_tells_whether_this_process_is_elevated(elevated):
    tokens = Tokens(elevated)
    assert is_elevated(tokens.windows) is elevated
    assert tokens.open == set()


def test_elsewhere_nothing_is_elevated():
    assert is_elevated() is False or elevation.windows_calls() is not None


def test_a_title_gets_our_input_output_and_exit_code_and_none_of_the_rights():
    tokens = Tokens(exit_code=7)
    assert run_plainly([r"C:\A title\t.exe", "--scene", 'a "b"'], tokens.windows) == 7
    assert tokens.started == [(r'"C:\A title\t.exe" --scene "a \"b\""', 1, [6, 5, 4])]
    assert tokens.label == 0x20  # SE_GROUP_INTEGRITY
    assert tokens.open == set()


def test_a_crash_keeps_its_code():
    assert elevation.main(["t.exe"], Tokens(exit_code=0xC0000005).windows) == 0xC0000005 - 2**32


def test_one_that_can_not_be_started_so_ends_with_a_sentence_and_leaves_no_handle(capsys):
    tokens = Tokens(start_error=2)
    assert elevation.main(["t.exe"], tokens.windows) == elevation.NOT_STARTED
    assert "t.exe can't be started without elevation" in capsys.readouterr().out
    assert tokens.open == set()


def test_one_that_asks_for_elevation_itself_gets_it_and_that_is_said(monkeypatch, capsys):
    """CreateProcess fails with ERROR_ELEVATION_REQUIRED for a program whose manifest requires it."""
    ran = []
    ended = type("Ended", (), {"returncode": 3})
    monkeypatch.setattr(elevation.subprocess, "run", lambda words, check: ran.append(words) or ended)
    assert elevation.main(["t.exe", "-x"], Tokens(start_error=740).windows) == 3
    assert ran == [["t.exe", "-x"]]
    assert "asks for elevation itself" in capsys.readouterr().out
