"""What an analysis needs to know besides the repeats."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from harness.metrics import METRICS, ComparedMetric
from harness.plan.night_tables import Retries
from harness.plan.report_table import Cost, Instrument
from harness.plan.schema import AdaptiveRepeats, Plan, ProfileSpec, SettingSpec, TitleSpec

Multiplicity = Literal["family", "none"]
#: Metrics that are claimed where the plan names none.
PRIMARY = tuple(metric.name for metric in METRICS.compared() if metric.primary)

#: Share of the error rate that the first look spends where a plan may be extended once.
FIRST_LOOK = 0.8
#: Share of the error rate that a claim may spend where a rule added repeats and no exact levels exist.
#: Titles that stop early do so with a scatter that came out small. Found by the calibration study.
SHARE_OVER_TITLES = {"margin": 0.6, "width": 0.3}
SHARE_IN_A_TITLE = {"margin": 1.0, "width": 0.45}


@dataclass(frozen=True)
class Extension:
    """A fixed plan's right to one extension.

    Attributes:
        planned: Repeats that were planned.
        to: Repeats that the plan was extended to after a look; None where it was not.
    """

    planned: int
    to: int | None


@dataclass(frozen=True)
class AnalysisSettings:
    """The question, the reference, the margins and the error rates.

    Attributes:
        reference: Profile that the others are compared with.
        margin_pct: Difference that counts as none, in %, for every metric that is compared as a ratio. The
            margin is symmetric in the logarithm: 3 % means from 0.97 to 1/0.97.
        confidence_pct: Of every interval; the error rate of each kind of claim is the rest to 100 %.
        question: The plan's question.
        low_definition: Definition of the 1 % and 0.1 % lows in the tables.
        metrics: Names of the metrics wanted, in order; None for all that were measured.
        primary: Metrics that are claimed; all others are described (:mod:`harness.analysis.family`).
        multiplicity: ``family``: all claims together keep the error rate; ``none``: each by itself.
        groups: Titles and settings that the plan has, for the size of the family; 0 where no plan is known.
        places: Title and setting of each of them; empty where no plan is known.
        repeats: Repeats that the plan wants of each cell at least; 0 where no plan is known.
        retries: The plan's bounds, by which a profile is set aside as unstable.
        blank: Profile that is the reference measured a second time; never compared as one of the others.
        steps: Quantity -> step of its readings, where it is known or was seen in the telemetry.
        chosen_afterwards: What was chosen when results could be known, a clause each.
        paired: True where the order was blocked, so that repeats of one block are compared with each other.
        temperature_margin_k, sound_margin_db: The margins where a percentage has no meaning (common
            practice, no source: what a reader of a review would not notice).
        profiles, titles: Order in which tables list them; names not listed follow in alphabetical order.
        labels: Name of a profile, title or setting -> what a reader calls it; without one the name
            stands for itself.
        lower_score_titles: Titles whose score is better when it is lower.
        adaptive: The rule by which repeats were added; None where their count was fixed. With a rule, the
            p-values of single titles are valid at every look and their intervals are wider for it.
        extension: The planned repeats of a plan that may be extended once, and to how many it was; None for
            a plan without that.
        cost: Price of electricity and set-up time of a night.
        instruments: Quantity -> what its maker states of the instrument.
    """

    reference: str
    margin_pct: float = 3.0
    confidence_pct: float = 95.0
    question: str = ""
    low_definition: str = "percentile"
    metrics: tuple[str, ...] | None = None
    primary: tuple[str, ...] = PRIMARY
    multiplicity: Multiplicity = "family"
    groups: int = 0
    places: tuple[tuple[str, str], ...] = ()
    repeats: int = 0
    retries: Retries = field(default_factory=Retries)
    blank: str = ""
    steps: Mapping[str, float] = field(default_factory=dict)
    chosen_afterwards: tuple[str, ...] = ()
    paired: bool = True
    temperature_margin_k: float = 2.0
    sound_margin_db: float = 1.0
    profiles: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
    labels: Mapping[str, str] = field(default_factory=dict)
    lower_score_titles: frozenset[str] = frozenset()
    adaptive: AdaptiveRepeats | None = None
    extension: Extension | None = None
    cost: Cost | None = None
    instruments: Mapping[str, Instrument] = field(default_factory=dict)

    @classmethod
    def from_plan(cls, plan: Plan) -> AnalysisSettings:
        """The settings that a plan states."""
        named: list[ProfileSpec | TitleSpec | SettingSpec] = [*plan.profiles, *plan.titles]
        named += [setting for title in plan.titles for setting in title.settings]
        return cls(
            reference=plan.plan.reference,
            margin_pct=plan.plan.margin_pct,
            confidence_pct=plan.plan.confidence_pct,
            question=plan.plan.question,
            low_definition=plan.plan.one_percent_low,
            paired=plan.plan.order != "as-listed",
            temperature_margin_k=plan.plan.temperature_margin_k,
            sound_margin_db=plan.plan.sound_margin_db,
            lower_score_titles=frozenset(t.name for t in plan.titles if t.score_better == "lower"),
            adaptive=plan.plan.adaptive,
            primary=_primary(plan),
            groups=sum(len(title.settings) for title in plan.titles),
            places=tuple((title.name, setting.name) for title in plan.titles for setting in title.settings),
            repeats=plan.plan.repeats_at_least,
            retries=plan.retries,
            blank=plan.plan.blank or "",
            extension=_extension(plan),
            cost=plan.cost,
            instruments=dict(plan.instruments),
            profiles=tuple(profile.name for profile in plan.profiles),
            titles=tuple(title.name for title in plan.titles),
            labels={part.name: part.label for part in named if part.label},
        )

    def __post_init__(self) -> None:
        for name, value, below in (
            ("margin_pct", self.margin_pct, 50.0),
            ("temperature_margin_k", self.temperature_margin_k, math.inf),
            ("sound_margin_db", self.sound_margin_db, math.inf),
        ):
            if not 0 < value < below:
                raise ValueError(
                    f"{name} is {value:g}; a margin is above 0" + (" and below 50 %" * (below < 99))
                )

    @property
    def alpha(self) -> float:
        """Error rate of each kind of claim."""
        return 1 - self.confidence_pct / 100

    @property
    def looks(self) -> AdaptiveRepeats | None:
        """The adaptive rule where it looks at differences; a rule on widths alone looks at scatter only."""
        return self.adaptive if self.adaptive is not None and self.adaptive.until_margin_is_decided else None

    def error_share(self, *, over_titles: bool) -> float:
        """Share of the error rate that one claim may spend."""
        if self.extension is not None:
            return FIRST_LOOK
        if self.adaptive is None:
            return 1.0
        shares = SHARE_OVER_TITLES if over_titles else SHARE_IN_A_TITLE
        return shares["margin" if self.looks is not None else "width"]

    def margin(self, metric: ComparedMetric) -> float:
        """Half width of the margin on the scale of the analysis (natural log of a ratio, or K, or dB)."""
        if metric.margin == "k":
            return self.temperature_margin_k
        if metric.margin == "db":
            return self.sound_margin_db
        if metric.margin == "own":
            return metric.own_margin
        return -math.log1p(-self.margin_pct / 100)

    def label(self, name: str) -> str:
        """What a reader calls a profile, title or setting."""
        return self.labels.get(name, name)


def _extension(plan: Plan) -> Extension | None:
    head = plan.plan
    if not head.may_extend_once or not isinstance(head.repeats, int):
        return None
    return Extension(head.repeats, head.extended_to)


def _primary(plan: Plan) -> tuple[str, ...]:
    """The plan's primary metrics; what decides when repeats are enough is claimed as well."""
    rule = plan.plan.adaptive
    return tuple(dict.fromkeys([*plan.plan.primary_metrics, *(rule.decide_on if rule else ())]))
