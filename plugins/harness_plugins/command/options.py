"""What a plan may say of a title that is a command."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.patterns import Pattern, PatternText
from harness.plan.captured import Way
from harness.plan.placeholders import BUILT_IN, Value, names_in


class CommandOptions(BaseModel):
    """Plan keys of ``workload = "command"``.

    In ``command``, ``arguments``, ``environment``, ``working_folder`` and ``watch_file``, a ``{name}`` stands
    for a value of ``values`` or for one of :data:`harness.plan.placeholders.BUILT_IN`. Patterns
    (:mod:`harness.patterns`) are looked for anywhere in each line of the title's output and of
    ``watch_file``.
    """

    BEARS: ClassVar[str] = (
        "command arguments environment working_folder values ready_line ready_after_s end_line"
        " end_after_s pass_line score_line score_of clock_line"
    )
    APART: ClassVar[str] = (
        "process_name watch_file fail_line ok_exit_codes terminal frames frame_cap_fps"  # frame_log bears
    )

    model_config = ConfigDict(frozen=True, defer_build=True, extra="forbid", allow_inf_nan=False)

    command: list[str] = Field(
        min_length=1, description="executable and its arguments; run as it stands, without a shell"
    )
    arguments: list[str] = Field(
        default_factory=list, description="further arguments; a setting may give its own"
    )
    environment: dict[str, str] = Field(
        default_factory=dict, description="variables added to its environment"
    )
    working_folder: str | None = Field(None, description="its working folder; default: the attempt's own")
    values: dict[str, Value] = Field(default_factory=dict, description="what stands for {name} elsewhere")
    process_name: str | None = Field(
        None,
        min_length=1,
        description="name of the title's own program, where the command only asks a running launcher for it",
    )
    frame_cap_fps: float | None = Field(
        None,
        gt=0,
        le=10_000,
        description="the frame rate that the title is held to by its own settings, the driver or the screen; "
        "only told here, so that it can be held against the rhythm of the card's power sensor",
    )
    watch_file: str | None = Field(
        None,
        description="log file of the title, relative to its working folder, that is read for patterns too",
    )
    ready_line: PatternText | None = Field(None, description="it is ready at the line that matches this")
    ready_after_s: float | None = Field(
        None, ge=0, description="it is ready after this time, at the latest where there is a ready_line too"
    )
    end_line: PatternText | None = Field(None, description="it is done at the line that matches this")
    end_after_s: float | None = Field(None, gt=0, description="it is done this long after it was ready")
    fail_line: PatternText | None = Field(None, description="it has failed at the line that matches this")
    pass_line: PatternText | None = Field(None, description="each line that matches this ends a pass")
    score_line: PatternText | None = Field(
        None, description="pattern with one group, the score; the last match counts"
    )
    clock_line: PatternText | None = Field(
        None,
        description="pattern with one group, a time in s on the frame log's clock; each match ties that "
        "clock to the rig's",
    )
    frames: Way | None = Field(None, description="levelrig records its frames itself; in place of frame_log")
    score_of: Literal["last", "mean", "sum", "time"] = Field(
        "last",
        description="which scores of the window count; time: its own length in s",
    )
    terminal: bool = Field(
        False, description="its output goes to a terminal of its own, so that it is not held back"
    )
    ok_exit_codes: list[int] = Field([0], min_length=1, description="exit codes that mean success")

    @model_validator(mode="after")
    def _check(self) -> Self:
        known = {**BUILT_IN, **self.values}
        for where, text in self._texts():
            for name in names_in(text):
                if name not in known:
                    raise ValueError(
                        f"{where} has the placeholder {{{name}}}, which nothing fills; "
                        f"give it under values, or use one of: {', '.join(sorted(known))}"
                    )
        for key, pattern in (("score_line", self.score_line), ("clock_line", self.clock_line)):
            if pattern is not None and Pattern(pattern).group_count != 1:
                raise ValueError(f"{key} needs exactly one group, as in '{key[:5]}: ([0-9.]+)'")
        if self.score_of == "time" and self.score_line is not None:
            raise ValueError('score_of = "time" is the length of the window; leave score_line out')
        if self.score_of in ("mean", "sum") and self.score_line is None:
            raise ValueError(f"score_of = {self.score_of!r} needs a score_line that gives the scores")
        return self

    @property
    def gives_score(self) -> bool:
        """Whether a run of it gives a score."""
        return self.score_line is not None or self.score_of == "time"

    def _texts(self) -> Iterator[tuple[str, str]]:
        yield from (("command", text) for text in self.command)
        yield from (("arguments", text) for text in self.arguments)
        yield from (("environment", text) for text in self.environment.values())
        yield from (("working_folder", text) for text in (self.working_folder or "",))
        yield from (("watch_file", text) for text in (self.watch_file or "",))
