"""What the driver keeps in view while it waits: safety limits, stop requests, the title's life."""

from __future__ import annotations

from pathlib import Path

from harness.clock import Clock
from harness.engine.attempt import Running
from harness.engine.machine import State
from harness.engine.messages import Failed, StopRequested
from harness.engine.night import NightWatch
from harness.engine.progress import StopSignal
from harness.engine.requests import take_request
from harness.plan.schema import Plan
from harness.rig import WorkloadState
from harness.store.campaign_state import UNWATCHED
from harness.telemetry.ceilings import Ceilings, limits_of
from harness.telemetry.sampler import Sampler

#: Time between two looks for a request in the campaign folder, seconds.
REQUEST_EVERY_S = 1.0
#: After so many attempts in a row that lost a limited quantity the night ends, resumable.
LOSSES_AT_MOST = 3


class Lookout:
    """Watches; decides nothing beyond what the plan states.

    Args:
        plan: The plan.
        clock: The rig's clock.
        sampler: Gives the latest readings.
        folder: Campaign folder, for requests that come through it.
        stop: Requests from signals and the like.
        night: Knows the hours; default: from the plan, with the night beginning now.
    """

    def __init__(
        self,
        plan: Plan,
        clock: Clock,
        sampler: Sampler,
        folder: Path,
        stop: StopSignal,
        night: NightWatch | None = None,
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._limits = limits_of(plan.limits)
        self._ceilings = Ceilings(self._limits, sampler)
        self._losses = 0
        self._folder = folder
        self.stop = stop
        self.night = night or NightWatch(plan, clock)
        self._request_due_s = clock.now_s()

    def unwatched(self) -> dict[str, str]:
        """Limits of the plan that nothing watches now, each with the reason in words."""
        return self._ceilings.unread()

    def awaited(self) -> str | None:
        """What no title is started without, in words: a limited quantity that is not read now."""
        if self._plan.limits.unwatched == "accept":
            return None
        return "; ".join(f"limits.{name}: {why}" for name, why in self._ceilings.unread().items()) or None

    def attempt_ended(self, reason_code: str | None) -> StopRequested | None:
        """Count attempts in a row that lost a limited quantity; after too many the night ends."""
        self._losses = self._losses + 1 if reason_code == UNWATCHED else 0
        if self._losses < LOSSES_AT_MOST:
            return None
        reason = (
            f"a quantity that the plan limits was lost in {self._losses} attempts in a row, each time under "
            "load; fix its sensor, then the same command goes on"
        )
        return StopRequested("conditions", reason)

    def stop_request(self) -> StopRequested | None:
        """A stop that was asked for, or that the plan's end of the night makes due."""
        now_s = self._clock.now_s()
        request = self.stop.take()
        if request is None and now_s >= self._request_due_s:
            self._request_due_s = now_s + REQUEST_EVERY_S
            request = take_request(self._folder)
        return request or self.night.ends_run()

    def danger(self, state: State) -> StopRequested | Failed | None:
        """A limit that is exceeded, or that can't be watched any more while a title heats the card."""
        if (exceeded := self._ceilings.exceeded()) is not None:
            return StopRequested("safety", exceeded)
        warm = state.title_may_run or state.stage is not None
        if warm and self._plan.limits.unwatched == "refuse":
            lost = self._ceilings.lost()
            if lost is not None:
                return Failed(UNWATCHED, f"{lost}; the attempt was ended")
        return None

    def title_trouble(self, running: Running, at: State) -> Failed | None:
        """What ended the title's usefulness, if anything did."""
        if running.workload is None or not at.title_may_run:
            return None
        title = running.cell.title
        state = running.workload.poll()
        running.exit_code = state.exit_code
        for remark in state.remarks:
            running.mark(remark)
        if state.ready:
            running.see_passes(state.passes, self._clock.now_s())
        if state.failure is not None:
            return Failed("title-failed", state.failure)
        if not state.running and not state.finished:
            return Failed("title-crashed", f"{title.name} ended by itself (exit code {state.exit_code})")
        if not state.running and state.exit_code not in (0, None):
            return Failed("title-crashed", f"{title.name} ended with exit code {state.exit_code}")
        now_s = self._clock.now_s()
        if running.launch_s is not None and now_s - running.launch_s > title.deadline_s:
            return Failed(
                "deadline",
                f"{title.name} still ran after its deadline_s of {title.deadline_s:.0f} s{_told(state, at)}",
            )
        if state.last_sign_s is not None and now_s - state.last_sign_s > title.silent_at_most_s:
            silent_s = now_s - state.last_sign_s
            return Failed(
                "title-hung", f"{title.name} gave no sign of life for {silent_s:.0f} s{_told(state, at)}"
            )
        if state.finished and at.stage is not None:
            return Failed(
                "title-ended-early",
                f"{title.name} finished in its {at.phase}; make it run longer, or, where its command only "
                "starts it and leaves, name its own program (process_name)",
            )
        return None


def _told(state: WorkloadState, at: State) -> str:
    """Where the attempt stood when its time was over, and what the title said last, for its reason."""
    place = f" in {at.phase}" + (f", at {state.doing}" if state.doing else "")
    if not state.said:
        return f"{place}; its output shows nothing"
    hint = "" if state.ready else "; where more was printed, it was held back: set terminal = true"
    return f"{place}; it last said: {state.said}{hint}"
