"""What a plan may say of a stream, and the sensor made of it."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from harness.clock import Clock
from harness.needs.commands import command_needs
from harness.needs.lines import never_matches
from harness.needs.need import Need
from harness.patterns import Pattern
from harness.plan.schema import Plan
from harness.programs import NoProgram, find_program, plan_folders
from harness_plugins.stream.mapping import (
    CsvReader,
    LineReader,
    Readings,
    pattern_reader,
    read_json,
    read_pairs,
)
from harness_plugins.stream.sensor import LineSensor
from harness_plugins.stream.sources import ProgramSource


class StreamOptions(Readings):
    """Plan keys of the sensor ``stream``."""

    BEARS: ClassVar[str] = "quantities time delay_s decimal format pattern delimiter columns"
    APART: ClassVar[str] = "command period_s stale_after_s"

    command: list[str] = Field(
        min_length=1,
        description="program and arguments; it runs for the whole night and prints a line a reading",
    )
    format: Literal["pairs", "json", "csv", "pattern"] = Field(
        "pairs",
        description="of its lines. pairs: P=123.4 T=21.5; json: one object a line; csv; pattern: see there",
    )
    pattern: str | None = Field(
        None, description="format pattern: a regular expression with one named group for each name"
    )
    delimiter: str = Field(",", min_length=1, max_length=1, description="format csv: sign between the fields")
    columns: list[str] | None = Field(
        None, description="format csv: names of the columns; default: its first line names them"
    )

    @model_validator(mode="after")
    def _check_format(self) -> Self:
        if (self.format == "pattern") != (self.pattern is not None):
            raise ValueError("format = 'pattern' and pattern go together")
        if self.pattern is not None:
            groups = Pattern(self.pattern).names
            missing = sorted({field.name for field in self.quantities.values()} - groups)
            if missing:
                raise ValueError(f"pattern has no group named {', '.join(missing)}; write (?P<name>...)")
        return self


def stream_needs(plan: Plan) -> list[Need]:
    """What the plan's streams need: a program that can be started, a pattern that some line matches."""
    found: list[Need] = []
    for index, spec in enumerate(plan.sensors):
        if spec.kind != "stream":
            continue
        options = StreamOptions.model_validate(spec.options)
        here = plan_folders(None)[0]
        place = ("sensors", index, "command")
        found += command_needs(options.command, here, spec.base, place, placeholders=False)
        if options.pattern is not None and (why := never_matches(options.pattern)) is not None:
            what = f"no line can ever match {options.pattern!r}: {why}"
            found.append(
                Need(("sensors", index, "pattern"), "missing", what, "fix the pattern", of_plan=True)
            )
    return found


def open_stream(options: StreamOptions, number: int, clock: Clock, base: Path | None = None) -> LineSensor:
    """Start the program. One that does not start is tried again later; its readings are missing till then."""
    readers: dict[str, LineReader] = {"pairs": read_pairs, "json": read_json}
    if options.format == "csv":
        read_line: LineReader = CsvReader(options.delimiter, options.columns)
    elif options.pattern is not None:
        read_line = pattern_reader(options.pattern)
    else:
        read_line = readers[options.format]
    words = list(options.command)
    with contextlib.suppress(NoProgram):  # the source tells of it, and tries again
        words[0] = str(find_program(words[0], plan_folders(base)))
    return LineSensor(f"stream:{number}", ProgramSource(words, clock), read_line, options, clock)
