"""The engine's state machine: an event goes in, instructions come out. No I/O, no clock, no randomness.

One attempt: apply -> stages before the launch -> launch -> stages in the title -> measure -> close -> ingest
-> commit. Which stages there are comes with the event that begins it. A failure or a stop at any point leads
through close (if a title may be running) to commit, so that every attempt that was begun is accounted for.
The card is put back as it was found once, at the end of the campaign, whatever ended it.

Two decisions: a stop after the window lets the attempt end, because reading its log takes seconds and a
measured repeat is worth more; and a repeat that fails is tried again at once, in its own block, so that
pairing by block keeps comparing neighbours in time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.engine.messages import (
    ApplyProfile,
    AttemptBegun,
    BeginAttempt,
    Closed,
    CloseTitle,
    CommitAttempt,
    Committed,
    EndCampaign,
    Event,
    Failed,
    FetchSlot,
    GateOpened,
    GateTimedOut,
    HoldGate,
    IngestAndJudge,
    Instruction,
    Judged,
    Launched,
    LaunchTitle,
    MeasureWindow,
    NightOver,
    Phase,
    ProfileInForce,
    Restored,
    RestoreFactory,
    SlotOffered,
    Start,
    StopRequested,
    Verdict,
    WindowEnded,
)
from harness.errors import HarnessError
from harness.plan.schema import Slot
from harness.stages.stage import word_of

#: Phases in which an attempt can fail or be stopped before its logs are read; so it can in every stage.
_OPEN = (Phase.APPLY, Phase.LAUNCH, Phase.MEASURE)


class InvalidTransition(HarnessError):
    """An event came that the machine's state does not allow: a fault in the driver. Carries both."""

    def __init__(self, state: State, event: Event) -> None:
        self.state, self.event = state, event
        super().__init__(
            f"engine: {event} can't happen in phase {state.phase}; "
            f"report this with the campaign's log.jsonl (history: {' '.join(state.history)})"
        )


@dataclass(frozen=True)
class Outcome:
    """How the running attempt will be committed."""

    verdict: Verdict
    reason_code: str | None = None
    reason: str | None = None


@dataclass(frozen=True)
class State:
    """Everything the machine remembers.

    Attributes:
        phase: Where the attempt stands: a phase, or the word of the stage that is waited for.
        stage: Key of that stage; None outside of one.
        ahead: Steps of the attempt before its window: keys of stages, and the launch.
        slot: The slot being served; None between attempts.
        outcome: Set once the attempt's end is decided before its checks (failure, stop, skip).
        stop: The first stop request; it wins over later ones, except that safety wins over all.
        history: The last phases, for error messages.
    """

    phase: str = Phase.IDLE
    stage: str | None = None
    ahead: tuple[str, ...] = ()
    slot: Slot | None = None
    outcome: Outcome | None = None
    stop: StopRequested | None = None
    history: tuple[str, ...] = ()

    def at(self, phase: str, stage: str | None = None) -> State:
        """The state in another phase."""
        return replace(self, phase=phase, stage=stage, history=(*self.history[-11:], str(phase)))

    @property
    def title_may_run(self) -> bool:
        """From the launch to the window's end."""
        in_title = self.stage is not None and Phase.LAUNCH not in self.ahead
        return in_title or self.phase in (Phase.LAUNCH, Phase.MEASURE)

    @property
    def open(self) -> bool:
        """The attempt can still fail or be stopped before its logs are read."""
        return self.stage is not None or self.phase in _OPEN


Step = tuple[State, tuple[Instruction, ...]]


def step(state: State, event: Event) -> Step:
    """The machine. Raises InvalidTransition."""
    match event:
        case StopRequested():
            return _stop(state, event)
        case Failed():
            return _fail(state, event)
        case GateTimedOut():
            return _gate_timed_out(state, event)
        case NightOver(reason):
            if not state.open:
                raise InvalidTransition(state, event)
            return _wind_up(state, Outcome("interrupted", "night-over", reason))
        case _:
            return _advance(state, event)


