"""Caps by weekday and hour, as the wall clock of one time zone shows them.

An entry is in force while the wall clock is between its two times on one of its days. So where daylight
saving makes the clock skip an hour, an entry inside it has no turn on that day; where an hour comes
twice, it has two. The zone is a value that the shell hands in; the core asks it for offsets only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import combinations, pairwise

from ingestd.core.line import Cap

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MINUTES = 24 * 60
WEEK_MINUTES = 7 * DAY_MINUTES
_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the timetable. Times in minutes after midnight; one that ends no later than it begins
    goes on into the next day."""

    days: tuple[int, ...]
    """Of its beginning; 0 is Monday."""
    begins_minute: int
    ends_minute: int
    cap: Cap

    @property
    def minutes(self) -> int:
        """How long it lasts."""
        length = self.ends_minute - self.begins_minute
        return length if length > 0 else length + DAY_MINUTES

    @property
    def text(self) -> str:
        """What a person would call it: `mon-fri 08:00-18:00`."""
        return f"{_days(self.days)} {clock(self.begins_minute)}-{clock(self.ends_minute)}"

    def covers(self, minute_of_week: int) -> bool:
        return any((minute_of_week - begin) % WEEK_MINUTES < self.minutes for begin in self._begins())

    def spans(self) -> Iterator[tuple[int, int]]:
        """Its intervals in minutes of the week, those that reach into the next week cut in two."""
        for begin in self._begins():
            end = begin + self.minutes
            yield begin, min(end, WEEK_MINUTES)
            if end > WEEK_MINUTES:
                yield 0, end - WEEK_MINUTES

    def _begins(self) -> Iterator[int]:
        return (day * DAY_MINUTES + self.begins_minute for day in self.days)


@dataclass(frozen=True, slots=True)
class Timetable:
    """The entries of a week, none of which overlap, and whose wall clock counts."""

    zone: tzinfo = UTC
    zone_name: str = "UTC"
    entries: tuple[Entry, ...] = ()

    def at(self, now: float) -> Entry | None:
        """The entry in force at this moment (seconds since 1970); None between entries."""
        if not self.entries:
            return None
        local = datetime.fromtimestamp(now, self.zone)
        minute = local.weekday() * DAY_MINUTES + local.hour * 60 + local.minute
        return next((entry for entry in self.entries if entry.covers(minute)), None)

    def changes(self, now: float, days: int) -> Iterator[tuple[float, Entry | None]]:
        """When another entry comes into force, and which, in order: after `now`, for so many days."""
        before = self.at(now)
        for moment in sorted(set(self._candidates(now, days))):
            if now < moment <= now + days * _DAY_S and (entry := self.at(moment)) != before:
                yield moment, entry
                before = entry

    def _candidates(self, now: float, days: int) -> Iterator[float]:
        """Every moment at which an entry can begin or end."""
        if not self.entries:
            return
        times = {t % DAY_MINUTES for entry in self.entries for t in (entry.begins_minute, entry.ends_minute)}
        midnight = datetime.fromtimestamp(now - _DAY_S, self.zone).replace(
            hour=0, minute=0, second=0, microsecond=0
        )
        for number in range(days + 3):
            for minute in times:
                wall = midnight + timedelta(days=number, minutes=minute)
                yield wall.replace(fold=0).timestamp()
                yield wall.replace(fold=1).timestamp()
        first = int(now) - _DAY_S
        yield from self._clock_changes(first, first + (days + 2) * _DAY_S)

    def _clock_changes(self, first: int, last: int) -> Iterator[float]:
        """When the wall clock is put forward or back. Two changes within a day are not told apart."""
        for begin, end in pairwise(range(first, last + 1, _DAY_S)):
            low, high, offset = begin, end, self._offset(begin)
            if self._offset(end) == offset:
                continue
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if self._offset(middle) == offset else (low, middle)
            yield float(high)

    def _offset(self, at: int) -> timedelta | None:
        return datetime.fromtimestamp(at, self.zone).utcoffset()


def overlaps(entries: tuple[Entry, ...]) -> Iterator[tuple[int, int, int, int]]:
    """Pairs of entries that are in force at the same time: the number of each, and the minutes of the
    week from which and until which both are, for the first such time."""
    for (a, first), (b, second) in combinations(enumerate(entries), 2):
        common = [
            (max(x[0], y[0]), min(x[1], y[1]))
            for x in first.spans()
            for y in second.spans()
            if max(x[0], y[0]) < min(x[1], y[1])
        ]
        if common:
            yield a, b, *min(common)


def overlapping_days(entry: Entry) -> bool:
    """Whether an entry gets in its own way: given for a day twice."""
    return len(set(entry.days)) < len(entry.days)


def clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def week_clock(minute: int) -> str:
    """A minute of the week in words: `wed 12:00`."""
    day = minute // DAY_MINUTES % 7
    return f"{DAYS[day]} {clock(minute % DAY_MINUTES)}"


def _days(days: tuple[int, ...]) -> str:
    """Days as a person writes them: `mon-fri`, `sat,sun`, `every day`."""
    if len(days) == 7:
        return "every day"
    if len(days) > 2 and all(b == a + 1 for a, b in pairwise(days)):
        return f"{DAYS[days[0]]}-{DAYS[days[-1]]}"
    return ",".join(DAYS[day] for day in days)
