"""``[[titles.companions]]``: programs that are started and ended with a title."""

from __future__ import annotations

import re
from pathlib import Path
from typing import ClassVar, Literal, Self

from pydantic import Field, model_validator

from harness.patterns import PatternText
from harness.plan.parts import Name, Part


class CompanionSpec(Part):
    """One companion of a title, as a frame logger or a recorder. See :mod:`harness.companions`.

    In ``command``, ``environment``, ``working_folder``, ``end_command`` and ``file`` a ``{name}`` stands for
    what it stands for in the title's own command, and ``{process_id}`` for the title's process.
    """

    BEARS: ClassVar[str] = "command environment working_folder starts"
    APART: ClassVar[str] = (
        "name ready_line ready_after_s ready_within_s end end_command end_within_s must_live file"
    )

    name: str = Name
    command: list[str] = Field(
        min_length=1, description="program and its arguments; run as it stands, without a shell"
    )
    environment: dict[str, str] = Field(
        default_factory=dict, description="variables added to its environment"
    )
    working_folder: str | None = Field(
        default=None, description="its working folder; default: the attempt's own"
    )
    starts: Literal["before", "with", "when-ready"] = Field(
        default="before",
        description="before the title, which then waits until it is ready; as soon as the title was started; "
        "or once the title is ready",
    )
    ready_line: PatternText | None = Field(
        default=None, description="it is ready at the line of its output that matches this"
    )
    ready_after_s: float | None = Field(
        default=None,
        ge=0,
        description="it is ready after this time, at the latest where there is a ready_line too",
    )
    ready_within_s: float = Field(
        default=30, gt=0, le=600, description="not ready for longer: the attempt fails"
    )
    end: Literal["ask", "interrupt", "input", "wait"] = Field(
        default="ask",
        description="how it is ended, after the title: asked to end; as by Ctrl-C; its standard input is "
        "closed; or it ends by itself",
    )
    end_command: list[str] | None = Field(
        default=None, min_length=1, description="run to end it, in place of `end`"
    )
    end_within_s: float = Field(
        default=10, ge=0, le=20, description="still there after this time: it is killed with all it started"
    )
    must_live: bool = Field(default=True, description="the attempt fails if it ends before the title")
    file: str | None = Field(
        default=None,
        min_length=1,
        description="file or pattern, in its working folder; the newest that it wrote is kept",
    )

    @model_validator(mode="after")
    def _one_end(self) -> Self:
        if self.end_command is not None and self.end != "ask":
            raise ValueError(f"end_command stands in place of end = {self.end!r}; leave one of them out")
        return self

    @property
    def output_stem(self) -> str:
        """Name of its output in the attempt's folder, less the end."""
        return f"output.{self.name}"

    @property
    def kept_name(self) -> str:
        """Name of its file in the attempt's folder."""
        suffixes = "".join(Path(self.file or "").suffixes[-2:])
        return f"companion.{self.name}" + (suffixes if re.fullmatch(r"[.a-zA-Z0-9_-]*", suffixes) else "")

    @property
    def leaves(self) -> tuple[str, ...]:
        """Names of what it may leave in the attempt's folder: output, that of its end, its file."""
        own = () if self.file is None else (self.kept_name,)
        return (f"{self.output_stem}.log", f"{self.output_stem}.end.log", *own)
