"""How much room a campaign needs on its disk. Pure arithmetic; the store measures and asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.plan.forecast import Forecast
from harness.plan.schema import Plan
from harness.tables import TELEMETRY_COLUMNS

#: What is assumed before anything was measured: a fast title, every column filled.
ASSUMED_FPS: Final = 300.0
FRAME_BYTES: Final = 2 * 8 + 12  # two columns as Parquet, and its line of the original log, compressed
TELEMETRY_ROW_BYTES: Final = 9 * len(TELEMETRY_COLUMNS)
#: Journal, manifest, dataset, report and the repaired copy of the journal.
OVERHEAD_BYTES: Final = 32 << 20
#: No attempt is begun with less than this free.
LEAST_FREE_BYTES: Final = 4 << 20
#: While an attempt ends, its telemetry exists twice (stream and Parquet) and its frame log as well.
PEAK_FACTOR: Final = 3


@dataclass(frozen=True)
class SpaceNeed:
    """Room needed.

    Attributes:
        attempt_bytes: Free space that the next attempt needs while it is being written.
        night_bytes: Free space that all remaining attempts need together.
        measured: From the sizes of attempts so far; else from assumptions.
    """

    attempt_bytes: int
    night_bytes: int
    measured: bool

    def shortage(self, free_bytes: int) -> str | None:
        """What to tell before the night; None when there is room."""
        if free_bytes >= self.night_bytes:
            return None
        basis = "by the attempts so far" if self.measured else "assuming a fast title"
        return (
            f"the rest of the night needs about {_mib(self.night_bytes)} of disk ({basis}), "
            f"{_mib(free_bytes)} are free; when no room is left the campaign pauses and can be resumed"
        )


def assumed_attempt_bytes(attempt_s: float, window_s: float, sampling_period_s: float) -> int:
    """Size of one attempt's artifacts before any was measured.

    Args:
        attempt_s: Expected length of an attempt.
        window_s: Length of its measured window.
        sampling_period_s: Of the telemetry.
    """
    frames = ASSUMED_FPS * window_s * FRAME_BYTES
    telemetry = attempt_s / sampling_period_s * TELEMETRY_ROW_BYTES
    return int(frames + telemetry)


def plan_attempt_bytes(plan: Plan, night: Forecast) -> int:
    """The same for a plan, from its forecast."""
    attempt_s = night.expected_s / max(night.attempts, 1)
    window_s = max(title.measure_s or attempt_s for title in plan.titles)
    return assumed_attempt_bytes(attempt_s, window_s, plan.sampling.period_s)


def space_needed(attempts_left: int, attempt_sizes: Sequence[int], assumed_bytes: int) -> SpaceNeed:
    """Room for the rest of a campaign.

    Args:
        attempts_left: Repeats still to be measured.
        attempt_sizes: Bytes of the artifacts of each attempt so far.
        assumed_bytes: Size of an attempt as long as none was measured.
    """
    measured = [size for size in attempt_sizes if size > 0]
    largest = max(measured, default=assumed_bytes)
    typical = sum(measured) / len(measured) if measured else assumed_bytes
    return SpaceNeed(
        attempt_bytes=max(LEAST_FREE_BYTES, PEAK_FACTOR * largest if measured else 0),
        night_bytes=int(attempts_left * typical) + OVERHEAD_BYTES,
        measured=bool(measured),
    )


def _mib(count: int) -> str:
    return f"{count / 2**20:.0f} MiB"
