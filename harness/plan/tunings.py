"""What a card of this machine can be tuned with: ranges of a profile's keys, as its driver reports them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TuningRange:
    """The range of one key of a profile.

    Attributes:
        key: Of the control's plan keys; its end is the unit (``power_limit_w``).
        lowest, highest: What the driver takes, in that unit.
        factory: The maker's value, where the driver tells it.
        steps: The only values that are taken; empty for all between the two.
    """

    key: str
    lowest: float
    highest: float
    factory: float | None = None
    steps: tuple[float, ...] = ()

    @property
    def words(self) -> str:
        """``200 to 700, factory 700``."""
        text = f"{self.lowest:g} to {self.highest:g}"
        if 0 < len(self.steps) <= 8:
            text = f"one of {', '.join(f'{step:g}' for step in self.steps)}"
        return text if self.factory is None else f"{text}, factory {self.factory:g}"

    def refusal(self, value: float) -> str | None:
        """Why a value is not taken, and what would be; None for one that is."""
        if not self.lowest <= value <= self.highest or (self.steps and value not in self.steps):
            return f"{value:g} is outside of what the driver takes; choose {self.words}"
        return None


@dataclass(frozen=True)
class Tuning:
    """One card that a control can tune here.

    Attributes:
        control: Kind of the control.
        device: What to call the card, as ``card 0, 700 W data-centre card``.
        ranges: Of the keys that this card takes.
        card: Its UUID or PCI address, as ``[rig]`` takes it; empty where it can't be known.
        slows_at_c: Core temperature at which the card protects itself, where the driver tells it.
    """

    control: str
    device: str
    ranges: tuple[TuningRange, ...]
    card: str = ""
    slows_at_c: float | None = None
