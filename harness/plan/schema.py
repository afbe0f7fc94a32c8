"""The plan as data: what a plan file may say, with units in every name and sane defaults.

Keys that belong to a plugin (a title's command, a profile's power limit) are collected in ``options`` and
validated by the plugin's own model; see :mod:`harness.plan.load`. Times are seconds, temperatures °C.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    Discriminator,
    Field,
    Tag,
    ValidationInfo,
    model_validator,
)

from harness.metrics import METRICS
from harness.plan.captured import with_frame_log
from harness.plan.checks_table import Checks
from harness.plan.companion_table import CompanionSpec
from harness.plan.earlier_keys import with_present_keys
from harness.plan.files_table import FileSpec
from harness.plan.night_tables import Limits, Night, Notify, Retries, Sentinels
from harness.plan.parts import KEPT, Name, OpenPart, Part
from harness.plan.report_table import Cost, Instrument, ReportSpec, Smoothness
from harness.plan.rig_table import RigTable
from harness.plan.stage_keys import set_stage_keys
from harness.plan.steps_table import StepSpec, SurpriseSpec
from harness.stages import STAGES, AnyStage, Rule

LowDefinition = Literal["percentile", "mean-of-slowest", "time-share"]
SequenceName = Annotated[str, Name]


class AdaptiveRepeats(Part):
    """``repeats`` as a table: go on until the margin is decided, or the interval is narrow, within bounds.

    A group-sequential rule keeps the error rate of the decisions; see :mod:`harness.analysis.sequential`.
    With ``until_half_width_pct`` and no word of the margin, the width alone decides.
    """

    APART: ClassVar[str] = "*"

    at_least: int = Field(default=3, ge=2, le=1000, description="repeats of each cell before the first look")
    at_most: int = Field(ge=2, le=1000, description="repeats of each cell after which it is left undecided")
    until_margin_is_decided: bool = True
    until_half_width_pct: float | None = Field(
        default=None, gt=0, lt=50, description="half width that each title's interval must reach, in %"
    )
    decide_on: list[str] = Field(
        default=["average_fps"], min_length=1, description="metrics that must be decided before it stops"
    )

    @model_validator(mode="before")
    @classmethod
    def _one_rule(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("until_half_width_pct") is not None:
            return {"until_margin_is_decided": False, **data}
        return data

    @model_validator(mode="after")
    def _ordered(self) -> AdaptiveRepeats:
        if self.at_most < self.at_least:
            raise ValueError(f"at_most is below at_least ({self.at_least}); raise at_most")
        return self


def _kind_of_repeats(value: Any) -> str:
    return "adaptive" if isinstance(value, dict | AdaptiveRepeats) else "count"


class PlanHead(Part):
    """Table ``[plan]``."""

    APART: ClassVar[str] = "*"

    name: str = Field(default="", max_length=80, description="short name of the campaign")
    question: str = Field(min_length=1, description="the question that the report answers first")
    repeats: Annotated[
        Annotated[int, Field(ge=1, le=1000), Tag("count")] | Annotated[AdaptiveRepeats, Tag("adaptive")],
        Discriminator(_kind_of_repeats),
    ] = Field(description="wanted accepted repeats of each cell, or a table with at_least and at_most")
    order: Literal["balanced", "shuffled", "as-listed"] = "balanced"
    seed: int = Field(default=1, ge=0, description="seed of every random choice of the night")
    reference: str = Field(description="profile that the others are compared with")
    margin_pct: float = Field(default=3.0, gt=0, lt=50, description="difference that counts as none, in %")
    confidence_pct: float = Field(default=95.0, gt=50, lt=100)
    temperature_margin_k: float = Field(default=2.0, gt=0, description="the same for temperatures, in K")
    sound_margin_db: float = Field(default=1.0, gt=0, description="the same for sound levels, in dB")
    may_extend_once: bool = Field(
        default=False,
        description="keep room for one extension after a look at the results",
    )
    extended_to: int | None = Field(
        default=None, ge=3, le=1000, description="repeats of each cell after that one extension"
    )
    primary_metrics: list[str] = Field(
        default=[metric.name for metric in METRICS.compared() if metric.primary],
        min_length=1,
        description="metrics that get a verdict, chosen before the night; all others are described",
    )
    blank: str | None = Field(
        default=None,
        pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$",
        max_length=48,
        description="measure the reference once more under this name, to see what no difference looks like",
    )
    one_percent_low: LowDefinition = "percentile"
    allow_hardware_changes: bool = False

    @property
    def adaptive(self) -> AdaptiveRepeats | None:
        """The rule by which repeats are added; None where their count is fixed."""
        return self.repeats if isinstance(self.repeats, AdaptiveRepeats) else None

    @property
    def repeats_at_most(self) -> int:
        """Repeats of each cell that the order of the night makes room for."""
        if isinstance(self.repeats, AdaptiveRepeats):
            return self.repeats.at_most
        return self.extended_to or self.repeats

    @property
    def repeats_at_least(self) -> int:
        """Repeats of each cell below which some are missing."""
        if isinstance(self.repeats, AdaptiveRepeats):
            return self.repeats.at_least
        return self.extended_to or self.repeats

    @model_validator(mode="after")
    def _extension(self) -> PlanHead:
        if isinstance(self.repeats, AdaptiveRepeats):
            if self.may_extend_once or self.extended_to is not None:
                raise ValueError("repeats that a rule adds are not extended; leave out may_extend_once")
        elif self.extended_to is not None:
            if not self.may_extend_once:
                raise ValueError("extended_to needs may_extend_once, stated before the first repeat")
            if self.extended_to < self.repeats + 2:
                raise ValueError(f"extend by two repeats at least: extended_to = {self.repeats + 2}")
        return self


class Conditions(Part):
    """Table ``[conditions]``."""

    BEARS: ClassVar[str] = "temperature"  # and each stage, which gets its key at the end of this module

    temperature: str | None = Field(default=None, description="quantity to hold; default: first one present")

    @model_validator(mode="before")
    @classmethod
    def _pass_over_unknown_stages(cls, data: Any, info: ValidationInfo) -> Any:
        if info.context != KEPT or not isinstance(data, dict):
            return data
        return {key: value for key, value in data.items() if key in cls.model_fields}


class Sampling(Part):
    """Table ``[sampling]``."""

    BEARS: ClassVar[str] = "period_s sensors"

    period_s: float = Field(default=0.1, ge=0.01, le=10)
    sensors: list[str] | None = Field(default=None, description="sensor kinds to use; default: all that work")


class SensorSpec(OpenPart):
    """One ``[[sensors]]`` entry: a sensor that needs options of its own."""

    BEARS: ClassVar[str] = "kind options"

    kind: str


class ProfileSpec(OpenPart):
    """One ``[[profiles]]`` entry; keys beyond these belong to its control."""

    BEARS: ClassVar[str] = "control options"
    APART: ClassVar[str] = "name label"

    name: str = Name
    label: str = ""
    control: str = "factory"


class FrameLogSpec(OpenPart):
    """``frame_log`` of a title; keys beyond these belong to the reader."""

    BEARS: ClassVar[str] = "path reader companion options"

    path: str = Field(description="file or pattern, relative to the attempt's working folder")
    reader: str = "columns"
    companion: str | None = Field(
        default=None, description="the companion that writes it; the path is then looked for in its folder"
    )


class SettingSpec(OpenPart):
    """One entry of a title's ``settings``; what it states overrides the title's."""

    BEARS: ClassVar[str] = "measure_s frame_log options"  # and each stage in the title
    APART: ClassVar[str] = "name label deadline_s expect_lines"

    name: str = Name
    label: str = ""
    measure_s: float | None = Field(default=None, gt=0)
    deadline_s: float | None = Field(default=None, gt=0)
    frame_log: FrameLogSpec | None = None
    expect_lines: list[str] | None = None

    @model_validator(mode="before")
    @classmethod
    def _captured(cls, data: Any) -> Any:
        return with_frame_log(data)


class TitleSpec(OpenPart):
    """One ``[[titles]]`` entry; keys beyond these belong to its workload."""

    BEARS: ClassVar[str] = (
        "workload measure_s frame_log companions files private_home steps sequences surprises settings"
        " options"
        # and each stage in the title
    )
    APART: ClassVar[str] = (
        "name label deadline_s silent_at_most_s still_at_most_s score_better expect_lines without_frames"
    )

    name: str = Name
    label: str = ""
    workload: str
    measure_s: float | None = Field(default=None, gt=0, description="window; null: until the title ends")
    deadline_s: float = Field(default=1800, gt=0, description="the title is ended after this long, whatever")
    silent_at_most_s: float = Field(
        default=60, gt=0, description="without output, frame or processor time for longer it has hung"
    )
    frame_log: FrameLogSpec | None = None
    companions: list[CompanionSpec] = Field(
        default_factory=list, description="programs started and ended with it"
    )
    files: list[FileSpec] = Field(
        default_factory=list, description="its own files that are put in place before each attempt"
    )
    private_home: bool = Field(default=False, description="each attempt has an empty home folder of its own")
    steps: list[StepSpec] = Field(
        default_factory=list, description="what a person would do at it, from its start to its end"
    )
    sequences: dict[SequenceName, list[StepSpec]] = Field(
        default_factory=dict, description="steps that others run by name"
    )
    surprises: list[SurpriseSpec] = Field(
        default_factory=list, description="pictures that may come at any time, and what is done then"
    )
    still_at_most_s: float | None = Field(
        default=None, gt=0, description="its picture did not change for longer inside the window: it has hung"
    )
    score_better: Literal["higher", "lower"] = "higher"
    expect_lines: list[str] = Field(
        default_factory=list, description="patterns that its output must show, as the resolution in use"
    )
    without_frames: bool = Field(
        default=False,
        description="it gives neither frames nor a score, on purpose: power, temperatures and the like count",
    )
    settings: list[SettingSpec] = Field(default_factory=lambda: [SettingSpec(name="default")], min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _captured(cls, data: Any) -> Any:
        return with_frame_log(data)


class Plan(Part):
    """A whole plan file."""

    BEARS: ClassVar[str] = "conditions sampling sensors profiles titles"
    APART: ClassVar[str] = (
        "plan rig sentinels limits retries checks smoothness cost instruments report notify night"
    )

    plan: PlanHead
    rig: RigTable = RigTable()
    conditions: Conditions = Conditions()
    sentinels: Sentinels | None = None
    limits: Limits = Limits()
    night: Night = Night()
    sampling: Sampling = Sampling()
    retries: Retries = Retries()
    checks: Checks = Checks()
    smoothness: Smoothness = Smoothness()
    cost: Cost | None = None
    instruments: dict[str, Instrument] = Field(
        default_factory=dict, description="quantity, as in power_w or core_temp_c, and its instrument"
    )
    report: ReportSpec = ReportSpec()
    notify: Notify = Notify()
    sensors: list[SensorSpec] = Field(default_factory=list)
    profiles: list[ProfileSpec] = Field(min_length=1)
    titles: list[TitleSpec] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _by_present_keys(cls, data: Any) -> Any:
        return with_present_keys(data) if isinstance(data, dict) else data

    @model_validator(mode="before")
    @classmethod
    def _with_blank(cls, data: Any) -> Any:
        """The blank is a profile like any other from here on: the reference's keys under its own name."""
        head, profiles = (data.get(key) for key in ("plan", "profiles")) if isinstance(data, dict) else (0, 0)
        if not isinstance(head, dict) or not isinstance(profiles, list):
            return data
        blank, reference = head.get("blank"), head.get("reference")
        if not isinstance(blank, str) or not isinstance(reference, str):
            return data
        named = {p["name"]: p for p in profiles if isinstance(p, dict) and isinstance(p.get("name"), str)}
        if blank in named or reference not in named:
            return data
        again = {key: value for key, value in named[reference].items() if key != "label"}
        return {**data, "profiles": [*profiles, {**again, "name": blank}]}

    @classmethod
    def kept(cls, text: str) -> Plan:
        """The plan that a folder keeps, read whatever plugins are here: stages that none of them brings are
        passed over. Raises ValueError."""
        return cls.model_validate(tomllib.loads(text.removeprefix("\ufeff")), context=KEPT)


