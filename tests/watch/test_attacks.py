"""Attacks on the live page's server: odd headers, slow and large requests, planted files, too many visitors.

Status codes: RFC 9110 (408, 413, 431 by RFC 6585, 503); ``//name`` leads to another host by RFC 3986, 4.2.
"""

from __future__ import annotations

import os
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from harness.watch import app as app_module
from harness.watch import protocol
from harness.watch.access import Access


def client(server: Any, **headers: str) -> httpx.Client:
    return httpx.Client(base_url=server.address, headers=headers, trust_env=False)


def raw(server: Any, request: bytes, *, wait_s: float = 30.0) -> bytes:
    """What the server answers to these bytes until it closes or falls silent."""
    address = urlsplit(server.address)
    with socket.create_connection((address.hostname, address.port), timeout=wait_s) as line:
        line.sendall(request)
        answer = b""
        while piece := line.recv(65536):
            answer += piece
            if b"\r\n\r\n" in answer:
                break
    return answer


@pytest.mark.parametrize("host", ["[", "[::1", "]", "127.0.0.1:99999999", "a b", "", "\x80", "[::1]x", "@"])
@pytest.mark.parametrize("access", [Access(None), Access("sesame")])
@pytest.mark.parametrize("path", ["/", "/?token=sesame", "/state"])
def test_an_odd_host_is_turned_away_and_never_an_error_of_the_server(
    night: Any, serve: Callable[..., Any], host: str, access: Access, path: str
) -> None:
    asked = f"GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode("latin-1")
    status = int(raw(serve(night.folder, access), asked).split()[1])
    assert status < 500


@pytest.mark.parametrize(
    "path", ["//night.example/", "/\\night.example/", "///night.example", "/%2f/x", "/live"]
)
@pytest.mark.parametrize("access", [Access(None), Access("sesame")])
def test_a_token_in_the_address_never_leads_to_another_site(
    night: Any, serve: Callable[..., Any], path: str, access: Access
) -> None:
    asked = f"GET {path}?token=sesame HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode()
    answer = raw(serve(night.folder, access), asked).decode("latin-1")
    where = [line.split(": ", 1)[1] for line in answer.split("\r\n") if line.lower().startswith("location: ")]
    for location in where:
        assert not location.replace("\\", "/").startswith("//")
        assert urlsplit(location).netloc == ""


@pytest.mark.parametrize(
    "content",
    [
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "readings": {"core_temp_c": NaN}}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "age": 1e999}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "phase": "\\ud800"}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "history": {"a": 1}}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "history": 7, "frame_log": 7}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "frame_log": {"path": "/dev/zero"}}',
        b'{"written_utc": "9999-01-01T00:00:00+00:00", "frame_log": ["/dev/zero", {}]}',
        b'{"written_utc": "2026-03-14T00:00:00"}',
        b'{"written_utc": 7}',
        b"[" * 100_000,
        b"7",
        b"\xff\xfe",
        b" " * (2 << 20),
    ],
)
def test_an_odd_beacon_is_no_error_of_the_server(
    night: Any, serve: Callable[..., Any], content: bytes
) -> None:
    (night.folder / "live.json").write_bytes(content)
    (night.folder / "control.json").write_bytes(content)
    with client(serve(night.folder)) as web:
        assert web.get("state", timeout=60).status_code == 200


@pytest.mark.skipif(sys.platform == "win32", reason="FIFOs and links")
@pytest.mark.parametrize("name", ["live.json", "control.json", "log.jsonl", "report/index.html"])
@pytest.mark.parametrize("kind", ["fifo", "link", "device"])
def test_planted_files_are_neither_waited_for_nor_served(
    night: Any, serve: Callable[..., Any], name: str, kind: str, tmp_path: Any
) -> None:
    (tmp_path / "secret").write_text("not for visitors")
    place = night.folder / name
    place.parent.mkdir(exist_ok=True)
    place.unlink(missing_ok=True)
    if kind == "fifo":
        os.mkfifo(place)
    else:
        place.symlink_to("/dev/zero" if kind == "device" else tmp_path / "secret")
    with client(serve(night.folder)) as web:
        for path in ("state", "live", "report"):
            answer = web.get(path, timeout=60)
            assert answer.status_code in (200, 404)
            assert "not for visitors" not in answer.text
        web.post("request", json={"request": "stop"}, timeout=60)
    assert (tmp_path / "secret").read_text() == "not for visitors"


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_a_report_folder_that_is_a_link_is_not_served(
    night: Any, serve: Callable[..., Any], tmp_path: Any
) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "index.html").write_text("not for visitors")
    (night.folder / "report").symlink_to(tmp_path / "elsewhere")
    with client(serve(night.folder)) as web:
        assert "not for visitors" not in web.get("report").text


def test_a_large_body_is_refused(night: Any, serve: Callable[..., Any]) -> None:
    def endless() -> Iterator[bytes]:
        for _ in range(100):
            yield b" " * 65536

    with client(serve(night.folder), **{"content-type": "application/json"}) as web:
        assert web.post("request", content=b" " * 100_000).status_code == 413
        with suppress(httpx.WriteError, httpx.ReadError):  # closed while still sending
            assert web.post("request", content=endless()).status_code == 413
    assert not (night.folder / "control.json").exists()


def test_a_body_that_does_not_come_is_not_waited_for(
    night: Any, serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app_module, "_BODY_S", 0.2)
    kind = b"Content-Type: application/json\r\nContent-Length: 50"
    head = b"POST /request HTTP/1.1\r\nHost: localhost\r\n" + kind + b"\r\n\r\n"
    assert raw(serve(night.folder), head + b"{").split()[1] == b"408"


def test_headers_that_do_not_come_are_not_waited_for_and_large_ones_refused(
    night: Any, serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(protocol, "HEADERS_S", 0.2)
    server = serve(night.folder)
    assert raw(server, b"GET / HTTP/1.1\r\nHost: local").split()[1] == b"408"
    assert raw(server, b"").split()[1] == b"408"
    assert int(raw(server, b"GET / HTTP/1.1\r\nX: " + b"x" * (1 << 20)).split()[1]) in (400, 431)


def test_too_many_visitors_get_an_answer_and_are_let_in_again_later(
    night: Any, serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(protocol, "MOST_CONNECTIONS", 5)
    server = serve(night.folder)
    address = urlsplit(server.address)
    with ExitStack() as held:
        for _ in range(5):
            held.enter_context(socket.create_connection((address.hostname, address.port), timeout=30))
        time.sleep(0.5)
        assert raw(server, b"").split()[1] == b"503"
    for _ in range(50):
        time.sleep(0.1)
        with client(server) as web:
            if web.get("live").status_code == 200:
                return
    pytest.fail("nobody is let in again")
