"""Puts an attempt before all checks: accepted or rejected, with reason, and what was unusual."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from harness.boundary.crossing import PASSING, told
from harness.checks import conditions, framelog, steadiness
from harness.checks.evidence import AttemptEvidence
from harness.plan.checks_table import Checks

Rule = Callable[[AttemptEvidence, Checks], str | None]


@dataclass(frozen=True)
class Check:
    """One check: its short name, for the plan and the tables, and its rule.

    ``compares``: it can say nothing of a night's first attempt, as it goes by the others.
    """

    code: str
    rule: Rule
    compares: bool = False

    @property
    def of_frames(self) -> bool:
        """It looks at the frame log."""
        return self.rule.__module__ == framelog.__name__

    @property
    def meaning(self) -> str:
        """What it looks for, in a sentence."""
        return (self.rule.__doc__ or "").partition("\n")[0]


#: All checks, in the order in which they decide: the first that fires gives the reason.
CHECKS: Final[tuple[Check, ...]] = (
    Check("driver-reset", conditions.driver_reset),
    Check("driver-error", conditions.driver_error),
    Check("memory-exhausted", conditions.memory_exhausted),
    Check("expected-line", conditions.expected_line),
    Check("profile-not-in-force", conditions.profile_not_in_force),
    Check("window-short", conditions.window_short),
    Check("frame-log-unit", framelog.log_unit),
    Check("frame-log-missing", framelog.log_missing),
    Check("frame-log-too-long", framelog.log_too_long),
    Check("frame-log-not-monotonic", framelog.log_not_monotonic),
    Check("frame-log-dropped-rows", framelog.rows_dropped),
    Check("frame-log-doubtful-rows", framelog.rows_doubtful),
    Check("frame-log-repeated", framelog.frames_repeated),
    Check("frame-log-short", framelog.log_short),
    Check("long-pause", framelog.long_pause),
    Check("frame-cap", framelog.frame_cap),
    Check("foreign-cpu-load", conditions.foreign_cpu_load),
    Check("foreign-gpu-load", conditions.foreign_gpu_load),
    Check("limit-reasons", conditions.limit_reasons),
    Check("start-temperature", conditions.start_temperature, compares=True),
    Check("ambient-temperature", conditions.ambient_temperature, compares=True),
    Check("telemetry-gap", conditions.telemetry_gap),
    Check("readings-missing", conditions.readings_missing),
    Check("power-disputed", conditions.power_disputed),
    Check("power-on-rhythm", conditions.power_on_rhythm),
    Check("unsteady", steadiness.unsteady),
    Check("outlier", steadiness.outlier, compares=True),
)
#: Checks that never reject.
ONLY_MARK: Final = ("outlier", "readings-missing", "power-disputed", "power-on-rhythm")
#: Reason code of an attempt that a check could not judge.
CHECK_FAILED: Final = "check-failed"
CODES: Final[tuple[str, ...]] = tuple(check.code for check in CHECKS)


@dataclass(frozen=True)
class Judgement:
    """Outcome of all checks.

    Attributes:
        accepted: No check rejected the attempt.
        reason_code: Short name of the check that decided; None when accepted.
        reason: Its sentence; where more checks rejected, theirs follow.
        marks: ``code: sentence`` of what was unusual but did not reject.
        faults: What checks raised: an attempt that can't be judged is rejected.
        fired: Every check that had something to say, in order: code and sentence.
    """

    accepted: bool
    reason_code: str | None
    reason: str | None
    marks: tuple[str, ...]
    faults: tuple[BaseException, ...] = ()
    fired: tuple[tuple[str, str], ...] = ()


def judge(evidence: AttemptEvidence, checks: Checks) -> Judgement:
    """Apply all checks. Pure: the same evidence and thresholds give the same judgement."""
    only_mark = {*checks.mark_only, *ONLY_MARK}
    if checks.unsteady == "mark":
        only_mark.add("unsteady")
    fired: list[tuple[str, str]] = []
    faults: list[BaseException] = []
    for check in CHECKS:
        try:
            said = check.rule(evidence, checks)
            if not isinstance(said, str | None):
                raise TypeError(f"it said {type(said).__name__} instead of a sentence")
        except PASSING:
            raise
        except BaseException as error:
            faults.append(error)
            fired.append((CHECK_FAILED, f"the check {check.code} failed: {told(error)}"))
        else:
            if said:
                fired.append((check.code, said))
    against = [(code, said) for code, said in fired if code not in only_mark]
    marks = tuple(f"{code}: {said}" for code, said in fired if code in only_mark)
    if not against:
        return Judgement(True, None, None, marks, fired=tuple(fired))
    reason = "; ".join(said for _, said in against)
    return Judgement(False, against[0][0], reason, marks, tuple(faults), tuple(fired))
