"""Two servers never share a port. Options: "Using SO_REUSEADDR and SO_EXCLUSIVEADDRUSE", from memory."""

from __future__ import annotations

import socket
from typing import Any

import pytest

from harness.watch.listener import listen


def test_a_port_that_a_server_has_is_refused_and_free_again_afterwards() -> None:
    with listen("127.0.0.1", 0) as first:
        port = first.getsockname()[1]
        with pytest.raises(OSError, match="in use"):
            listen("127.0.0.1", port)
    listen("127.0.0.1", port).close()


class Recording:
    """A socket that keeps what it was told."""

    def __init__(self, *kind: Any) -> None:
        self.options: list[Any] = []
        self.closed = False

    def setsockopt(self, level: int, option: Any, value: int) -> None:
        self.options.append((option, value))

    def bind(self, address: Any) -> None:
        if address[1] == 1:
            raise OSError("in use")

    def listen(self, backlog: int) -> None: ...

    def close(self) -> None:
        self.closed = True


def test_on_windows_the_port_is_taken_for_one_server_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "win32")
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", -5, raising=False)
    made: Any = listen("127.0.0.1", 8741, Recording)
    assert made.options == [(-5, 1)]
    kept: list[Recording] = []

    def make(*kind: Any) -> Recording:
        kept.append(Recording(*kind))
        return kept[-1]

    with pytest.raises(OSError, match="in use"):
        listen("127.0.0.1", 1, make)
    assert kept[0].closed
