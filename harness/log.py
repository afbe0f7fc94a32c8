"""Structured log: JSON lines in the campaign folder, pretty on a terminal when asked for.

Loggers come from :func:`get_logger`. The library behind it is loaded with the first event, which a command
that goes well often does without.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from harness import inside
from harness.plaintext import plain, plain_value

if TYPE_CHECKING:
    from structlog.typing import EventDict, Processor, WrappedLogger


class Logger:
    """Makes events: ``log.info("restored", control="nvml")``."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, method: str) -> Any:
        import structlog

        _set_up()
        return getattr(structlog.get_logger(self._name), method)


def get_logger(name: str) -> Logger:
    """The logger of that name."""
    return Logger(name)


class _JsonLines:
    """A processor that also writes each event to the campaign's log, then passes it on."""

    def __init__(self) -> None:
        self.file: TextIO | None = None

    def __call__(self, logger: WrappedLogger, name: str, event: EventDict) -> EventDict:
        import structlog

        if self.file is not None:
            render = structlog.processors.JSONRenderer(sort_keys=True, default=str)
            line = str(render(logger, name, dict(event))) + "\n"
            with contextlib.suppress(OSError):  # a full disk costs lines of the log, never the night
                self.file.write(line)
                self.file.flush()
        return event


_json_lines = _JsonLines()
#: What :func:`configure` was told and the library does not know yet.
_untold: list[bool] = []


def configure(*, verbose: bool) -> None:
    """Set the log up for this process. ``verbose`` prints every event to standard error as well."""
    _untold[:] = [verbose]
    if "structlog" in sys.modules:
        _set_up()


def _set_up() -> None:
    if not _untold:
        return
    import structlog
    import structlog.tracebacks

    verbose = _untold.pop()
    # Without local variables: they may hold passwords, or all of a night's frames.
    tracebacks = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.ExceptionRenderer(tracebacks),
        _json_lines,
    ]
    # Values are made plain before they are drawn: the renderer's own colours are then all that is obeyed.
    shown: list[Processor] = [_plain_event, structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())]
    structlog.configure(
        processors=[*shared, *(shown if verbose else [_drop])],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )


def _plain_event(logger: WrappedLogger, name: str, event: EventDict) -> EventDict:
    shown = {plain(key): plain_value(value) for key, value in event.items()}
    if isinstance(shown.get("exception"), list):  # the log's form; a person gets lines
        shown["exception"] = "\n".join(line for part in shown["exception"] for line in _lines_of(part))
    return shown


def _lines_of(part: Mapping[str, Any]) -> list[str]:
    """One exception of a chain, as the log keeps it."""
    frames = [f"  {f.get('filename')}:{f.get('lineno')} in {f.get('name')}" for f in part.get("frames", ())]
    return [*frames, f"{part.get('exc_type')}: {part.get('exc_value')}"]


def _drop(logger: WrappedLogger, name: str, event: EventDict) -> Any:
    import structlog

    raise structlog.DropEvent


def write_to(path: Path | None) -> None:
    """From now on append JSON lines to that file; None closes it."""
    if _json_lines.file is not None:
        _json_lines.file.close()
    _json_lines.file = (
        None
        if path is None
        else os.fdopen(
            inside.open_file(path.parent, path, os.O_WRONLY | os.O_APPEND | os.O_CREAT), "a", encoding="utf-8"
        )
    )
