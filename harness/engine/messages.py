"""What goes into the state machine (events) and what comes out (instructions). Plain values, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from harness.plan.schema import Slot
from harness.stages import Then

StopKind = Literal["interrupt", "stop", "pause", "safety", "conditions", "restore-failed", "storage"]
Verdict = Literal["accepted", "rejected", "failed", "interrupted"]


class Phase(StrEnum):
    """Where an attempt stands while it waits for no stage; then a stage's word stands in its place.

    The word of either is what the telemetry's ``phase`` column holds.
    """

    IDLE = "idle"
    APPLY = "apply"
    LAUNCH = "launch"
    MEASURE = "measure"
    CLOSE = "close"
    INGEST = "ingest"
    COMMIT = "commit"
    RESTORE = "restore"
    ENDED = "ended"


# --- events -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Start:
    """The campaign begins, or goes on."""


@dataclass(frozen=True)
class SlotOffered:
    """The next planned repeat; None when nothing is left to measure."""

    slot: Slot | None


@dataclass(frozen=True)
class AttemptBegun:
    """The attempt is in the journal.

    Attributes:
        before_launch, in_title: Keys of the stages that it passes, in order.
    """

    before_launch: tuple[str, ...]
    in_title: tuple[str, ...]


@dataclass(frozen=True)
class ProfileInForce:
    """The profile was applied and reads back as asked for."""


@dataclass(frozen=True)
class GateOpened:
    """A condition is met; ``gate``: its stage's key."""

    gate: str


@dataclass(frozen=True)
class GateTimedOut:
    """A condition was not met in time; ``then`` is what the plan wants."""

    gate: str
    then: Then
    detail: str


@dataclass(frozen=True)
class Launched:
    """The title runs and is ready."""


@dataclass(frozen=True)
class WindowEnded:
    """The measured window is over: by time, or because the title finished."""


@dataclass(frozen=True)
class Closed:
    """The title and all its processes are gone; the recording is closed."""


@dataclass(frozen=True)
class Judged:
    """The logs were read and the checks were made."""

    accepted: bool
    reason_code: str | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Committed:
    """The attempt's outcome is durable."""


@dataclass(frozen=True)
class Restored:
    """The card is back as it was found.

    Attributes:
        failure: Why it could not be brought back.
        doubt: Why it can't be proven that it is back.
    """

    failure: str | None = None
    doubt: str | None = None


@dataclass(frozen=True)
class Failed:
    """The attempt can't go on: launch, title, profile, sensor or deadline."""

    reason_code: str
    reason: str


@dataclass(frozen=True)
class StopRequested:
    """End the night. ``pause`` lets the running attempt end first; the others end it at once."""

    kind: StopKind
    reason: str


@dataclass(frozen=True)
class NightOver:
    """The hours of this night are over and others follow: the running attempt is measured again then."""

    reason: str


Event = (
    Start
    | SlotOffered
    | AttemptBegun
    | ProfileInForce
    | GateOpened
    | GateTimedOut
    | Launched
    | WindowEnded
    | Closed
    | Judged
    | Committed
    | Restored
    | Failed
    | StopRequested
    | NightOver
)

# --- instructions -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FetchSlot:
    """Offer the next planned repeat."""


@dataclass(frozen=True)
class BeginAttempt:
    """Write the attempt's start to the journal; it must be durable before anything is changed."""

    slot: Slot


@dataclass(frozen=True)
class ApplyProfile:
    """Bring the slot's profile into force and read it back."""


@dataclass(frozen=True)
class HoldGate:
    """Wait until the gate of the stage with that key opens, or times out, or something happens."""

    gate: str


@dataclass(frozen=True)
class LaunchTitle:
    """Start the title and wait until it is ready."""


@dataclass(frozen=True)
class MeasureWindow:
    """Open the window and wait for its end."""


@dataclass(frozen=True)
class CloseTitle:
    """End the title with its whole process tree; close the recording."""


@dataclass(frozen=True)
class IngestAndJudge:
    """Read the frame log, cut it to the window, compute the metrics, make the checks."""


@dataclass(frozen=True)
class CommitAttempt:
    """Make the outcome durable."""

    verdict: Verdict
    reason_code: str | None
    reason: str | None


@dataclass(frozen=True)
class RestoreFactory:
    """Put the card back."""


@dataclass(frozen=True)
class EndCampaign:
    """Nothing more to do. ``stop`` is None when all slots were offered.

    ``unrestored``: the hardware is not back in the state that was found; that outweighs how the night went.
    """

    stop: StopKind | None
    reason: str
    unrestored: bool = False


Instruction = (
    FetchSlot
    | BeginAttempt
    | ApplyProfile
    | HoldGate
    | LaunchTitle
    | MeasureWindow
    | CloseTitle
    | IngestAndJudge
    | CommitAttempt
    | RestoreFactory
    | EndCampaign
)
