"""What a renderer hands back for a frame."""

from __future__ import annotations

from typing import NamedTuple


class Drawn(NamedTuple):
    """A frame that is done.

    Attributes:
        end_s: ``time.perf_counter`` at which it was seen to be done.
        card_ms: The card's own time for it where it measures that.
    """

    end_s: float
    card_ms: float | None
