"""A rehearsal: the plan run on a simulated rig, and what that says about the real night.

The first part lets a rehearsal go on through losses of the simulated rig. The rest is pure: it turns the
attempts of a rehearsed night into an outlook.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from statistics import NormalDist
from typing import Any, Protocol, TypeVar, runtime_checkable

import pandas as pd

from harness.analysis.planning import pilot_scatter, resolvable
from harness.analysis.settings import AnalysisSettings
from harness.errors import MachineDown
from harness.metrics import METRICS
from harness.numerals import out_of, times
from harness.plan.night_tables import Night
from harness.plan.schema import Plan, all_rules
from harness.rig import Rig
from harness.stages import STAGES, AnyStage
from harness.telemetry.ceilings import limits_of

T = TypeVar("T")

#: Share by which phases whose length the rig decides (cooling, starting, settling) may differ from the
#: simulated ones. An assumption; a model fitted to the own card makes it a cautious one.
MODEL_SHARE = 0.3
#: A temperature this close to a limit of the plan is worth a warning, K.
_CLOSE_TO_LIMIT_K = 4.0
#: Start temperatures further apart than this are worth a warning, K.
_START_SPREAD_K = 4.0


@runtime_checkable
class RestartableRig(Rig, Protocol):
    """A simulated rig that comes back after a loss, with a new boot id and its clock started again."""

    def restart(self) -> None: ...


def as_rehearsed(plan: Plan) -> Plan:
    """The plan without ``expect_lines``, which only the real title can print, and without its hours: what
    nights the work is spread over is worked out, not waited for."""
    titles = [
        title.model_copy(
            update={
                "expect_lines": [],
                "settings": [s.model_copy(update={"expect_lines": None}) for s in title.settings],
            }
        )
        for title in plan.titles
    ]
    return plan.model_copy(update={"titles": titles, "night": Night()})


def without_unknown_limits(plan: Plan, rig: Rig) -> Plan:
    """The plan without limits on what the simulated card does not have; the real one may well have it."""
    offered = {channel.quantity for sensor in rig.open_sensors() for channel in sensor.channels()}
    unknown = {quantity: None for quantity in limits_of(plan.limits) if quantity not in offered}
    return plan.model_copy(update={"limits": plan.limits.model_copy(update=unknown)})


def through_losses(rig: Rig, run_or_resume: Callable[[Rig], T]) -> tuple[T, int]:
    """Call ``run_or_resume`` until it gets through; after each loss of the rig, start the rig again.

    Returns:
        What the last call returned, and how often the machine crashed or rebooted.
    """
    losses = 0
    while True:
        try:
            return run_or_resume(rig), losses
        except MachineDown:
            if not isinstance(rig, RestartableRig):
                raise
            losses += 1
            rig.restart()


@dataclass(frozen=True)
class PhaseTime:
    """Time that the night spends in one phase.

    Attributes:
        total_s: Over the whole night.
        per_attempt_s: Mean over attempts.
        share_pct: Of the night.
    """

    total_s: float
    per_attempt_s: float
    share_pct: float


@dataclass(frozen=True)
class Outlook:
    """What a rehearsal says about the real night.

    Attributes:
        wanted, accepted, attempts: Repeats wanted and accepted, and attempts that it took.
        machine_crashes: How often the simulated rig went down.
        expected_s: Length of the night as rehearsed.
        earliest_s, latest_s: Interval for it: chance between attempts at the plan's confidence, and
            :data:`MODEL_SHARE` on the phases whose length the rig decides.
        phases: Phase -> time spent in it; ``start and end`` is what no other phase explains.
        resolvable: Interval widths to expect and repeats that decide the plan's margin;
            :data:`harness.analysis.planning.RESOLVABLE_COLUMNS`.
        warnings: What would go wrong or could be better, a sentence each with the remedy.
    """

    wanted: int
    accepted: int
    attempts: int
    machine_crashes: int
    expected_s: float
    earliest_s: float
    latest_s: float
    phases: Mapping[str, PhaseTime]
    resolvable: pd.DataFrame
    warnings: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """JSON values; missing figures are null."""
        rows = self.resolvable.astype(object).where(self.resolvable.notna(), None)
        return {
            **{name: getattr(self, name) for name in _PLAIN},
            "phases": {name: asdict(phase) for name, phase in self.phases.items()},
            "resolvable": rows.to_dict("records"),
            "warnings": list(self.warnings),
        }


_PLAIN = ("wanted", "accepted", "attempts", "machine_crashes", "expected_s", "earliest_s", "latest_s")


def outlook(plan: Plan, attempts: pd.DataFrame, *, wanted: int, machine_crashes: int = 0) -> Outlook:
    """What the attempts of a rehearsed night say about the real one.

    Args:
        plan: The plan that was rehearsed.
        attempts: Every attempt; columns of :data:`harness.tables.ATTEMPTS`.
        wanted: Repeats wanted, sentinels included.
        machine_crashes: How often the simulated rig went down.

    Raises:
        ValueError: There are no attempts.
    """
    if attempts.empty:
        raise ValueError("a rehearsal without attempts says nothing")
    accepted = attempts[attempts["verdict"] == "accepted"]
    expected_s = _night_s(attempts)
    stages = [stage for stage in STAGES if attempts[f"{stage.key}_s"].notna().any()]
    phases = _phases(stages, attempts, expected_s)
    half_s = _half_width_s(plan, stages, attempts, phases)
    settings = AnalysisSettings.from_plan(plan)
    pilot = pilot_scatter(accepted, settings) if len(accepted) else {}
    table = resolvable(plan, pilot)
    return Outlook(
        wanted=wanted,
        accepted=len(accepted),
        attempts=len(attempts),
        machine_crashes=machine_crashes,
        expected_s=expected_s,
        earliest_s=max(float(attempts["measured_s"].sum()), expected_s - half_s),
        latest_s=expected_s + half_s,
        phases=phases,
        resolvable=table,
        warnings=(
            *_missing(attempts, wanted),
            *_timeouts(plan, stages, attempts),
            *_rejections(attempts),
            *_profiles(plan, attempts, machine_crashes),
            *_temperatures(plan, attempts),
            *_end_of_night(plan, expected_s, expected_s + half_s),
            *_margin(table),
        ),
    )


def _night_s(attempts: pd.DataFrame) -> float:
    """From the first start to the last end, by the wall clock, which passes over restarts."""
    started = attempts["started_utc"]
    ends = started + pd.to_timedelta(attempts["duration_s"].fillna(0.0), unit="s")
    return float((ends.max() - started.min()).total_seconds())


def _phases(stages: Sequence[AnyStage], attempts: pd.DataFrame, night_s: float) -> dict[str, PhaseTime]:
    columns = {stage.word: f"{stage.key}_s" for stage in stages} | {"window": "measured_s"}
    totals = {name: float(attempts[column].fillna(0).sum()) for name, column in columns.items()}
    totals["start and end"] = max(0.0, float(attempts["duration_s"].sum()) - sum(totals.values()))
    totals["between attempts"] = max(0.0, night_s - sum(totals.values()))
    return {
        name: PhaseTime(total_s, total_s / len(attempts), 100.0 * total_s / night_s if night_s else 0.0)
        for name, total_s in totals.items()
    }


def _half_width_s(
    plan: Plan, stages: Sequence[AnyStage], attempts: pd.DataFrame, phases: Mapping[str, PhaseTime]
) -> float:
    lengths = attempts.groupby("cell_id")["duration_s"]
    variance = float(lengths.var(ddof=1).mean()) if len(attempts) else math.nan
    if math.isnan(variance):
        variance = 0.0
    failed = attempts[attempts["verdict"] != "accepted"]["duration_s"].dropna()
    # failed attempts come as a Poisson process: the variance of their sum is the sum of their squares
    chance_s = math.sqrt(len(attempts) * variance + float((failed**2).sum()))
    quantile = NormalDist().inv_cdf(0.5 + plan.plan.confidence_pct / 200.0)
    by_the_rig = [stage.word for stage in stages if stage.rig_decides]
    by_the_rig_s = sum(phases[name].total_s for name in (*by_the_rig, "start and end"))
    return math.hypot(quantile * chance_s, MODEL_SHARE * by_the_rig_s)


# -- warnings ----------------------------------------------------------------------------------------------


def _missing(attempts: pd.DataFrame, wanted: int) -> list[str]:
    missing = wanted - int((attempts["verdict"] == "accepted").sum())
    if missing <= 0:
        return []
    return [
        f"{out_of(missing, wanted, 'repeat', 'was')} still missing at the end; "
        "raise retries.attempts_per_repeat, or fix what the other warnings name"
    ]


def _timeouts(plan: Plan, stages: Sequence[AnyStage], attempts: pd.DataFrame) -> list[str]:
    found = []
    for stage in stages:
        late = attempts[attempts[f"{stage.key}_end"] == "timeout"]
        if late.empty:
            continue
        text = f"the {stage.word} rule was not met in time in {out_of(len(late), len(attempts), 'attempt')}"
        rule = next(rule for known, rule in all_rules(plan) if known is stage)
        at_start = _median(late["start_temp_c"]), _median(late["start_ambient_temp_c"])
        found.append(text + stage.remedy(rule, *at_start))
    return found


def _median(values: pd.Series[float]) -> float | None:
    """None where there are none."""
    median = float(values.median())
    return None if math.isnan(median) else median


def _rejections(attempts: pd.DataFrame) -> list[str]:
    rejected = attempts[attempts["verdict"] == "rejected"]
    return [
        f"{out_of(len(group), len(attempts), 'attempt', 'was')} rejected for {code}, as: "
        f"{group['reason'].iloc[0]}"
        for code, group in rejected.groupby("reason_code", sort=True)
    ]


def _profiles(plan: Plan, attempts: pd.DataFrame, machine_crashes: int) -> list[str]:
    found = []
    broken = attempts["verdict"].isin(["failed", "interrupted"])
    for name, group in attempts[broken].groupby("profile", sort=True):
        tries = int((attempts["profile"] == name).sum())
        text = f"{out_of(len(group), tries, 'attempt')} under {name} failed"
        codes = group["reason_code"].dropna().value_counts()
        if len(codes):
            text += f" ({', '.join(f'{count} {code}' for code, count in codes.items())})"
        tuned = name != plan.plan.reference
        remedy = "give it more voltage or less clock" if tuned else "look at the titles' own log"
        found.append(f"{text}; {remedy}")
    if machine_crashes:
        found.append(
            f"the machine crashed or rebooted {times(machine_crashes)}; "
            "let it start again by itself and resume, or take the unstable profile out"
        )
    return found


def _temperatures(plan: Plan, attempts: pd.DataFrame) -> list[str]:
    found = []
    limit_c, highest_c = plan.limits.core_temp_c, attempts["max_core_temp_c"].max()
    if limit_c is not None and not math.isnan(highest_c) and highest_c > limit_c - _CLOSE_TO_LIMIT_K:
        found.append(
            f"the core comes to {highest_c:.0f} °C, close to limits.core_temp_c of {limit_c:g} °C, which "
            "ends the night; cool the room or the card"
        )
    accepted = attempts[attempts["verdict"] == "accepted"]
    starts_c = accepted["start_temp_c"].dropna()
    # the first attempt starts from a cold card, whatever the rule
    spread_k = float(starts_c.iloc[1:].max() - starts_c.iloc[1:].min()) if len(starts_c) > 2 else 0.0
    if spread_k > _START_SPREAD_K:
        found.append(
            f"start temperatures differ by {spread_k:.0f} K, so repeats do not begin alike; "
            "use conditions.cooldown.until_within_of_first_k"
        )
    reasons = accepted["limit_reasons"].explode().dropna().astype(str)
    hot = reasons[reasons.str.contains("thermal|temperature")]
    if len(hot):
        count = hot.index.nunique()
        found.append(
            f"the card's temperature limit held its clock down in {count} of {len(accepted)} windows, so "
            "the cooling is measured along with the profile; cool the room or the card"
        )
    return found


def _end_of_night(plan: Plan, expected_s: float, latest_s: float) -> list[str]:
    limit_s = plan.limits.night_ends_after_s
    if limit_s is None or latest_s <= limit_s:
        return []
    sure = "will" if expected_s > limit_s else "may"
    return [
        f"the night {sure} be cut off: it takes about {expected_s / 3600:.1f} h, "
        f"limits.night_ends_after_s allows {limit_s / 3600:.1f} h; resume it on another night or measure less"
    ]


def _margin(table: pd.DataFrame) -> list[str]:
    """The plan's own question: speed over all titles, or of the one title that there is."""
    if table.empty:
        return []
    asked = [m.name for m in METRICS.compared() if m.in_table and (m.primary or m.role == "speed")]
    speed = table[table["metric"].isin(asked)]
    whole = speed[speed["title"].isna()]
    weak = whole[whole["chance_of_same"] < 0.8]
    return [f"the question may stay open: {text[0].lower()}{text[1:]}" for text in weak["sentence"]]
