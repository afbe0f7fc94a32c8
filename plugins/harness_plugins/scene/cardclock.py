"""Brings times of the card's clock onto the rig's, from when its work is seen to be done."""

from __future__ import annotations

#: The two clocks may run apart by so much (two quartzes, and room: common practice, no source).
DRIFT = 1e-4


class CardClock:
    """The offset between the clocks: work is never seen before it ends, so the least delay tells it best.

    The offset falls at once to a lesser delay, and rises by :data:`DRIFT` at most, so that it follows two
    clocks that run apart. A late look moves a time by next to nothing.
    """

    def __init__(self) -> None:
        self._offset_s: float | None = None
        self._latest_s = 0.0

    def seen(self, card_s: float, seen_s: float) -> float:
        """The rig's time of an end at ``card_s``, where that was seen at ``seen_s`` of the rig."""
        delay_s = seen_s - card_s
        if self._offset_s is None:
            self._offset_s = delay_s
        else:
            rise_s = DRIFT * max(0.0, card_s - self._latest_s)
            self._offset_s = min(delay_s, self._offset_s + rise_s)
        self._latest_s = card_s
        return card_s + self._offset_s

    def on_rig_s(self, card_s: float) -> float:
        """That time on the rig's clock, as far as known."""
        return card_s + (self._offset_s or 0.0)
