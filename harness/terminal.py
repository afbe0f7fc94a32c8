"""Progress while a campaign runs, and tables: a live panel on a terminal, plain lines otherwise."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from rich.console import Console, ConsoleOptions, Group, RenderableType
from rich.live import Live
from rich.markup import escape
from rich.progress_bar import ProgressBar
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from harness.clock import clock_time
from harness.plaintext import plain

if TYPE_CHECKING:
    from harness.engine.progress import Progress

#: Readings shown while a campaign runs, with label, unit and decimals, in this order.
_SHOWN = (
    ("core_temp_c", "core", "°C", 0),
    ("cpu_temp_c", "processor", "°C", 0),
    ("power_w", "power", "W", 0),
    ("running_fps", "frame rate", "FPS", 1),
    ("core_clock_mhz", "clock", "MHz", 0),
    ("gpu_load_pct", "card load", "%", 0),
    ("cpu_load_pct", "processor load", "%", 0),
    ("ambient_temp_c", "ambient", "°C", 1),
)
_VERDICT_STYLE = {"accepted": "green", "rejected": "yellow", "failed": "red", "interrupted": "yellow"}
_LEVEL_STYLE = {"info": "", "warning": "yellow", "error": "bold red"}
#: A plain progress line at most this often, seconds.
_PLAIN_EVERY_S = 30.0


class PlainConsole(Console):
    """The one way to the terminal: what is printed passes :func:`plain`, the console's own signs do not."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterator[Segment]:
        if isinstance(renderable, Text) and renderable.plain != plain(renderable.plain):
            renderable = renderable.copy()
            renderable.plain = plain(renderable.plain)  # sign for sign, so styles stay in place
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(plain(segment.text), segment.style)


def console(*, stderr: bool = False) -> Console:
    """A console that honours NO_COLOR, and is no wider than it must be when output is not a terminal."""
    made = PlainConsole(stderr=stderr, highlight=False, soft_wrap=False)
    if not made.is_terminal:
        made.width = max(made.width, 120)
    return made


def paged(out: Console) -> contextlib.AbstractContextManager[object]:
    """On a terminal, what is printed inside goes through the system's pager if it is longer than a screen."""
    if not out.is_terminal:
        return contextlib.nullcontext()
    os.environ.setdefault("LESS", "FRX")  # less then prints a short text and ends
    return out.pager(styles=True)


def duration(seconds: float) -> str:
    """``95`` -> ``1 min 35 s``; ``8130`` -> ``2 h 15 min``."""
    whole = max(0, round(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {secs:02d} s" if minutes else f"{secs} s"


def readings_line(readings: Mapping[str, float], width: int) -> str:
    """As many of the latest readings as fit into ``width``, those that a person asks for first."""
    line = ""
    for quantity, label, unit, decimals in _SHOWN:
        if quantity in readings:
            longer = f"{line}   {label} {readings[quantity]:.{decimals}f} {unit}".lstrip()
            line = longer if len(longer) <= width else line
    return line


def _end(progress: Progress, now: datetime) -> str:
    if progress.ends_in_s is None:
        return "end not known yet"
    end = now + timedelta(seconds=progress.ends_in_s)
    return f"ends about {clock_time(end, now)}, in {duration(progress.ends_in_s)}"


def _headline(progress: Progress) -> str:
    if progress.cell_id is None:
        return progress.detail or str(progress.phase)
    text = f"{progress.cell_id}  repeat {progress.repeat_index}"
    if progress.attempt_index and progress.attempt_index > 1:
        text += f" (try {progress.attempt_index})"
    return text


class TerminalObserver:
    """Shows a running campaign. Use as a context manager.

    Args:
        title: Name of the campaign.
        out: Console to draw on.
    """

    def __init__(self, title: str, out: Console) -> None:
        self._title = title
        self._out = out
        self._live = Live(console=out, auto_refresh=False, transient=True) if out.is_terminal else None
        self._last: tuple[Any, ...] = ()
        self._drawn_s = 0.0
        self._progress: Progress | None = None

    def __enter__(self) -> TerminalObserver:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._live is not None:
            self._live.stop()

    def on_progress(self, progress: Progress) -> None:
        self._progress = progress
        now_s = time.monotonic()
        if self._live is not None:
            if now_s - self._drawn_s >= 0.2:
                self._drawn_s = now_s
                self._live.update(self._panel(progress), refresh=True)
            return
        if now_s - self._drawn_s >= _PLAIN_EVERY_S:
            self._drawn_s = now_s
            self._out.print(
                f"{progress.accepted}/{progress.wanted} repeats  {_headline(progress)}  {progress.phase}  "
                f"{readings_line(progress.readings, self._out.width)}  {_end(progress, datetime.now())}",  # noqa: DTZ005
                markup=False,
            )

    def _panel(self, progress: Progress) -> Group:
        bar = ProgressBar(total=max(progress.wanted, 1), completed=progress.accepted, width=24)
        head = Table.grid(padding=(0, 2))
        head.add_row(
            Text(self._title, style="bold"),
            bar,
            Text(f"{progress.accepted}/{progress.wanted} repeats"),
            Text(_end(progress, datetime.now())),  # noqa: DTZ005
        )
        phase = f"{progress.phase} {duration(progress.phase_s)}"
        if progress.phase_left_s is not None:
            phase += f", {duration(progress.phase_left_s)} left"
        if progress.cell_id is None and progress.detail:
            phase = "" if progress.phase_left_s is None else f"{duration(progress.phase_left_s)} left"
        elif progress.detail:
            phase += f"  ({progress.detail})"
        return Group(
            head,
            Text(f"{_headline(progress)}   {phase}"),
            Text(readings_line(progress.readings, self._out.width), style="dim"),
        )

    def on_attempt(
        self, cell_id: str, repeat_index: int, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        attempt = "" if attempt_index == 1 else f" (try {attempt_index})"
        why = f": {reason}" if reason else ""
        style = _VERDICT_STYLE.get(verdict, "")
        self._out.print(
            Text(f"{cell_id}  repeat {repeat_index}{attempt}  ").append(verdict, style=style).append(why)
        )

    def on_message(self, level: str, message: str) -> None:
        # In a file a sentence stays one line, so that it can be searched for.
        self._out.print(Text(message, style=_LEVEL_STYLE.get(level, "")), soft_wrap=self._live is None)


def print_table(out: Console, title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A plain table; columns that hold only numbers are set flush right."""
    table = Table(
        title=escape(plain(title)) or None,
        title_justify="left",
        box=None,
        pad_edge=False,
        padding=(0, 2, 0, 0),
    )
    for index, name in enumerate(columns):
        cells = [row[index] for row in rows]
        numeric = bool(cells) and all(not cell or cell[0].isdigit() or cell[0] in "+−-±" for cell in cells)
        table.add_column(escape(plain(name)), justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        table.add_row(*(escape(plain(cell)) for cell in row))
    out.print(table)
