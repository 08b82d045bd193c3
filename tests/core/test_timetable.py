"""Caps by the wall clock, also on the days on which that is put forward or back.

The moments of those changes are the published ones: tz database, rule EU (last Sunday of March and of
October, 1:00 universal time), rule US (second Sunday of March, first Sunday of November, 2:00 on the
wall clock), zone Australia/Lord_Howe (by half an hour: first Sunday of April and of October, 2:00).
"""

from __future__ import annotations

import zoneinfo
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.line import NO_CAP, Cap
from ingestd.core.timetable import DAY_MINUTES, Entry, Timetable, clock, overlaps, week_clock

DAY, HOUR = 86_400.0, 3_600.0
WORKDAYS, SUNDAY, ALL = (0, 1, 2, 3, 4), (6,), tuple(range(7))
SLOW = Cap(20_000_000)


def at(text: str) -> float:
    """Universal time."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def table(zone: str, *entries: Entry) -> Timetable:
    return Timetable(zoneinfo.ZoneInfo(zone), zone, entries)


def entry(days: tuple[int, ...], begins: str, ends: str, cap: Cap = SLOW) -> Entry:
    return Entry(days, minutes(begins), minutes(ends), cap)


def minutes(text: str) -> int:
    hours, rest = text.split(":")
    return int(hours) * 60 + int(rest)


def spans(timetable: Timetable, begin: str, days: int = 2) -> list[tuple[str, str]]:
    """From when to when the first entry is in force, in universal time, looked at second by second
    where it changes."""
    found, start = [], at(begin)
    for moment, chosen in timetable.changes(start, days):
        assert timetable.at(moment) == chosen
        assert timetable.at(moment - 1) != chosen
        if chosen is not None:
            start = moment
        else:
            found.append((stamp(start), stamp(moment)))
    return found


def stamp(moment: float) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%d %H:%M:%S")


def test_an_entry_counts_between_its_times_on_its_days() -> None:
    office = table("Europe/London", entry(WORKDAYS, "08:00", "18:00"))
    assert office.at(at("2026-06-05 06:59:59")) is None
    assert office.at(at("2026-06-05 07:00:00")) == office.entries[0]
    assert office.at(at("2026-06-05 16:59:59")) == office.entries[0]
    assert office.at(at("2026-06-05 17:00:00")) is None
    assert office.at(at("2026-06-06 12:00:00")) is None
    assert spans(office, "2026-06-05 00:00", 4) == [
        ("05 07:00:00", "05 17:00:00"),
        ("08 07:00:00", "08 17:00:00"),
    ]


def test_an_entry_may_go_on_into_the_next_day_and_the_next_week() -> None:
    night = table("UTC", entry(SUNDAY, "22:00", "06:00"))
    assert night.at(at("2026-06-07 23:00")) == night.at(at("2026-06-08 05:59:59")) == night.entries[0]
    assert night.at(at("2026-06-08 06:00")) is None
    assert night.at(at("2026-06-07 05:00")) is None


def test_a_whole_day_has_no_gap_at_midnight() -> None:
    weekend = table("UTC", entry((5, 6), "00:00", "24:00"))
    assert spans(weekend, "2026-06-05 12:00", 4) == [("06 00:00:00", "08 00:00:00")]


# The clock is put forward: London on 29 March 2026, from 01:00 to 02:00.


def test_an_entry_in_the_hour_that_is_skipped_has_no_turn() -> None:
    assert spans(table("Europe/London", entry(SUNDAY, "01:00", "02:00")), "2026-03-28 12:00") == []
    assert spans(table("Europe/London", entry(SUNDAY, "01:15", "01:45")), "2026-03-28 12:00") == []


def test_an_entry_that_reaches_into_the_skipped_hour_is_shorter() -> None:
    early = table("Europe/London", entry(SUNDAY, "00:00", "01:30"))
    assert spans(early, "2026-03-28 12:00") == [("29 00:00:00", "29 01:00:00")]
    late = table("Europe/London", entry(SUNDAY, "01:30", "03:00"))
    assert spans(late, "2026-03-28 12:00") == [("29 01:00:00", "29 02:00:00")]


def test_the_day_on_which_the_clock_is_put_forward_is_an_hour_short() -> None:
    whole = table("Europe/London", entry(SUNDAY, "00:00", "24:00"))
    assert spans(whole, "2026-03-28 12:00") == [("29 00:00:00", "29 23:00:00")]


# The clock is put back: London on 25 October 2026, from 02:00 to 01:00.


def test_an_entry_in_the_hour_that_comes_twice_has_two_turns() -> None:
    twice = table("Europe/London", entry(SUNDAY, "01:15", "01:45"))
    assert spans(twice, "2026-10-24 12:00") == [
        ("25 00:15:00", "25 00:45:00"),
        ("25 01:15:00", "25 01:45:00"),
    ]
    joined = table("Europe/London", entry(SUNDAY, "01:00", "02:00"))
    assert spans(joined, "2026-10-24 12:00") == [("25 00:00:00", "25 02:00:00")]


def test_the_day_on_which_the_clock_is_put_back_is_an_hour_longer() -> None:
    whole = table("Europe/London", entry(SUNDAY, "00:00", "24:00"))
    assert spans(whole, "2026-10-24 12:00") == [("24 23:00:00", "26 00:00:00")]


def test_new_york_changes_at_two_on_its_own_clock() -> None:
    early = table("America/New_York", entry(SUNDAY, "01:30", "02:30"))
    # 8 March 2026: 2:00 EST is 7:00 universal time; 1 November: 2:00 EDT is 6:00.
    assert spans(early, "2026-03-07 12:00") == [("08 06:30:00", "08 07:00:00")]
    assert spans(early, "2026-10-31 12:00") == [
        ("01 05:30:00", "01 06:00:00"),
        ("01 06:30:00", "01 07:30:00"),
    ]


def test_lord_howe_changes_by_half_an_hour() -> None:
    night = table("Australia/Lord_Howe", entry(SUNDAY, "01:00", "03:00"))
    # 5 April 2026: at 2:00 (+11) the clock is put back to 1:30 (+10:30): 15:00 universal time.
    assert spans(night, "2026-04-03 12:00") == [("04 14:00:00", "04 16:30:00")]
    # 4 October 2026: from 2:00 (+10:30) to 2:30 (+11): 15:30 universal time.
    assert spans(night, "2026-10-02 12:00") == [("03 14:30:00", "03 16:00:00")]


def test_a_zone_without_daylight_saving_never_changes() -> None:
    tokyo = table("Asia/Tokyo", entry(ALL, "09:00", "18:00"))
    assert len(spans(tokyo, "2026-01-01 00:00", 365)) == 365


zones = st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"])
times = st.integers(0, DAY_MINUTES - 1)
entries = st.builds(
    Entry,
    st.sets(st.integers(0, 6), min_size=1).map(lambda days: tuple(sorted(days))),
    times,
    times,
    st.sampled_from([SLOW, NO_CAP]),
).filter(lambda each: each.begins_minute != each.ends_minute)


@settings(max_examples=60, deadline=None)
@given(zones, entries, st.sampled_from(["2026-03-27", "2026-10-23", "2026-10-30", "2026-06-01"]))
def test_changes_are_just_where_the_entry_in_force_changes(zone: str, one: Entry, day: str) -> None:
    """Against a look at every minute: no clock change of these zones is within a minute."""
    timetable, start = table(zone, one), at(day)
    moments = [start + 60.0 * minute for minute in range(3 * DAY_MINUTES + 1)]
    seen = [timetable.at(moment) for moment in moments]
    changed = [
        (moment, now)
        for moment, before, now in zip(moments[1:], seen, seen[1:], strict=False)
        if before != now
    ]
    assert list(timetable.changes(start, 3)) == changed


@given(entries, zones, st.floats(1.7e9, 1.9e9))
def test_whether_an_entry_counts_is_what_the_wall_clock_says(one: Entry, zone: str, moment: float) -> None:
    """Written differently: the beginning is looked for backwards, a minute at a time of the wall clock."""
    wall = datetime.fromtimestamp(moment, zoneinfo.ZoneInfo(zone)).replace(
        tzinfo=None, second=0, microsecond=0
    )
    began = wall
    while minutes(began.strftime("%H:%M")) != one.begins_minute:
        began -= timedelta(minutes=1)
    expected = began.weekday() in one.days and wall - began < timedelta(minutes=one.minutes)
    assert (table(zone, one).at(moment) is not None) is expected


# -- overlaps and words ---------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(entries, entries)
def test_entries_overlap_where_some_minute_of_the_week_has_both(a: Entry, b: Entry) -> None:
    both = [minute for minute in range(7 * DAY_MINUTES) if a.covers(minute) and b.covers(minute)]
    found = list(overlaps((a, b)))
    assert bool(found) is bool(both)
    for first, second, begin, end in found:
        assert (first, second) == (0, 1)
        assert set(range(begin, end)) <= set(both)


def test_entries_that_touch_do_not_overlap() -> None:
    day, night = entry(ALL, "08:00", "18:00"), entry(ALL, "18:00", "08:00")
    assert list(overlaps((day, night))) == []


@pytest.mark.parametrize(
    ("days", "text"),
    [
        (WORKDAYS, "mon-fri 08:00-18:00"),
        ((5, 6), "sat,sun 08:00-18:00"),
        (ALL, "every day 08:00-18:00"),
        ((0, 2, 4), "mon,wed,fri 08:00-18:00"),
    ],
)
def test_an_entry_in_words(days: tuple[int, ...], text: str) -> None:
    assert entry(days, "08:00", "18:00").text == text


def test_minutes_in_words() -> None:
    assert (clock(1440), week_clock(2 * DAY_MINUTES + 720)) == ("24:00", "wed 12:00")
