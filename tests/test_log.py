"""What the campaign's log holds."""

from __future__ import annotations

from pathlib import Path

import structlog

from harness import log


def test_an_exceptions_local_variables_are_not_logged(tmp_path: Path) -> None:
    """They hold what must not be written down, as notification addresses."""

    def fail(address: str) -> None:
        raise RuntimeError("not delivered")

    log.configure(verbose=False)
    log.write_to(tmp_path / "log.jsonl")
    try:
        fail("json://user:" + "hunter" + "2@example.org")
    except RuntimeError:
        structlog.get_logger().exception("told")
    finally:
        log.write_to(None)
        structlog.reset_defaults()
    text = (tmp_path / "log.jsonl").read_text()
    assert "not delivered" in text
    assert "fail" in text
    assert "hunter2" not in text
