"""The self-test: each item has a time limit, and none stops the others."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from harness import selftest
from harness.cli import main
from harness.selftest import NotAvailable, run_self_test


def test_an_item_that_fails_or_hangs_stops_none_of_the_others() -> None:
    def broken(folder: Path) -> str:
        raise OSError("no such device")

    def missing(folder: Path) -> str:
        raise NotAvailable("nothing here")

    def hanging(folder: Path) -> str:
        time.sleep(30)
        return "too late"

    items = [("a", broken), ("b", hanging), ("c", missing), ("d", lambda folder: str(folder.is_dir()))]
    seen = run_self_test(items, limit_s=2.0)
    assert [(o.item, o.verdict) for o in seen] == [
        ("a", "fail"), ("b", "fail"), ("c", "not available"), ("d", "pass"),
    ]  # fmt: skip
    assert "no such device" in seen[0].detail
    assert "not over after 2 s" in seen[1].detail
    assert seen[3].detail == "True"


def test_the_whole_self_test_runs_on_this_machine(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(selftest, "READ_S", 1.0)
    monkeypatch.setattr(selftest, "_LIMIT_S", 300.0)
    monkeypatch.setattr("harness.selftest_parts.FOREIGN_S", 1.0)
    code = main(["doctor", "--self-test", "--json"])
    told = json.loads(capsys.readouterr().out)
    failed = {item["item"]: item["detail"] for item in told["items"] if item["verdict"] == "fail"}
    assert failed == {}
    assert code == 0
    assert {
        "lock a folder",
        "put a pretend card back after a kill",
        "open the live page",
        "end politely through a launcher",
        "kill a program that changed a card, close its console",
        "lock and replace files under use",
        "clocks and boot in two processes",
        "print all signs",
    } <= {item["item"] for item in told["items"] if item["verdict"] == "pass"}


def test_a_failed_item_is_told_by_the_exit_code(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(folder: Path) -> str:
        raise RuntimeError("\x1b[2Jno")

    monkeypatch.setattr(selftest, "all_items", lambda host: [("lock a folder", broken)])
    assert main(["doctor", "--self-test"]) == 1
    shown = capsys.readouterr().out
    assert "lock a folder" in shown
    assert "fail" in shown
    assert "\x1b" not in shown
