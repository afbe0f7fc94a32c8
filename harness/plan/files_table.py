"""``[[titles.files]]``: a title's own files that are put in place before each attempt."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field

from harness.patterns import PatternText
from harness.plan.parts import Part


class FileSpec(Part):
    """One file, or a folder of files, of a title. See :mod:`harness.titlefiles`."""

    BEARS: ClassVar[str] = "copy_ at"
    APART: ClassVar[str] = "expect_lines"

    copy_: str = Field(
        alias="copy", min_length=1, description="the stored copy, a file or a folder, beside the plan"
    )
    at: str = Field(min_length=1, description="where the title reads it; ~ for the home folder")
    expect_lines: list[PatternText] = Field(
        default_factory=list, description="patterns that it must show once the title has ended"
    )
