"""Of the second set of logs none is read wrongly without a word and no good one refused."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from harness.collect.judged_file import judge_file
from harness.errors import FrameLogError
from harness.frames.mapping import ColumnMapping
from harness.frames.reader import read_log
from tests.frames.second_set import Log, figures
from tests.frames.second_set_text import text_logs
from tests.frames.second_set_typed import typed_logs

RIGHT_WITHIN = 0.005


def outcome(log: Log, folder: Path) -> tuple[str, str]:
    """What became of a log, and what was said of it."""
    path = folder / f"log{log.suffix}"
    path.write_bytes(log.data)
    try:
        found = judge_file(path, ColumnMapping.model_validate(log.mapping)).figures
    except FrameLogError as error:
        return "refused", str(error)
    said = "; ".join([found["reason"] or "", *found["marks"]])
    if found["verdict"] == "rejected":
        return "refused", said
    if log.truth is not None:
        got = (found["frame_count"], found["average_fps"], found["one_percent_low_fps"])
        want = figures(log.truth)
        if all(abs(ours / theirs - 1) <= RIGHT_WITHIN for ours, theirs in zip(got, want, strict=True)):
            return "right", said
        said = f"{got} where {want} is true; {said}"
    return ("told" if found["marks"] else "silent"), said


@pytest.mark.parametrize("logs", [text_logs, typed_logs])
def test_no_log_is_read_wrongly_without_a_word_and_no_good_one_is_refused(logs, tmp_path):
    counts: Counter[str] = Counter()
    amiss = []
    for log in logs():
        became, said = outcome(log, tmp_path)
        counts[became] += 1
        wanted = {"refused"} if log.truth is None else {"right"}
        wanted |= {"refused", "told"} if log.may_refuse else set()
        wanted |= {"told"} if log.marked_ok else set()
        if became not in wanted:
            amiss.append(f"{log.name}: {became}: {said}")
    assert not amiss
    print(sum(counts.values()), dict(counts))


@pytest.mark.parametrize(
    ("field", "damaged"),
    [("", False), ("NA", False), ("1 2", True), ("####", True), ("-3", True), ("inf", True)],
)
def test_a_frame_left_out_without_a_readable_interval_takes_none_of_the_others_along(
    tmp_path, field, damaged
):
    """Found by fuzzing: the times of all later frames were no numbers."""
    path = tmp_path / "log.csv"
    rows = [f"{8 + i % 7},{int(i % 10 == 4)}" for i in range(3000)]
    rows[1504] = f"{field},1"
    path.write_text("\n".join(["took,hidden", *rows, ""]))
    log = read_log(path, ColumnMapping(interval_column="took", dropped_column="hidden"))
    assert np.isfinite(log.frames["t_s"].to_numpy()).all()
    assert log.frames.num_rows == 2700
    assert log.frames["frametime_ms"].to_numpy().sum() == sum(8 + i % 7 for i in range(3000)) - (8 + 1504 % 7)
    assert sum(log.dropped.values()) == int(damaged)
    assert (log.worst is not None) == damaged
