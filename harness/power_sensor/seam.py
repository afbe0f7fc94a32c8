"""What a plugin offers, so that a card's power readings can be examined."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from harness.power_sensor.course import Course
from harness.power_sensor.model import SourceKind
from harness.power_sensor.program import Program


class PowerSource(Protocol):
    """One source of a card's power, read as directly as the driver lets.

    Attributes:
        name: In a person's words: ``energy counter``.
        kind: What its values are.
        quantity: The column of the telemetry that comes from it.
        source: The driver's call or file.
        period_s: It need not be read more often, as a read costs.
        burst_s: Where reads may make it look more often than a night's would: it is read for the second of
            these times in each of the first, and let be in between, s. None: it is read all the time.
    """

    name: str
    kind: SourceKind
    quantity: str
    source: str
    period_s: float
    burst_s: tuple[float, float] | None

    def read(self) -> Sequence[tuple[float | None, float]]:
        """The value now, or those that came since the last read, oldest first: (its own time, value).

        The own time is of a clock of the source, s; None where it has none. Values in W, of a counter in J.
        Empty where it gave nothing. Called from one thread.

        Raises:
            SensorUnavailable: It is gone.
        """


class PulseLoad(Protocol):
    """Makes the card work at given times, in a process of its own.

    Attributes:
        what: By what it works, for the record.
    """

    what: str

    def start(self, program: Program) -> None:
        """Begin to get ready; returns at once. Raises WorkloadFailed."""

    def began_s(self) -> float | None:
        """The clock time at which the program begins, once it is ready; None until then.

        Raises:
            WorkloadFailed: It can't be run, or it ended early.
        """

    def ended(self) -> bool:
        """Whether all loads are done. Raises WorkloadFailed."""

    def course(self) -> Course:
        """The loads as they were, on the rig's clock. After the end. Raises WorkloadFailed."""

    def stop(self) -> None:
        """End it, whatever it does. Safe to call twice."""
