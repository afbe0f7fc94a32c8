"""Text of any origin on a terminal. Control functions: ECMA-48; pictures: Unicode block 2400-243F."""

from __future__ import annotations

import io
from datetime import datetime, timedelta

import pytest
from rich.table import Table
from rich.text import Text

from harness.clock import clock_time
from harness.terminal import PlainConsole, plain, print_table

EVIL = "\x1b]0;owned\x07\x1b[2J\x1b[31mred\x9b31m\x08\x7f\u202e\u2066end\r"


def test_controls_are_shown_and_not_obeyed() -> None:
    assert plain("a\x1b[2J\x07\r\x00\x7f") == "a␛[2J␇␍␀␡"
    assert plain("a\x9b2J\u202eb") == "a\ufffd2J\ufffdb"
    assert plain("größe\t1\n— ✓ 日本") == "größe\t1\n— ✓ 日本"


@pytest.mark.parametrize("terminal", [False, True])
def test_nothing_that_is_printed_reaches_the_terminal_raw(terminal: bool) -> None:
    out = io.StringIO()
    console = PlainConsole(
        file=out, force_terminal=terminal, width=80, color_system="standard" if terminal else None
    )
    console.print(EVIL, markup=False, style="red")
    console.print(Text(EVIL, style="bold"))
    console.print(EVIL, soft_wrap=True, markup=False)
    table = Table(title=EVIL)
    table.add_column(EVIL)
    table.add_row(EVIL)
    console.print(table)
    print_table(console, EVIL, [EVIL], [[EVIL]])
    written = out.getvalue()
    assert written.count("end") >= 6, "nothing is lost"
    for sign in ("\x1b]", "\x07", "\x1b[2J", "\x9b", "\x08", "\x7f", "\u202e", "\u2066", "\r"):
        assert sign not in written
    assert ("\x1b[" in written) == terminal, "the console's own colours are still there"


@pytest.mark.parametrize(
    ("hours", "told"),
    [
        (2.0, "20:30"),
        (5.4, "23:54"),
        (5.6, "Fri 00:06"),  # tomorrow, though in less than a day
        (144.0, "Wed 18:30"),
        (168.0, "Thu 2031-03-20 18:30"),  # the weekday alone would mean today
    ],
)
def test_an_end_that_is_not_today_is_told_with_its_day(hours: float, told: str) -> None:
    now = datetime(2031, 3, 13, 18, 30)  # noqa: DTZ001 - the clock on the wall
    assert clock_time(now + timedelta(hours=hours), now) == told
