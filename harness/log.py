"""Structured log: JSON lines in the campaign folder, pretty on a terminal when asked for."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Any, TextIO

import structlog
import structlog.tracebacks
from structlog.typing import EventDict, Processor, WrappedLogger

from harness import inside


class _JsonLines:
    """A processor that also writes each event to the campaign's log, then passes it on."""

    def __init__(self) -> None:
        self.file: TextIO | None = None
        self._render = structlog.processors.JSONRenderer(sort_keys=True, default=str)

    def __call__(self, logger: WrappedLogger, name: str, event: EventDict) -> EventDict:
        if self.file is not None:
            line = str(self._render(logger, name, dict(event))) + "\n"
            with contextlib.suppress(OSError):  # a full disk costs lines of the log, never the night
                self.file.write(line)
                self.file.flush()
        return event


_json_lines = _JsonLines()
#: Without local variables: they may hold passwords, or all of a night's frames.
_TRACEBACKS = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)


def configure(*, verbose: bool) -> None:
    """Set structlog up for this process. ``verbose`` prints every event to standard error as well."""
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.ExceptionRenderer(_TRACEBACKS),
        _json_lines,
    ]
    final: Processor = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty()) if verbose else _drop
    structlog.configure(
        processors=[*shared, final],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )


def _drop(logger: WrappedLogger, name: str, event: EventDict) -> Any:
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
