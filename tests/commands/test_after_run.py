"""A disk that is full, or read-only, when the report is written: a sentence, and the data is safe."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pandas as pd
import pytest

from harness.commands import after_run as module
from harness.engine.campaign import CampaignResult
from harness.errors import DiskFull, Interrupted, ReportMissing


@pytest.mark.parametrize(("exit_code", "expected"), [(0, 3), (4, 4), (5, 5), (130, 130)])
@pytest.mark.parametrize(
    "failure",
    [OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), OSError(errno.EROFS, "ro"), DiskFull("full")],
)
def test_a_report_that_can_not_be_written_is_a_sentence(monkeypatch, exit_code, expected, failure):
    def fail(folder):
        raise failure

    monkeypatch.setattr(module, "conclude", fail)
    with pytest.raises(ReportMissing) as caught:
        module.conclude_run(CampaignResult(Path("c"), exit_code, "all done", 7, 8))
    text = str(caught.value)
    assert caught.value.exit_code == expected
    assert "7 of 8 repeats are measured and safe in c (ended: all done)" in text
    assert "`levelrig report c` writes it" in text


def test_ctrl_c_while_the_report_is_written_says_how_to_get_it(monkeypatch):
    def interrupt(folder):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "conclude", interrupt)
    with pytest.raises(Interrupted, match="levelrig report c") as caught:
        module.conclude_run(CampaignResult(Path("c"), 0, "all done", 8, 8))
    assert caught.value.exit_code == 130


def test_one_marked_repeat_is_and_two_are():
    marks = [["start-temperature: 9 K off"], ["start-temperature: 9 K off"], ["pace: slow"]]
    told = module._marks(pd.DataFrame({"title": "harbour", "setting": "default", "marks": marks}))
    assert told[-2:] == (
        "2 of 3 accepted repeats are marked start-temperature; the report has the details",
        "1 of 3 accepted repeats is marked pace; the report has the details",
    )
