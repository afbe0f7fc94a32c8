"""What the live page's server answers, without a browser."""

import json
import time
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from harness.watch.access import Access
from harness.watch.state import read_now


def client(server: Any, **headers: str) -> httpx.Client:
    return httpx.Client(base_url=server.address, headers=headers, trust_env=False)


def test_the_state_tells_cells_counts_and_the_latest_readings(night: Any, serve: Callable[..., Any]) -> None:
    with client(serve(night.folder)) as web:
        state = web.get("state").json()
    grid, live = state["grid"], state["live"]
    assert (grid["accepted"], grid["wanted"], grid["running"], grid["complete"]) == (1, 8, True, False)
    states = [r["state"] for row in grid["rows"] for c in row["cells"].values() for r in c["repeats"]]
    assert sorted(states) == ["accepted"] + ["open"] * 7
    assert live["readings"] == {"core_temp_c": 51.0, "power_w": 31.5}
    assert [line["level"] for line in grid["log"]] == ["warning"], "the broken line of the log is left out"


def test_an_old_beacon_says_nothing_of_the_present(night: Any, serve: Callable[..., Any]) -> None:
    night.tell(written_utc="2026-03-14T20:05:00+00:00")
    with client(serve(night.folder)) as web:
        assert web.get("state").json()["live"] is None


@pytest.mark.parametrize("wish", ["pause-after-attempt", "stop"])
def test_an_action_leaves_its_request_where_the_engine_takes_it(
    night: Any, serve: Callable[..., Any], wish: str
) -> None:
    from harness.engine.requests import take_request

    with client(serve(night.folder)) as web:
        assert web.post("request", json={"request": wish}).status_code == 200
        assert web.get("state").json()["live"]["request"] == wish
    taken = take_request(night.folder)
    assert taken is not None
    assert taken.kind == {"pause-after-attempt": "pause", "stop": "stop"}[wish]


def test_a_request_can_be_taken_back(night: Any, serve: Callable[..., Any]) -> None:
    with client(serve(night.folder)) as web:
        web.post("request", json={"request": "stop"})
        web.post("request", json={"request": "none"})
    assert not (night.folder / "control.json").exists()


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        ('{"request": "erase"}', {"content-type": "application/json"}, 400),
        ("[1]", {"content-type": "application/json"}, 400),
        ("{", {"content-type": "application/json"}, 400),
        ('{"request": "stop"}', {"content-type": "text/plain"}, 403),
        ('{"request": "stop"}', {"content-type": "application/json", "origin": "http://night.example"}, 403),
    ],
)
def test_a_request_that_is_wrong_or_from_elsewhere_changes_nothing(
    night: Any, serve: Callable[..., Any], body: str, headers: dict[str, str], status: int
) -> None:
    with client(serve(night.folder)) as web:
        assert web.post("request", content=body, headers=headers).status_code == status
    assert not (night.folder / "control.json").exists()


def test_nothing_is_asked_of_a_campaign_that_does_not_run(night: Any, serve: Callable[..., Any]) -> None:
    night.store.close()
    with client(serve(night.folder)) as web:
        answer = web.post("request", json={"request": "stop"})
    assert answer.status_code == 409
    assert not (night.folder / "control.json").exists()


def test_the_page_of_a_finished_campaign_is_its_report(night: Any, serve: Callable[..., Any]) -> None:
    while night.store.remaining_slots():
        night.accept_next()
    night.store.close()
    (night.folder / "report").mkdir()
    (night.folder / "report" / "index.html").write_text("<p>the report</p>")
    with client(serve(night.folder)) as web:
        assert web.get("").headers["location"] == "report"
        assert web.get("report").text == "<p>the report</p>"
        assert web.get("live").status_code == 200


def test_every_address_asks_for_the_token(night: Any, serve: Callable[..., Any]) -> None:
    server = serve(night.folder, Access("sesame"))
    with client(server) as web:
        for path in ("", "live", "state", "events", "report", "static/watch.js", "nowhere"):
            assert web.get(path).status_code == 403, path
        assert web.post("request", json={"request": "stop"}).status_code == 403
    with client(server, authorization="Bearer sesame") as web:
        assert web.get("state").status_code == 200


def test_the_token_in_the_address_becomes_a_cookie_that_scripts_can_not_read(
    night: Any, serve: Callable[..., Any]
) -> None:
    with client(serve(night.folder, Access("sesame"))) as web:
        answer = web.get("", params={"token": "sesame"})
        assert answer.status_code == 303
        assert "token" not in answer.headers["location"]
        cookie = answer.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        assert web.get("state").status_code == 200


def test_a_folder_without_a_campaign_is_told_of(tmp_path: Any, serve: Callable[..., Any]) -> None:
    with client(serve(tmp_path)) as web:
        assert web.get("").status_code == 404
        assert "no campaign there" in web.get("state").json()["error"]


def test_the_stream_sends_each_part_again_only_when_it_changed(night: Any, serve: Callable[..., Any]) -> None:
    seen: list[tuple[str, Any]] = []
    with client(serve(night.folder)) as web, web.stream("GET", "events") as stream:
        name = ""
        for line in stream.iter_lines():
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: "):
                seen.append((name, json.loads(line.removeprefix("data: "))))
                if len(seen) == 3:
                    night.tell(phase_s=44.0)
                elif len(seen) == 4:
                    night.accept_next()
                    night.tell()
                elif len(seen) == 6:
                    break
    assert [name for name, _ in seen] == ["grid", "history", "live", "live", "grid", "live"]
    assert all("history" not in value for name, value in seen if name == "live"), "it is sent when it grows"
    assert [value["accepted"] for name, value in seen if name == "grid"] == [1, 2]


def test_once_the_visitor_has_left_nothing_is_looked_at_any_more(
    night: Any, serve: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[float] = []

    def look(*given: Any) -> Any:
        looks.append(time.monotonic())
        return read_now(*given)

    monkeypatch.setattr("harness.watch.app.read_now", look)
    with client(serve(night.folder)) as web, web.stream("GET", "events") as stream:
        lines = stream.iter_lines()
        next(lines)
        until = time.monotonic() + 10
        while len(looks) < 3 and time.monotonic() < until:
            time.sleep(0.05)
    time.sleep(0.3)
    left = len(looks)
    time.sleep(0.4)
    assert len(looks) == left >= 3
