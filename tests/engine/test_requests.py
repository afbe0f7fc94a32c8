from __future__ import annotations

import json
import os

import pytest

from harness.engine.requests import (
    CONTROL_NAME,
    Request,
    ask,
    drop_stale_request,
    take_request,
    waiting_request,
)


def test_a_request_is_taken_once_and_names_what_was_asked_for(tmp_path):
    ask(tmp_path, Request("pause-after-attempt"))
    taken = take_request(tmp_path)
    assert taken is not None
    assert (taken.kind, "pause-after-attempt" in taken.reason) == ("pause", True)
    assert take_request(tmp_path) is None
    assert list(tmp_path.iterdir()) == []


def test_a_request_for_another_process_is_left_alone(tmp_path):
    ask(tmp_path, Request("stop", frozenset({os.getpid() + 1})))
    assert take_request(tmp_path) is None
    assert waiting_request(tmp_path) is not None


def test_a_request_for_the_supervisor_is_taken_by_its_child(tmp_path, monkeypatch):
    monkeypatch.setenv("LEVELRIG_SUPERVISED", "4711")
    ask(tmp_path, Request("stop", frozenset({4711})))
    assert take_request(tmp_path) is not None


@pytest.mark.parametrize("wish", ["stop", "pause-after-attempt"])
def test_what_an_earlier_run_left_is_dropped_and_said(tmp_path, wish):
    (tmp_path / CONTROL_NAME).write_text(json.dumps({"request": wish}))
    said = drop_stale_request(tmp_path)
    assert said is not None
    assert wish in said
    assert not (tmp_path / CONTROL_NAME).exists()


def test_a_request_that_names_this_run_survives_its_start(tmp_path):
    ask(tmp_path, Request("stop", frozenset({os.getpid()})))
    assert drop_stale_request(tmp_path) is None
    assert take_request(tmp_path) is not None


@pytest.mark.parametrize(
    "content",
    ["", "[]", '{"request": 7}', '{"request": "dance"}', "{" * 9000, '{"request": "stop", "for": 1}'],
)
def test_odd_files_say_nothing(tmp_path, content):
    (tmp_path / CONTROL_NAME).write_text(content)
    assert waiting_request(tmp_path) is None


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_named_pipe_in_its_place_blocks_nobody(tmp_path):
    os.mkfifo(tmp_path / CONTROL_NAME)
    assert take_request(tmp_path) is None
