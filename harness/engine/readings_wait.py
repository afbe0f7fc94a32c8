"""No title is started while a quantity that the plan limits is not read: at the start and later on."""

from __future__ import annotations

from harness.clock import Clock
from harness.engine.interruptions import Lookout
from harness.engine.messages import StopRequested
from harness.errors import ConditionsNotMet, PlanError, Problem
from harness.telemetry.sampler import FIRST_READING_S, Sampler

#: Time between two looks at what is not read, seconds.
LOOK_S = 0.25
#: After so long the factory state is put back while the wait goes on, seconds.
RESTORE_AFTER_S = 60.0


def require_readings(
    lookout: Lookout, sampler: Sampler, clock: Clock, source: str, *, resumed: bool
) -> list[str]:
    """Wait for the first readings of what the plan limits.

    Args:
        lookout: Knows what is limited and not read.
        sampler: Samples already.
        clock: The rig's clock.
        source: The plan's name, for the message.
        resumed: Attempts were made before: the plan is right, so a quantity that is slow to come is waited
            for between attempts.
    Returns:
        Limits that the plan accepts as unwatched, in sentences.
    Raises:
        PlanError: A limit can't be watched on this rig. Nothing was started.
        ConditionsNotMet: The same of a campaign that was begun: it goes on when the sensor is back.
    """
    end_s = clock.now_s() + FIRST_READING_S
    while clock.now_s() < end_s and any(name in sampler.quantities for name in lookout.unwatched()):
        clock.sleep_s(LOOK_S)
    unwatched = lookout.unwatched()
    if lookout.awaited() is None:
        return [f"limits.{name} is not watched: {why}" for name, why in unwatched.items()]
    if resumed and all(name in sampler.quantities for name in unwatched):
        return []
    remedy = 'add or fix its sensor, remove the limit, or set unwatched = "accept" in [limits]'
    problems = [
        Problem(f"limits.{name}", f"{why}, so it can't be watched", remedy) for name, why in unwatched.items()
    ]
    if resumed:
        raise ConditionsNotMet("; ".join(str(problem) for problem in problems))
    raise PlanError(source, problems)


class ReadingsWait:
    """One wait between attempts for readings that were lost.

    Args:
        clock: The rig's clock.
        patience_s: Longest wait.
    """

    def __init__(self, clock: Clock, patience_s: float) -> None:
        self._clock = clock
        self._patience_s = patience_s
        self._start_s = clock.now_s()
        self._restored = False

    def over(self, missing: str) -> StopRequested | None:
        """The stop that ends the night, resumable, once the wait has been too long."""
        waited_s = self._clock.now_s() - self._start_s
        if waited_s < self._patience_s:
            return None
        remedy = "fix the sensor, then the same command goes on"
        return StopRequested("conditions", f"waited {waited_s:.0f} s for readings: {missing}; {remedy}")

    def restore_due(self) -> bool:
        """True once: the loss lasts, so the factory state is to be put back meanwhile."""
        due = not self._restored and self._clock.now_s() - self._start_s >= RESTORE_AFTER_S
        self._restored = self._restored or due
        return due
