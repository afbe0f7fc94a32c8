"""The plan as data: what a plan file may say, with units in every name and sane defaults.

Keys that belong to a plugin (a title's command, a profile's power limit) are collected in ``options`` and
validated by the plugin's own model; see :mod:`harness.plan.load`. Times are seconds, temperatures °C.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import time
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationInfo,
    model_validator,
)

from harness.metrics import METRICS
from harness.plan.stage_keys import set_stage_keys
from harness.stages import STAGES, AnyStage, Rule

LowDefinition = Literal["percentile", "mean-of-slowest", "time-share"]
CheckCode = Literal[
    "driver-reset",
    "driver-error",
    "memory-exhausted",
    "expected-line",
    "profile-not-in-force",
    "window-short",
    "frame-log-unit",
    "frame-log-missing",
    "frame-log-too-long",
    "frame-log-not-monotonic",
    "frame-log-dropped-rows",
    "frame-log-doubtful-rows",
    "frame-log-repeated",
    "frame-log-short",
    "long-pause",
    "frame-cap",
    "foreign-cpu-load",
    "foreign-gpu-load",
    "limit-reasons",
    "start-temperature",
    "ambient-temperature",
    "telemetry-gap",
    "readings-missing",
    "unsteady",
    "outlier",
]
#: A limit, or false for none (TOML has no null).
Threshold = Annotated[float | None, BeforeValidator(lambda value: None if value is False else value)]
#: The same as a whole number.
Bound = Annotated[int | None, BeforeValidator(lambda value: None if value is False else value)]
_KEPT = "kept"
Name = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=48)


class Part(BaseModel):
    """Base of every plan table: frozen, no unknown keys, no NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class OpenPart(Part):
    """A table whose unknown keys belong to a plugin; they are collected in ``options``.

    Attributes:
        options: The plugin's keys, defaults filled in.
        stated: Of these, what bears on a measurement and is not at its default; None where the plan was read
            without its plugins.
        apart: Paths of the options that do not bear (:mod:`harness.plan.bearing`).
    """

    options: dict[str, Any] = Field(default_factory=dict)
    stated: dict[str, Any] | None = Field(default=None, exclude=True)
    apart: tuple[tuple[str, ...], ...] = Field(default=(), exclude=True)

    @model_validator(mode="before")
    @classmethod
    def _collect_options(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "options" in data:
            return data
        known = {key: value for key, value in data.items() if key in cls.model_fields}
        options = {key: value for key, value in data.items() if key not in cls.model_fields}
        return {**known, "options": options}


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
    stutter_multiple: float = Field(
        default=2.0, gt=1, le=100, description="a frame over this multiple of its local median stutters"
    )
    slow_below_fps: float | None = Field(
        default=None, gt=0, description="report the share of time spent in frames slower than this rate"
    )
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
        if info.context != _KEPT or not isinstance(data, dict):
            return data
        return {key: value for key, value in data.items() if key in cls.model_fields}


class Sentinels(Part):
    """Table ``[sentinels]``: the reference cell measured again and again, to watch the rig's drift."""

    APART: ClassVar[str] = "*"

    every: int = Field(
        ge=2, description="one sentinel after so many repeats; also first and last of the night"
    )
    title: str | None = Field(default=None, description="its title; default: the first of the plan")
    setting: str | None = Field(default=None, description="its setting; default: the title's first")
    correct_drift: bool = Field(
        default=False, description="also compare with the drift taken out; both are shown side by side"
    )


class Limits(Part):
    """Table ``[limits]``: a safety stop restores the factory state and ends the night (exit 5)."""

    APART: ClassVar[str] = "*"

    core_temp_c: float | None = Field(default=None, ge=30, le=120)
    hotspot_temp_c: float | None = Field(default=None, ge=30, le=130)
    memory_temp_c: float | None = Field(default=None, ge=30, le=130)
    power_w: float | None = Field(default=None, gt=0)
    unwatched: Literal["refuse", "accept"] = Field(
        default="refuse",
        description="a limit whose quantity is not read: start no title, or go on without it",
    )
    wait_for_readings_s: float = Field(
        default=1800, gt=0, description="longest wait, between attempts, for a limited quantity that was lost"
    )
    night_ends_after_s: float | None = Field(default=None, gt=0)


def _time_of_day(value: Any) -> Any:
    """TOML's own local time, as 23:00:00, is a time of day as well as text is."""
    if isinstance(value, time) and value.tzinfo is None and not (value.second or value.microsecond):
        return f"{value:%H:%M}"
    return value


TimeOfDay = Annotated[str, BeforeValidator(_time_of_day), Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Night(Part):
    """Table ``[night]``: the hours in which the campaign may measure, by the local time of day.

    With both keys the campaign waits between its nights, with the card in its factory state.
    """

    APART: ClassVar[str] = "*"

    starts_at: TimeOfDay | None = Field(default=None, description="measure from then on, as 23:00")
    ends_at: TimeOfDay | None = Field(default=None, description="measure no longer, as 07:00")

    @model_validator(mode="after")
    def _some_time(self) -> Night:
        if self.starts_at is not None and self.starts_at == self.ends_at:
            raise ValueError("starts_at and ends_at are the same; leave both out to measure all day")
        return self


class Sampling(Part):
    """Table ``[sampling]``."""

    BEARS: ClassVar[str] = "period_s sensors"

    period_s: float = Field(default=0.1, ge=0.01, le=10)
    sensors: list[str] | None = Field(default=None, description="sensor kinds to use; default: all that work")


class Retries(Part):
    """Table ``[retries]``: bounds for what is worth trying again."""

    APART: ClassVar[str] = "*"

    attempts_per_repeat: int = Field(default=3, ge=1, le=20)
    launch_tries: int = Field(default=2, ge=1, le=10)
    sensor_tries: int = Field(default=3, ge=1, le=10)
    set_aside_after_crashes: int = Field(default=2, ge=1, description="of one title under one profile")
    set_aside_after_rig_losses: int = Field(default=2, ge=1, description="under one profile, whatever title")


def _without_former_codes(codes: Any) -> Any:
    """``title-failed`` was a check that nothing could ever trip; plans of earlier campaigns may name it."""
    return [code for code in codes if code != "title-failed"] if isinstance(codes, list) else codes


class Checks(Part):
    """Table ``[checks]``: thresholds of the rules that accept or reject an attempt; false switches one off.

    Each rule has the short name of :data:`harness.checks.CHECKS`; ``mark_only`` lists those that only mark.
    """

    APART: ClassVar[str] = "*"

    mark_only: Annotated[list[CheckCode], BeforeValidator(_without_former_codes)] = Field(
        default=["start-temperature", "ambient-temperature", "frame-cap"],
        description="short names of checks that mark an attempt instead of rejecting it",
    )
    foreign_cpu_load_at_most_pct: Threshold = Field(default=10, ge=0)
    idle_gpu_load_at_most_pct: Threshold = Field(default=25, ge=0, description="before the title starts")
    extra_gpu_processes_at_most: Threshold = Field(default=0, ge=0, description="beyond the night's usual")
    alarming_limits_at_most_pct: Threshold = Field(
        default=1, ge=0, le=100, description="share of the window under a thermal or power-brake limit"
    )
    start_temp_within_k: Threshold = Field(default=3, gt=0, description="of the night's usual start")
    ambient_temp_within_k: Threshold = Field(default=3, gt=0, description="of the night's first ambient")
    telemetry_gap_at_most_s: Threshold = Field(default=2, gt=0)
    window_at_least_pct: Threshold = Field(default=90, gt=0, le=100)
    frames_cover_at_least_pct: Threshold = Field(default=95, gt=0, le=100, description="of the window")
    dropped_rows_at_most_pct: Threshold = Field(default=1, ge=0, le=100, description="of the frame log")
    doubtful_rows_move_at_most_pct: Threshold = Field(
        default=1,
        ge=0,
        description="average FPS or 1 % low, by unreadable or contradicting rows",
    )
    repeated_frames_at_most_pct: Threshold = Field(default=5, ge=0, le=100, description="frozen or doubled")
    longest_pause_at_most_s: Threshold = Field(default=5, gt=0)
    frames_at_cap_at_most_pct: Threshold = Field(default=80, gt=0, le=100)
    memory_use_at_most_pct: Threshold = Field(default=98, gt=0, le=100, description="main memory, card's")
    unsteady: Literal["mark", "reject", "extend"] = Field(
        default="mark",
        description="what becomes of an attempt whose frame rate was not steady; extend: reject it and warm "
        "up longer at the next try, by one window each time",
    )
    unsteady_level_at_most_pct: Threshold = Field(
        default=5, gt=0, description="settling or lasting step of the frame rate that counts as unsteady"
    )
    outlier_beyond_deviations: Threshold = Field(
        default=6, gt=0, description="from the other repeats of its cell; marks, never rejects"
    )
    second_looks_at_most: Bound = Field(
        default=4, ge=1, description="far values measured once more at the night's end, farthest first"
    )


class Notify(Part):
    """Table ``[notify]``: who is told how the night goes. Addresses are secrets and not for a plan."""

    APART: ClassVar[str] = "*"

    command: list[str] = Field(default_factory=list, description="run for each message, given as JSON")
    addresses_file: str | None = Field(
        default=None, description="file with one Apprise address a line; default: variable LEVELRIG_NOTIFY"
    )
    on: list[Literal["end", "stop", "unstable-profile", "restart"]] = Field(
        default=["end", "stop", "unstable-profile", "restart"], description="what is told"
    )
    alive_every_s: float | None = Field(
        default=None, ge=60, description="also tell this often that the run is still alive, and when it ends"
    )


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

    BEARS: ClassVar[str] = "path reader options"

    path: str = Field(description="file or pattern, relative to the attempt's working folder")
    reader: str = "columns"


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


class TitleSpec(OpenPart):
    """One ``[[titles]]`` entry; keys beyond these belong to its workload."""

    BEARS: ClassVar[str] = "workload measure_s frame_log settings options"  # and each stage in the title
    APART: ClassVar[str] = "name label deadline_s silent_at_most_s score_better expect_lines"

    name: str = Name
    label: str = ""
    workload: str
    measure_s: float | None = Field(default=None, gt=0, description="window; null: until the title ends")
    deadline_s: float = Field(default=1800, gt=0, description="the title is ended after this long, whatever")
    silent_at_most_s: float = Field(
        default=60, gt=0, description="without output, frame or processor time for longer it has hung"
    )
    frame_log: FrameLogSpec | None = None
    score_better: Literal["higher", "lower"] = "higher"
    expect_lines: list[str] = Field(
        default_factory=list, description="patterns that its output must show, as the resolution in use"
    )
    settings: list[SettingSpec] = Field(default_factory=lambda: [SettingSpec(name="default")], min_length=1)


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


class Plan(Part):
    """A whole plan file."""

    BEARS: ClassVar[str] = "conditions sampling sensors profiles titles"
    APART: ClassVar[str] = "plan sentinels limits retries checks cost instruments report notify night"

    plan: PlanHead
    conditions: Conditions = Conditions()
    sentinels: Sentinels | None = None
    limits: Limits = Limits()
    night: Night = Night()
    sampling: Sampling = Sampling()
    retries: Retries = Retries()
    checks: Checks = Checks()
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
        return cls.model_validate(tomllib.loads(text.removeprefix("\ufeff")), context=_KEPT)


class Cell(Part):
    """title × setting × profile, resolved: the setting's options laid over the title's.

    Attributes:
        cell_id: ``title.setting.profile``; stable as long as the names are.
        definition_hash: Content hash over all that bears on its figures; a change re-measures it, or reads
            its kept frame logs anew where ``measured_hash`` stayed.
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
    """One wanted repeat in the order of the night.

    Attributes:
        position: Place in the order, from 1.
        block: Block of the order, from 1: one repeat of each profile of one title and setting.
        sentinel: Measured only to watch the rig's drift.
        second_look: Measures that repeat once more, as it lay far from the others of its cell.
    """

    position: int = Field(ge=1)
    block: int = Field(ge=1)
    cell_id: str
    repeat_index: int = Field(ge=1)
    sentinel: bool = False
    second_look: bool = False


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
