"""The hours in which a plan may measure: by time of day, over several nights. Pure arithmetic on instants.

A time of day is the local one of that day, so nights keep to the clock on the wall where clocks are changed.
One that a change skips (02:30 in spring) counts as the same moment by the clock before the change; one that
comes twice (02:30 in autumn) counts the first time. Source: PEP 495, ``fold = 0``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from harness.plan.night_tables import Night

#: Nights that a forecast of the end looks ahead.
_NIGHTS_AT_MOST = 400


@dataclass(frozen=True)
class Open:
    """It may measure; until ``until_utc``, or without end. ``since_utc``: when this night's hours began."""

    since_utc: datetime
    until_utc: datetime | None


@dataclass(frozen=True)
class Closed:
    """It waits until then."""

    until_utc: datetime


@dataclass(frozen=True)
class Over:
    """It may not measure any more, today or later, without being started again."""

    since_utc: datetime


@dataclass(frozen=True)
class NightHours:
    """The plan's hours.

    Attributes:
        starts_at: Local time of day; None: at once.
        ends_at: Local time of day; None: without end.
        zone: Whose local time; None: the system's.
    """

    starts_at: time | None = None
    ends_at: time | None = None
    zone: tzinfo | None = None

    @classmethod
    def of(cls, night: Night, zone: tzinfo | None = None) -> NightHours:
        """The hours of a plan's ``[night]`` table."""
        return cls(_time(night.starts_at), _time(night.ends_at), zone)

    @property
    def stated(self) -> bool:
        """The plan states hours at all."""
        return self.starts_at is not None or self.ends_at is not None

    @property
    def several_nights(self) -> bool:
        """The campaign waits between its nights, instead of ending with the first."""
        return self.starts_at is not None and self.ends_at is not None

    def at(self, now_utc: datetime, begun_utc: datetime) -> Open | Closed | Over:
        """What may be done at an instant.

        Args:
            now_utc: The instant.
            begun_utc: When the run was started by hand.
        """
        if self.starts_at is not None and self.ends_at is not None:
            start = self._last(self.starts_at, now_utc)
            end = self._next(self.ends_at, start)
            return Open(start, end) if now_utc < end else Closed(self._next(self.starts_at, now_utc))
        if self.starts_at is not None:
            start = self._first(self.starts_at, begun_utc)
            return Closed(start) if now_utc < start else Open(start, None)
        if self.ends_at is not None:
            end = self._next(self.ends_at, begun_utc)
            return Open(begun_utc, end) if now_utc < end else Over(end)
        return Open(begun_utc, None)

    def end_of_work(self, work_s: float, now_utc: datetime, begun_utc: datetime) -> tuple[datetime, int]:
        """When that much work is done, and on how many nights; cut off where the hours end for good."""
        nights, at_utc = 0, now_utc
        for _ in range(_NIGHTS_AT_MOST):
            match self.at(at_utc, begun_utc):
                case Closed(until_utc):
                    at_utc = until_utc
                case Over(since_utc):
                    return since_utc, max(nights, 1)
                case Open(_, until_utc):
                    nights += 1
                    done_utc = at_utc + timedelta(seconds=work_s)
                    if until_utc is None or done_utc <= until_utc:
                        return done_utc, nights
                    work_s -= (until_utc - at_utc).total_seconds()
                    at_utc = until_utc
        return at_utc, nights

    def local(self, instant_utc: datetime) -> datetime:
        """The instant on the clock on the wall."""
        return instant_utc.astimezone(self.zone)

    def __str__(self) -> str:
        start = f"from {self.starts_at:%H:%M}" if self.starts_at else ""
        end = f"until {self.ends_at:%H:%M}" if self.ends_at else ""
        return " ".join(part for part in (start, end) if part) or "at any time"

    def _last(self, when: time, now_utc: datetime) -> datetime:
        return max(moment for moment in self._around(when, now_utc) if moment <= now_utc)

    def _first(self, when: time, from_utc: datetime) -> datetime:
        return min(moment for moment in self._around(when, from_utc) if moment >= from_utc)

    def _next(self, when: time, after_utc: datetime) -> datetime:
        return min(moment for moment in self._around(when, after_utc) if moment > after_utc)

    def _around(self, when: time, instant_utc: datetime) -> Iterator[datetime]:
        today = self.local(instant_utc).date()
        for days in (-2, -1, 0, 1, 2):
            naive = datetime.combine(today + timedelta(days=days), when)
            local = naive.astimezone() if self.zone is None else naive.replace(tzinfo=self.zone)
            yield local.astimezone(UTC)


@dataclass(frozen=True)
class Calendar:
    """How a campaign is spread over nights, if it is started now.

    Attributes:
        hours: The plan's hours, in words.
        nights: Nights that it takes.
        ends_utc: When it is done, or cut off.
        cut_off: The hours end before all is measured.
        sentence: The same for a reader, in local time.
    """

    hours: str
    nights: int
    ends_utc: datetime
    cut_off: bool
    sentence: str


def calendar(hours: NightHours, work_s: float, attempt_s: float, now_utc: datetime) -> Calendar | None:
    """The nights of a campaign; None where the plan states no hours.

    Args:
        hours: The plan's hours.
        work_s: Expected length of the whole campaign.
        attempt_s: Expected length of one attempt.
        now_utc: When it would be started.
    """
    if not hours.stated:
        return None
    ends_utc, nights = hours.end_of_work(work_s, now_utc, now_utc)
    cut_off = isinstance(hours.at(ends_utc, now_utc), Over)
    day = f"{hours.local(ends_utc):%a %d %b %H:%M}"
    if cut_off:
        sentence = (
            f"hours: {hours}; it ends on {day} before all is measured, and goes on when it is run again"
        )
    else:
        count = f"{nights} nights" if nights > 1 else "one night"
        sentence = f"hours: {hours}; about {count}, done about {day} if it is started now"
    if hours.several_nights:
        sentence += "; in between it waits, with the card in its factory state"
        window_s = _window_s(hours)
        if attempt_s > window_s:
            sentence += f". No attempt fits: one takes about {attempt_s:.0f} s, a night {window_s:.0f} s"
    return Calendar(str(hours), nights, ends_utc, cut_off, sentence)


def _window_s(hours: NightHours) -> float:
    assert hours.starts_at is not None
    assert hours.ends_at is not None
    minutes = [when.hour * 60 + when.minute for when in (hours.starts_at, hours.ends_at)]
    return float((minutes[1] - minutes[0]) % (24 * 60) * 60)


def _time(text: str | None) -> time | None:
    return None if text is None else time.fromisoformat(text)
