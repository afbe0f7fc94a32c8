"""The end of an account on the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol

from harness.numerals import counted
from harness.plan.captured import READER as CAPTURE
from harness.plan.schema import Cell
from harness.reasons import kind_of
from harness.trying.account import Screen
from harness.trying.closing import Closing
from harness.trying.results import CheckSaid

_SECONDS_A_LINE: Final = 10
_STYLES: Final = {"accepted": "bold green", "rejected": "bold yellow", "failed": "bold red"}
_FIGURES: Final = (
    ("average_fps", "average {:.1f} FPS"),
    ("one_percent_low_fps", "1 % low {:.1f} FPS"),
    ("point_one_percent_low_fps", "0.1 % low {:.1f} FPS"),
    ("longest_frame_ms", "longest frame {:.1f} ms"),
)


class Pasting(Screen, Protocol):
    """A screen that also shows lines to copy."""

    def paste(self, lines: list[str]) -> None: ...


def show(closing: Closing, cell: Cell, screen: Pasting) -> None:
    """Say the rest of an account: log, frames, readings, checks, verdict, changes, folder."""
    found = closing.account.found
    say = closing.account.say
    _show_log(closing, cell)
    _show_frames(closing)
    for number, row in enumerate(closing.readings):
        said = f"{row['quantity']}: {_reading(row)} ({counted(row['count'], 'reading')})"
        say("readings" if not number else "", said)
    if closing.checks:
        _show_checks(closing.checks, say)
    for mark in found.running.marks if found.running is not None else ():
        if mark.partition(":")[0] not in {check.code for check in closing.checks}:
            say("noted", mark)
    verdict = found.verdict or "not made"
    told = any(check.said == "rejects" and check.code == found.reason_code for check in closing.checks)
    code = kind_of(found.reason_code or "")
    why = code if told else f"{code}: {found.reason}"
    words = {
        "accepted": "NO RESULT: it was in order, but gives neither frames nor a score"
        if closing.without_result
        else "ACCEPTED: a night would count this attempt",
        "rejected": f"REJECTED, a night would not count this attempt: {why}",
        "failed": f"FAILED, {code}: {found.reason}",
        "interrupted": "INTERRUPTED",
    }.get(verdict, f"no attempt was made: {closing.result.reason}")
    say("verdict", words, style=_STYLES.get(verdict, "bold"))
    for change in closing.changes:
        say("change", change.why)
        screen.paste(list(change.lines))
    say("files", f"{closing.folder} (nothing was counted; remove it when you like)")


def _reading(row: Mapping[str, Any]) -> str:
    """A quantity over the window: a counter by what it counted there, bits by their words."""
    if "reasons" in row:
        return ", ".join(row["reasons"]) or "none"
    unit = f" {row['unit']}" if row["unit"] else ""
    if row["quantity"].endswith("energy_j"):
        return f"{row['highest'] - row['lowest']:.4g}{unit} between the first reading and the last"
    return f"{row['mean']:.4g}{unit} on average, {row['lowest']:.4g} to {row['highest']:.4g}"


def _show_log(closing: Closing, cell: Cell) -> None:
    found, say = closing.account.found, closing.account.say
    if found.source is None:
        spec = cell.title.frame_log
        if found.window_s is not None and spec is not None:
            none = "nothing was captured" if spec.reader == CAPTURE else "none that the plan's path means"
            say("log", none, style="red")
        return
    where = str(found.source.path)
    kept = "" if found.log == found.source.path or found.log is None else f", kept as {found.log}"
    say("log", f"{where}{kept}")
    rows = "" if closing.rows_read is None else f"{closing.rows_read} rows; "
    if closing.log_columns:
        shown = ", ".join(closing.log_columns[:40])
        say("", f"{rows}columns: {shown}{' …' if len(closing.log_columns) > 40 else ''}")
    elif rows:
        say("", rows.rstrip("; "))


def _show_frames(closing: Closing) -> None:
    say, figures = closing.account.say, closing.figures
    if "score" in figures:
        say("score", f"{figures['score']:g}")
    if "frame_count" in figures:
        parts = [text.format(figures[name]) for name, text in _FIGURES if figures.get(name) is not None]
        say("frames", f"{figures['frame_count']:.0f} in the window: {', '.join(parts)}")
    if closing.fps:
        for start in range(0, len(closing.fps), _SECONDS_A_LINE):
            row = closing.fps[start : start + _SECONDS_A_LINE]
            last = start + len(row)
            text = " ".join(f"{fps:.0f}" for fps in row)
            say("by second" if not start else "", f"{start + 1:>3} to {last:>3} s  {text}")


def _show_checks(checks: Sequence[CheckSaid], say: object) -> None:
    assert callable(say)
    first = True
    for check in checks:
        if check.said in ("rejects", "marks"):
            style = "yellow" if check.said == "marks" else "red"
            say("checks" if first else "", f"{check.code} {check.said}: {check.why}", style=style)
            first = False
    fine = [check.code for check in checks if check.said == "fine"]
    say("checks" if first else "", f"fine: {', '.join(fine)}")
    for why in dict.fromkeys(check.why for check in checks if check.said == "not judged"):
        codes = ", ".join(check.code for check in checks if check.said == "not judged" and check.why == why)
        say("", f"not judged, as {why}: {codes}")
