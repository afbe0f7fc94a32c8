"""Of logs of all kinds none is read wrongly without a word and no good one refused."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from harness.collect.judged_file import judge_file
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from tests.frames.loggers import Log, all_logs, truth

ADVICE = re.compile(
    r"\b(set|check|fix|map|copy|write|remove|filter|split|choose|look|name|convert|mark|raise)\b",
    re.IGNORECASE,
)


def amiss(log: Log, folder: Path) -> str | None:
    """What is wrong with how the log was taken; None for nothing."""
    path = folder / f"frames{log.suffix}"
    path.write_bytes(log.data)
    try:
        figures = judge_file(path, ColumnMapping.model_validate(log.map)).figures
    except FrameLogError as error:
        if log.want == "good":
            return f"a good log was refused: {error}"
        return None if ADVICE.search(str(error).partition(": ")[2]) else f"no advice: {error}"
    said = "; ".join([str(figures["reason"] or ""), *figures["marks"]])
    if figures["verdict"] != "accepted":
        return f"a good log was rejected: {said}" if log.want == "good" else None
    if log.want == "bad":
        return f"accepted, of {figures['frame_count']} frames: {said}"
    found = (figures["average_fps"], figures["one_percent_low_fps"])
    off_pct = max(100 * abs(f / t - 1) for f, t in zip(found, truth(log.truth), strict=True))
    if off_pct > log.tol and (log.want == "good" or "frame-log-note" not in said):
        return f"{off_pct:.3g} % off: {said}"
    return None if log.says in said else f"{log.says!r} was not said: {said}"


@pytest.mark.parametrize("seed", [1, 2])
def test_of_all_logs_none_is_read_wrongly_without_a_word_and_no_good_one_refused(seed, tmp_path):
    logs = list(all_logs(seed))
    assert len(logs) > 500
    found = {log.name: said for log in logs if (said := amiss(log, tmp_path))}
    assert found == {}


def test_lines_without_numbers_are_left_out_at_the_edges_only(tmp_path):
    """Inside the table an unreadable row is most likely a long frame, and so is what stands for a number."""
    path = tmp_path / "frames.csv"
    rows = [f"{x:.3f}" for x in np.random.default_rng(1).normal(10, 1, 500)]
    for word, inside, accepted in (
        ("words", False, True),
        ("overflow", False, False),
        ("####", False, False),
        ("words", True, False),
    ):
        place = 250 if inside else 500
        path.write_text("\n".join(["dt", *rows[:place], word, *rows[place:]]) + "\n")
        figures = judge_file(path, ColumnMapping(interval_column="dt")).figures
        assert (figures["verdict"] == "accepted") is accepted, (word, inside)
        assert any(("without numbers" if accepted else "unreadable row") in mark for mark in figures["marks"])
