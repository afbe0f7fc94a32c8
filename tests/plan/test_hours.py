"""Hours by time of day, checked against the clock changes of the tz database (Europe/Berlin, 2030)."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from harness.plan.hours import Closed, NightHours, Open, Over, calendar
from harness.plan.night_tables import Night

BERLIN = ZoneInfo("Europe/Berlin")


def local(text: str) -> datetime:
    """An instant, from a Berlin wall clock's reading."""
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)


def hours(starts: str | None, ends: str | None) -> NightHours:
    return NightHours.of(Night(starts_at=starts, ends_at=ends), BERLIN)


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2030-01-10T22:59", Closed(local("2030-01-10T23:00"))),
        ("2030-01-10T23:00", Open(local("2030-01-10T23:00"), local("2030-01-11T07:00"))),
        ("2030-01-11T06:59", Open(local("2030-01-10T23:00"), local("2030-01-11T07:00"))),
        ("2030-01-11T07:00", Closed(local("2030-01-11T23:00"))),
    ],
)
def test_a_night_over_midnight(now, expected):
    assert hours("23:00", "07:00").at(local(now), local(now)) == expected


def test_hours_within_a_day():
    day = hours("09:00", "17:00")
    assert day.at(local("2030-01-10T08:00"), local("2030-01-10T08:00")) == Closed(local("2030-01-10T09:00"))
    assert isinstance(day.at(local("2030-01-10T16:59"), local("2030-01-10T08:00")), Open)
    assert day.at(local("2030-01-10T17:00"), local("2030-01-10T08:00")) == Closed(local("2030-01-11T09:00"))


@pytest.mark.parametrize(
    ("evening", "length_h"),
    [("2030-03-30T23:00", 7), ("2030-10-26T23:00", 9), ("2030-06-01T23:00", 8)],
)
def test_a_night_in_which_clocks_are_changed_keeps_to_the_wall_clock(evening, length_h):
    """In 2030 the EU changes clocks on 31 March and 27 October at 01:00 UTC."""
    found = hours("23:00", "07:00").at(local(evening), local(evening))
    assert isinstance(found, Open)
    assert found.until_utc - found.since_utc == timedelta(hours=length_h)


def test_a_time_that_the_change_skips_and_one_that_comes_twice():
    spring = hours("02:30", None).at(local("2030-03-31T00:00"), local("2030-03-31T00:00"))
    assert spring == Closed(datetime(2030, 3, 31, 1, 30, tzinfo=UTC))  # 03:30 summer time
    autumn = hours("02:30", None).at(local("2030-10-27T00:00"), local("2030-10-27T00:00"))
    assert autumn == Closed(datetime(2030, 10, 27, 0, 30, tzinfo=UTC))  # the first 02:30, summer time


def test_an_end_alone_ends_the_run_and_a_start_alone_is_waited_for_once():
    begun = local("2030-01-10T20:00")
    assert isinstance(hours(None, "07:00").at(local("2030-01-11T06:59"), begun), Open)
    assert hours(None, "07:00").at(local("2030-01-11T07:00"), begun) == Over(local("2030-01-11T07:00"))
    assert hours("23:00", None).at(begun, begun) == Closed(local("2030-01-10T23:00"))
    assert isinstance(hours("23:00", None).at(local("2030-01-12T12:00"), begun), Open)


def test_work_is_spread_over_nights():
    now = local("2030-03-29T12:00")
    end, nights = hours("23:00", "07:00").end_of_work(20 * 3600, now, now)
    assert (end, nights) == (local("2030-04-01T04:00"), 3)  # 8 h, 7 h in the night of the change, 5 h
    end, nights = hours(None, "07:00").end_of_work(20 * 3600, now, now)
    assert (end, nights) == (local("2030-03-30T07:00"), 1)


def test_the_calendar_says_how_many_nights_and_warns_where_nothing_fits():
    now = local("2030-01-10T12:00")
    assert calendar(NightHours(), 1e5, 60, now) is None
    found = calendar(hours("23:00", "07:00"), 20 * 3600, 300, now)
    assert found is not None
    assert (found.nights, found.cut_off) == (3, False)
    assert "about 3 nights, done about Sun 13 Jan 03:00" in found.sentence
    assert "No attempt fits" in calendar(hours("23:00", "23:01"), 3600, 300, now).sentence
    assert calendar(hours(None, "13:00"), 20 * 3600, 300, now).cut_off


def test_times_are_text_or_toml_times_and_nothing_else():
    assert Night(starts_at=time(23, 0)).starts_at == "23:00"
    for wrong in ("24:00", "7:00", "23:00:30", 2300, time(23, 0, 1), time(23, 0, tzinfo=UTC), True):
        with pytest.raises(ValidationError):
            Night(starts_at=wrong)
    with pytest.raises(ValidationError, match="are the same"):
        Night(starts_at="07:00", ends_at="07:00")
