"""One sensor as the sampler sees it: what is taken from it, when it is due, and whether it answers."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from harness.clock import Aside
from harness.rig import Channel, Reading, Sensor
from harness.telemetry.plausible import PLAUSIBLE

#: A row waits for a sensor this long; what comes later is filed when it comes.
PATIENCE_S = 0.25
#: A read that takes longer is told as hanging.
READ_LIMIT_S = 2.0
#: After so long a read that hangs is given up and another one tried; the pause doubles each time.
RENEW_AFTER_S = 30.0
#: So many reads of one sensor may be left hanging in a night; then it is waited for, not asked again.
MOST_LEFT_BEHIND = 4
LONGEST_PAUSE_S = 30.0


class Ask(NamedTuple):
    """What is due together: the call, and for each quantity its column and plausible range."""

    call: Callable[[], Mapping[str, Reading]]
    wanted: tuple[tuple[str, int, float, float], ...]


class Source:
    """See the module.

    Args:
        sensor: The sensor.
        channels: What is taken from it.
        first_column: Column of the first of these.
        period_s: Time between two rows.
        aside: Makes its reads.
    """

    def __init__(
        self, sensor: Sensor, channels: Sequence[Channel], first_column: int, period_s: float, aside: Aside
    ) -> None:
        self.sensor = sensor
        self.name = sensor.name
        self.channels = tuple(channels)
        self.columns = {c.quantity: first_column + i for i, c in enumerate(channels)}
        self.aside = aside
        periods: dict[float, list[str]] = {}
        for channel in channels:
            limit_s = channel.period_s if channel.period_s > period_s * 1.1 else 0.0
            periods.setdefault(limit_s, []).append(channel.quantity)
        self._groups = tuple(sorted(periods.items()))
        self._due_s = [-math.inf] * len(self._groups)
        self._asks: dict[int, Ask] = {}
        self.failures = 0
        self.lost = False
        self.again_s = -math.inf
        self.patience_s = PATIENCE_S
        self.asked: Ask | None = None
        self.asked_s = -math.inf
        self.hanging = False
        self.left_behind = 0

    def due(self, now_s: float, slack_s: float) -> Ask | None:
        """What can have changed since it was last read; None for nothing."""
        mask = 0
        due_s = self._due_s
        for index, (period_s, _) in enumerate(self._groups):
            if now_s >= due_s[index] - slack_s:
                due_s[index] += period_s
                if due_s[index] <= now_s:
                    due_s[index] = now_s + period_s
                mask |= 1 << index
        if not mask:
            return None
        ask = self._asks.get(mask)
        if ask is None:
            names = tuple(q for i, (_, group) in enumerate(self._groups) if mask >> i & 1 for q in group)
            wanted = tuple((name, self.columns[name], *PLAUSIBLE[name]) for name in names)
            ask = self._asks[mask] = Ask(functools.partial(self.sensor.read, names), wanted)
        return ask

    def make_all_due(self) -> None:
        """Read everything at the next row."""
        self._due_s = [-math.inf] * len(self._groups)

    def failed(self, now_s: float, tries: int, period_s: float) -> bool:
        """Note a failed read and when to try again; true where the sensor counts as lost from now on."""
        self.failures += 1
        beyond = self.failures - tries
        pause_s = 0.0 if beyond < 0 else min(LONGEST_PAUSE_S, period_s * 2.0 ** min(beyond + 1, 30))
        self.again_s = now_s + pause_s
        self.make_all_due()
        newly = beyond >= 0 and not self.lost
        self.lost = self.lost or newly
        return newly

    @property
    def prompt(self) -> bool:
        """Whether it may be read together with others: it does not hang, and is not usually late."""
        return self.patience_s > 0 and not self.hanging

    def goes_on(self, ask: Ask, since_s: float, aside: Aside) -> None:
        """A read was left under way there."""
        if aside is not self.aside:
            self.aside.close()
            self.aside = aside
        self.asked, self.asked_s = ask, since_s

    def answered(self, ended_s: float) -> None:
        """A read that was under way has ended; rows don't wait for a sensor that is usually late."""
        self.patience_s = 0.0 if ended_s - self.asked_s > PATIENCE_S else PATIENCE_S
        self.asked = None

    def renew(self, now_s: float) -> bool:
        """Leave a read that has hung for long behind, so that another can be tried; false to wait on."""
        if self.left_behind >= MOST_LEFT_BEHIND:
            return False
        if now_s - self.asked_s < RENEW_AFTER_S * 2.0**self.left_behind:
            return False
        self.left_behind += 1
        self.aside.abandon()
        self.asked = None
        self.make_all_due()
        return True
