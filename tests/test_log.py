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


def test_no_control_character_of_an_event_reaches_the_terminal(capsys) -> None:
    """Of titles' output, names of plans and files, exceptions, and values of any kind."""
    nasty = "\x1b]0;owned\x07\x9b31m\u202eback\r"

    class Odd:
        def __repr__(self) -> str:
            return nasty

    log.configure(verbose=True)
    try:
        logger = log.get_logger("test")
        logger.info(f"said {nasty}", output=nasty, path=Path(nasty), values=[nasty, {nasty: Odd()}])
        try:
            raise ValueError(nasty)
        except ValueError:
            logger.exception(nasty, **{"na\x1bme": nasty})
    finally:
        log.configure(verbose=False)
        structlog.reset_defaults()
    told = capsys.readouterr().err
    assert "owned" in told
    assert not [sign for sign in told if (ord(sign) < 32 and sign not in "\n\t") or sign in "\x7f\x9b\u202e"]
