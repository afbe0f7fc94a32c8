"""Table ``[report]`` of a plan, and what it says of authors, instruments, cost and smoothness."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import (
    Field,
)

from harness.plan.parts import Part


class Instrument(Part):
    """One entry of ``[instruments]``: what the maker states of a reading, as ± limits of error."""

    APART: ClassVar[str] = "*"

    accuracy_pct: float = Field(default=0, ge=0, lt=100, description="± limits, in % of the reading")
    accuracy: float = Field(default=0, ge=0, description="± limits, in the unit of the reading")
    resolution: float = Field(default=0, ge=0, description="smallest step, in the unit of the reading")


class Cost(Part):
    """Table ``[cost]``: price of electricity, for the cost of an hour under each profile."""

    APART: ClassVar[str] = "*"

    price_per_kwh: float = Field(gt=0)
    currency: str = Field(min_length=1, max_length=8, description="sign or code, as it is to be printed")
    night_setup_s: float = Field(default=1800, ge=0, description="work and time that one more night costs")


class Smoothness(Part):
    """Table ``[smoothness]``: what is counted as uneven in a run's frames."""

    APART: ClassVar[str] = "*"

    stutter_against_neighbours: float = Field(
        default=2.0,
        gt=1,
        le=100,
        description="a frame that takes over so many times the median of its neighbourhood is a stutter",
    )
    time_under_fps: float | None = Field(
        default=None, gt=0, description="also measure the share of time in frames slower than this rate"
    )


class Author(Part):
    """One entry of ``authors`` in ``[report]``, as the citation file and the data package name them."""

    APART: ClassVar[str] = "*"

    name: str = Field(min_length=1, max_length=120)
    affiliation: str = Field(default="", max_length=200)
    orcid: str = Field(default="", pattern=r"^(\d{4}-\d{4}-\d{4}-\d{3}[\dX])?$", description="ORCID iD")


class ReportSpec(Part):
    """Table ``[report]``: how the report and its charts look, and who is named in them."""

    APART: ClassVar[str] = "*"

    theme: Literal["light", "dark"] = Field(default="light", description="ground of the publication charts")
    captions: dict[str, str] = Field(
        default_factory=dict, description="chart, as in comparison or efficiency, and the caption to print"
    )
    credit: str = Field(default="", max_length=200, description="line at the foot of every publication chart")
    article_width_px: int = Field(default=1200, ge=400, le=4000)
    authors: list[Author] = Field(default_factory=list)
    data_licence: str = Field(default="", max_length=60, description="SPDX name of the data's licence")