def _advance(state: State, event: Event) -> Step:
    match state.phase, event:
        case Phase.IDLE, Start():
            return _next(state)
        case Phase.IDLE, SlotOffered(slot=slot):
            if slot is None or state.stop is not None:
                return state.at(Phase.RESTORE), (RestoreFactory(),)
            return replace(state, slot=slot, outcome=None).at(Phase.APPLY), (BeginAttempt(slot),)
        case Phase.APPLY, AttemptBegun(before_launch=before, in_title=inside):
            return replace(state, ahead=(*before, Phase.LAUNCH, *inside)), (ApplyProfile(),)
        case (Phase.APPLY, ProfileInForce()) | (Phase.LAUNCH, Launched()):
            return _go_on(state)
        case _, GateOpened(gate=gate) if gate == state.stage:
            return _go_on(state)
        case Phase.MEASURE, WindowEnded():
            return state.at(Phase.CLOSE), (CloseTitle(),)
        case Phase.CLOSE, Closed():
            if state.outcome is None:
                return state.at(Phase.INGEST), (IngestAndJudge(),)
            return _commit(state, state.outcome)
        case Phase.INGEST, Judged():
            verdict: Verdict = "accepted" if event.accepted else "rejected"
            return _commit(state, Outcome(verdict, event.reason_code, event.reason))
        case Phase.COMMIT, Committed():
            return _next(replace(state, slot=None, outcome=None))
        case Phase.RESTORE, Restored():
            reason = state.stop.reason if state.stop else "all planned repeats are done"
            if event.failure:
                reason = f"{reason}; the card could not be put back as it was found: {event.failure}"
            elif state.stop and state.stop.kind == "restore-failed":
                reason = f"{reason}; it was put back at the end, and the same command goes on"
            if event.doubt:
                reason = f"{reason}; that the card is back as it was found can't be proven: {event.doubt}"
            kind = state.stop.kind if state.stop else None
            return state.at(Phase.ENDED), (EndCampaign(kind, reason, event.failure is not None),)
        case _:
            raise InvalidTransition(state, event)


def _next(state: State) -> Step:
    if state.stop is not None:
        return state.at(Phase.RESTORE), (RestoreFactory(),)
    return state.at(Phase.IDLE), (FetchSlot(),)


def _go_on(state: State) -> Step:
    """The next step of the attempt; after the last one its window."""
    if not state.ahead:
        return state.at(Phase.MEASURE), (MeasureWindow(),)
    step, state = state.ahead[0], replace(state, ahead=state.ahead[1:])
    if step == Phase.LAUNCH:
        return state.at(Phase.LAUNCH), (LaunchTitle(),)
    return state.at(word_of(step), step), (HoldGate(step),)


def _commit(state: State, outcome: Outcome) -> Step:
    instruction = CommitAttempt(outcome.verdict, outcome.reason_code, outcome.reason)
    return replace(state, outcome=outcome).at(Phase.COMMIT), (instruction,)


def _wind_up(state: State, outcome: Outcome) -> Step:
    """End the attempt early: close the title where one may run, then commit."""
    state = replace(state, outcome=outcome)
    if state.title_may_run:
        return state.at(Phase.CLOSE), (CloseTitle(),)
    return _commit(state, outcome)


def _stop(state: State, event: StopRequested) -> Step:
    if state.stop is None or event.kind == "safety" or state.stop.kind == "pause":
        state = replace(state, stop=event)
    if event.kind == "pause" or not state.open:
        # Past its window an attempt is finished first: nothing is gained by throwing it away.
        # In idle the answer to FetchSlot leads to the end.
        return state, ()
    verdict: Verdict = "failed" if event.kind in ("safety", "conditions", "restore-failed") else "interrupted"
    return _wind_up(state, Outcome(verdict, event.kind, event.reason))


def _fail(state: State, event: Failed) -> Step:
    if state.open:
        return _wind_up(state, Outcome("failed", event.reason_code, event.reason))
    if state.phase in (Phase.CLOSE, Phase.INGEST):
        outcome = state.outcome or Outcome("failed", event.reason_code, event.reason)
        return _commit(state, outcome)
    raise InvalidTransition(state, event)


def _gate_timed_out(state: State, event: GateTimedOut) -> Step:
    if event.gate != state.stage:
        raise InvalidTransition(state, event)
    match event.then:
        case "mark":
            return _go_on(state)
        case "skip":
            return _wind_up(state, Outcome("rejected", f"{event.gate}-timeout", event.detail))
        case "stop":
            return _stop(state, StopRequested("conditions", event.detail))
