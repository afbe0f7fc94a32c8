"""Progress while a campaign runs, and tables: a live panel on a terminal, plain lines otherwise."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, Group, RenderableType
from rich.live import Live
from rich.markup import escape
from rich.pager import Pager
from rich.progress_bar import ProgressBar
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from harness.clock import clock_time
from harness.numerals import out_of
from harness.plaintext import plain
from harness.streams import fit

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


class _Pager(Pager):
    """The system's pager, fed with signs that its code page has."""

    def show(self, content: str) -> None:
        from pydoc import pager

        pager(fit(content, getattr(sys.stdout, "encoding", None)))


def paged(out: Console) -> contextlib.AbstractContextManager[object]:
    """On a terminal, what is printed inside goes through the system's pager if it is longer than a screen."""
    if not out.is_terminal:
        return contextlib.nullcontext()
    os.environ.setdefault("LESS", "FRX")  # less then prints a short text and ends
    return out.pager(_Pager(), styles=sys.platform != "win32")  # its pager shows colours as signs


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


def end_line(ends_in_s: float | None) -> str:
    """``ends about 06:49, in 6 h 01 min``, by the clock of this machine."""
    if ends_in_s is None:
        return "end not known yet"
    now = datetime.now()  # noqa: DTZ005
    return f"ends about {clock_time(now + timedelta(seconds=ends_in_s), now)}, in {duration(ends_in_s)}"


def count_line(accepted: int, wanted: int, ends_in_s: float | None, *, running: bool = True) -> str:
    """``24 of 85 repeats accepted, ends about 06:49, in 6 h 01 min``; the end only while it runs."""
    return f"{out_of(accepted, wanted, 'repeat')} accepted{f', {end_line(ends_in_s)}' if running else ''}"


def doing_line(now: Mapping[str, Any]) -> str:
    """What the running attempt does, from the parts of a :class:`~harness.engine.progress.Progress`."""
    left = "" if now["phase_left_s"] is None else f", {duration(now['phase_left_s'])} left"
    if not now["cell_id"]:
        return f"{now.get('detail') or now['phase']}{left}"
    which = now.get("which") or f"repeat {now['repeat_index']}"
    phase = f"{now['phase']} {duration(now['phase_s'])}"
    return f"{now['cell_id']}  {which}{_try(now['attempt_index'])}  {phase}{left}"


def _try(attempt_index: int | None) -> str:
    return f" (try {attempt_index})" if attempt_index and attempt_index > 1 else ""


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
            for line in (
                count_line(progress.accepted, progress.wanted, progress.ends_in_s),
                f"  {doing_line(vars(progress))}",
                f"  {readings_line(progress.readings, self._out.width - 2)}".rstrip(),
            ):
                if line:
                    self._out.print(line, markup=False, soft_wrap=True)

    def _panel(self, progress: Progress) -> Group:
        bar = ProgressBar(total=max(progress.wanted, 1), completed=progress.accepted, width=24)
        head = Table.grid(padding=(0, 2))
        head.add_row(Text(self._title, style="bold", no_wrap=True, overflow="ellipsis"), bar)
        detail = f"  ({progress.detail})" if progress.detail and progress.cell_id else ""
        return Group(
            head,
            Text(
                f"{progress.accepted} of {progress.wanted} repeats accepted, {end_line(progress.ends_in_s)}"
            ),
            Text(f"{doing_line(vars(progress))}{detail}"),
            Text(readings_line(progress.readings, self._out.width), style="dim"),
        )

    def on_attempt(
        self, cell_id: str, which: str, attempt_index: int, verdict: str, reason: str | None
    ) -> None:
        why = f": {reason}" if reason else ""
        style = _VERDICT_STYLE.get(verdict, "")
        self._out.print(
            Text(f"{cell_id}  {which}{_try(attempt_index)}  ").append(verdict, style=style).append(why)
        )

    def on_message(self, level: str, message: str) -> None:
        # In a file a sentence stays one line, so that it can be searched for.
        self._out.print(Text(message, style=_LEVEL_STYLE.get(level, "")), soft_wrap=self._live is None)


def print_table(out: Console, title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A plain table; columns that hold only numbers are set flush right.

    No word is broken: where a line is too narrow, an interval goes below its number; where that is not
    enough, each row becomes a few lines of its own.
    """
    names = [plain(name) for name in columns]
    cells = [[plain(cell) for cell in row] for row in rows]
    narrow = [[cell.replace(" (", "\n(", 1) for cell in row] for row in cells]
    for form in (cells, narrow):
        if _width(names, form) <= out.width:
            _print_grid(out, title, names, form)
            return
    if title:
        out.print(Text(plain(title), style="italic"))
    numeric = [_numeric([row[index] for row in cells]) for index in range(len(names))]
    first = numeric.index(True) if True in numeric[1:] and not numeric[0] else 1
    for row in cells:
        rest = [
            f"{name} {cell}".strip() for name, cell in zip(names[first:], row[first:], strict=True) if cell
        ]
        out.print(Text(_joined(["  ".join(row[:first]), *rest], out.width)))


def _numeric(cells: Sequence[str]) -> bool:
    return bool(cells) and all(not cell or cell[0].isdigit() or cell[0] in "+−-±" for cell in cells)


def _width(names: Sequence[str], rows: Sequence[Sequence[str]]) -> int:
    """Least width of the table: a heading breaks between words, a cell only where it has lines."""
    return sum(_least(name, [row[i] for row in rows]) + 2 for i, name in enumerate(names)) - 2


def _least(name: str, cells: Sequence[str]) -> int:
    return max(
        cell_len(part) for part in ("", *name.split(), *(p for cell in cells for p in cell.split("\n")))
    )


def _print_grid(out: Console, title: str, names: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    table = Table(
        title=escape(plain(title)) or None,
        title_justify="left",
        box=None,
        pad_edge=False,
        padding=(0, 2, 0, 0),
    )
    for index, name in enumerate(names):
        cells = [row[index] for row in rows]
        table.add_column(
            escape(name),
            justify="right" if _numeric(cells) else "left",
            overflow="fold",
            min_width=_least(name, cells),
        )
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    out.print(table)


def _joined(parts: Sequence[str], width: int) -> str:
    """Parts side by side, on as many lines as it takes; all but the first line indented."""
    lines = list(parts[:1])
    for part in parts[1:]:
        if cell_len(lines[-1]) + 3 + cell_len(part) <= width and len(lines) > 1:
            lines[-1] += f"   {part}"
        else:
            lines.append(f"  {part}")
    return "\n".join(lines)
