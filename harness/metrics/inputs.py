"""What a metric's formula is given: one run's frames, one window's telemetry, or all of a repeat."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Value = float | int | None


class Frames(Protocol):
    """Sufficient statistics of one run's frame times; at least one frame.

    Attributes:
        n: Frames.
        total_ms: Elapsed time: the sum of all frame times.
        longest_ms: The longest frame time.
        change_ms: Mean absolute change from frame to frame; None for a single frame.
        stutter_count, stutter_ms: Stuttering frames (:mod:`harness.frames.stutter`), and the time in them.
        slow_ms: Time in frames slower than the rate that the plan states; None where it states none.
    """

    @property
    def n(self) -> int: ...
    @property
    def total_ms(self) -> float: ...
    @property
    def longest_ms(self) -> float: ...
    @property
    def change_ms(self) -> float | None: ...
    @property
    def stutter_count(self) -> int: ...
    @property
    def stutter_ms(self) -> float: ...
    @property
    def slow_ms(self) -> float | None: ...

    def percentile_ms(self, q: float) -> float:
        """q-th percentile of frame time (Hyndman-Fan type 7), for the q that the metrics name."""

    def low_fps(self, share: float) -> float:
        """The low at that share by the plan's definition, 1/s."""

    def fps_of_slowest(self, share: float) -> float:
        """1000 / mean of the slowest ``ceil(share n)`` frame times, 1/s."""

    def fps_by_time_share(self, share: float) -> float:
        """1000 / the frame time from which on frames add up to ``share`` of the elapsed time, 1/s."""


class Telemetry(Protocol):
    """Readings inside a measured window. Everything is None where too little of it was read."""

    @property
    def duration_s(self) -> float:
        """Length of the window."""

    @property
    def frame_count(self) -> int | None:
        """Frames inside the window; None for a title without frames."""

    @property
    def average_fps(self) -> float | None:
        """Of these frames, over the time that they took."""

    def mean(self, quantity: str) -> float | None:
        """Mean over time."""

    def end_mean(self, quantity: str) -> float | None:
        """Mean over the window's last quarter."""

    def highest(self, quantity: str) -> float | None:
        """Highest reading."""

    def mean_level(self, quantity: str) -> float | None:
        """Energy mean of a level in dB (ISO 1996-1)."""

    def mean_rate(self, counter: str) -> float | None:
        """Mean rate of a counter that grows, per second; None where it was reset."""

    def mean_power(self, energy: str, power: str) -> float | None:
        """Mean power, W: by the energy counter where there is one, else by readings of power."""

    def card_source(self) -> str | None:
        """Quantity that the card's power is taken from: the best one for this title."""

    def card_u_w(self) -> float | None:
        """Standard uncertainty of the card's mean power, W, without what the plan states of instruments."""

    def card_sensor_u_w(self) -> float | None:
        """What of it repeats don't average out: by the rhythm, or by what sources disagree on."""

    def card_rhythm_u_w(self) -> float | None:
        """What of it comes from the rhythm of frames against the sensor's; None where that is not known."""


class Repeat(Protocol):
    """All that is known of a repeat once its own figures stand."""

    @property
    def duration_s(self) -> float:
        """Length of the measured window, s."""

    @property
    def frametime_ms(self) -> NDArray[np.float64]:
        """Frame times inside the window, in order, shape (n,); empty for a title without frames."""

    @property
    def telemetry(self) -> Telemetry | None:
        """Readings inside the window; None where nothing was recorded."""

    @property
    def score(self) -> float | None:
        """The score of a title that gives one."""

    @property
    def values(self) -> Mapping[str, Value]:
        """Column -> value, of the metrics that levelrig brings itself."""


class Choices(Protocol):
    """What a plan chooses of its metrics' definitions; the table ``[plan]`` is one."""

    @property
    def one_percent_low(self) -> str: ...