class Cell(Part):
    """title × setting × profile, resolved: the setting's options laid over the title's.

    Attributes:
        cell_id: ``title.setting.profile``; stable as long as the names are.
        definition_hash: Content hash over all that bears on its figures; a change re-measures it, or reads
            its kept frame logs again where ``measured_hash`` stayed.
        measured_hash: The same less how the frame log is read; empty in folders of earlier versions.
    """

    cell_id: str
    title: TitleSpec
    setting: SettingSpec
    profile: ProfileSpec
    workload_options: dict[str, Any]
    definition_hash: str
    measured_hash: str = ""


class Slot(Part):
    """One planned repeat in the order of the night.

    Attributes:
        position: Place in the order, from 1.
        block: Block of the order, from 1: one repeat of each profile of one title and setting.
        sentinel: Measured only to watch the rig's drift.
        remeasurement: Measures that repeat once more, as it lay far from the others of its cell.
    """

    position: int = Field(ge=1)
    block: int = Field(ge=1)
    cell_id: str
    repeat_index: int = Field(ge=1)
    sentinel: bool = False
    remeasurement: bool = False

    def said(self, planned: int) -> str:
        """``repeat 2``, ``sentinel 1``, ``re-measurement of repeat 2``, as a person counts them.

        Args:
            planned: Repeats of each cell that the order makes room for; sentinels are numbered after them.
        """
        if self.sentinel:
            return f"sentinel {self.repeat_index - planned}"
        return f"{'re-measurement of ' if self.remeasurement else ''}repeat {self.repeat_index}"


