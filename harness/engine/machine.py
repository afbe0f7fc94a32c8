"""The engine's state machine: an event goes in, instructions come out. No I/O, no clock, no randomness.

One attempt: apply -> cooldown -> launch -> warm-up -> soak -> measure -> close -> ingest -> commit. A failure
or a stop at any point leads through close (if a title may be running) to commit, so that every attempt that
was begun is accounted for. The factory state is restored once, at the end of the campaign, whatever ended it.

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
    GateName,
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

_GATE_OF_PHASE: dict[Phase, GateName] = {
    Phase.COOLDOWN: "cooldown",
    Phase.WARM_UP: "warm_up",
    Phase.SOAK: "soak",
}
#: Phases in which a title may be running.
RUNNING = frozenset({Phase.LAUNCH, Phase.WARM_UP, Phase.SOAK, Phase.MEASURE})
#: Phases in which an attempt can still fail or be stopped before its logs are read.
_OPEN = frozenset({Phase.APPLY, Phase.COOLDOWN, *RUNNING})


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
        phase: Where the attempt stands.
        slot: The slot being served; None between attempts.
        outcome: Set once the attempt's end is decided before its checks (failure, stop, skip).
        stop: The first stop request; it wins over later ones, except that safety wins over all.
        history: The last phases, for error messages.
    """

    phase: Phase = Phase.IDLE
    slot: Slot | None = None
    outcome: Outcome | None = None
    stop: StopRequested | None = None
    history: tuple[str, ...] = ()

    def at(self, phase: Phase) -> State:
        """The state in another phase."""
        return replace(self, phase=phase, history=(*self.history[-11:], str(phase)))


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
            if state.phase not in _OPEN:
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
        case Phase.APPLY, AttemptBegun():
            return state, (ApplyProfile(),)
        case Phase.APPLY, ProfileInForce():
            return state.at(Phase.COOLDOWN), (HoldGate("cooldown"),)
        case Phase.LAUNCH, Launched():
            return state.at(Phase.WARM_UP), (HoldGate("warm_up"),)
        case (Phase.COOLDOWN | Phase.WARM_UP | Phase.SOAK) as phase, GateOpened(gate=gate):
            if gate != _GATE_OF_PHASE[phase]:
                raise InvalidTransition(state, event)
            return _past_gate(state)
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
            reason = state.stop.reason if state.stop else "all wanted repeats were offered"
            if event.failure:
                reason = f"{reason}; the factory state could not be restored: {event.failure}"
            if event.doubt:
                reason = f"{reason}; that the factory state is back can't be proven: {event.doubt}"
            kind = state.stop.kind if state.stop else None
            return state.at(Phase.ENDED), (EndCampaign(kind, reason, event.failure is not None),)
        case _:
            raise InvalidTransition(state, event)


def _next(state: State) -> Step:
    if state.stop is not None:
        return state.at(Phase.RESTORE), (RestoreFactory(),)
    return state.at(Phase.IDLE), (FetchSlot(),)


def _past_gate(state: State) -> Step:
    match state.phase:
        case Phase.COOLDOWN:
            return state.at(Phase.LAUNCH), (LaunchTitle(),)
        case Phase.WARM_UP:
            return state.at(Phase.SOAK), (HoldGate("soak"),)
        case _:
            return state.at(Phase.MEASURE), (MeasureWindow(),)


def _commit(state: State, outcome: Outcome) -> Step:
    instruction = CommitAttempt(outcome.verdict, outcome.reason_code, outcome.reason)
    return replace(state, outcome=outcome).at(Phase.COMMIT), (instruction,)


def _wind_up(state: State, outcome: Outcome) -> Step:
    """End the attempt early: close the title where one may run, then commit."""
    state = replace(state, outcome=outcome)
    if state.phase in RUNNING:
        return state.at(Phase.CLOSE), (CloseTitle(),)
    return _commit(state, outcome)


def _stop(state: State, event: StopRequested) -> Step:
    if state.stop is None or event.kind == "safety" or state.stop.kind == "pause":
        state = replace(state, stop=event)
    if event.kind == "pause" or state.phase not in _OPEN:
        # Past its window an attempt is finished first: nothing is gained by throwing it away.
        # In idle the answer to FetchSlot leads to the end.
        return state, ()
    verdict: Verdict = "failed" if event.kind in ("safety", "conditions", "restore-failed") else "interrupted"
    return _wind_up(state, Outcome(verdict, event.kind, event.reason))


def _fail(state: State, event: Failed) -> Step:
    if state.phase in _OPEN:
        return _wind_up(state, Outcome("failed", event.reason_code, event.reason))
    if state.phase in (Phase.CLOSE, Phase.INGEST):
        outcome = state.outcome or Outcome("failed", event.reason_code, event.reason)
        return _commit(state, outcome)
    raise InvalidTransition(state, event)


def _gate_timed_out(state: State, event: GateTimedOut) -> Step:
    if _GATE_OF_PHASE.get(state.phase) != event.gate:
        raise InvalidTransition(state, event)
    match event.then:
        case "mark":
            return _past_gate(state)
        case "skip":
            return _wind_up(state, Outcome("rejected", f"{event.gate}-timeout", event.detail))
        case "stop":
            return _stop(state, StopRequested("conditions", event.detail))