def rules_in_force(conditions: Conditions, title: TitleSpec) -> list[tuple[AnyStage, Rule]]:
    """The stages that each attempt of the title passes, in order, each with its rule: the title's own, or the
    plan's. A stage that the plan does not speak of and that has no default is left out."""
    found = ((stage, own_rule(stage, title) or shared_rule(stage, conditions)) for stage in STAGES)
    return [(stage, rule) for stage, rule in found if rule is not None]


def all_rules(plan: Plan) -> Iterator[tuple[AnyStage, Rule]]:
    """Every rule that the plan states or leaves at its default: of each stage its own, then those of titles
    and settings."""
    for stage in STAGES:
        owners: list[TitleSpec | SettingSpec] = []
        for title in plan.titles:
            owners += [title, *title.settings]
        for rule in (shared_rule(stage, plan.conditions), *(own_rule(stage, owner) for owner in owners)):
            if rule is not None:
                yield stage, rule


def shared_rule(stage: AnyStage, conditions: Conditions) -> Rule | None:
    """The plan's rule for a stage; None where it has no such stage."""
    return getattr(conditions, stage.key, None)


def own_rule(stage: AnyStage, table: TitleSpec | SettingSpec) -> Rule | None:
    """A title's or setting's own rule for a stage."""
    return getattr(table, stage.key, None)


STAGES.follow(lambda: set_stage_keys(Conditions, (SettingSpec, TitleSpec), (Plan, Cell), STAGES))
