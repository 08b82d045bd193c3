"""The [uplink] section: caps, the timetable, limits of stores and bays, weights."""

from __future__ import annotations

import difflib
import zoneinfo
from collections.abc import Collection, Iterator, Mapping
from datetime import UTC
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, Field, PlainValidator

from ingestd.core import timetable
from ingestd.core.line import NO_CAP, Cap
from ingestd.core.timetable import DAYS, Entry, Timetable
from ingestd.core.uplink import WEIGHTS, Limit, UplinkSettings
from ingestd.runtime.config_section import Name, Section

UNLIMITED = "unlimited"
CLOCK = r"^([01][0-9]|2[0-3]):[0-5][0-9]$|^24:00$"
RATE_MIN = 65_536
"""Bytes per second; less could not keep a request alive."""

Clock = Annotated[str, Field(pattern=CLOCK)]
"""A time of day, HH:MM; 24:00 is the end of a day."""
Rate = Annotated[int, Field(ge=RATE_MIN)]

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
EVERY_DAY: tuple[Day, ...] = get_args(Day)
Weight = Annotated[int, Field(ge=1, le=1000)]


def _rate_or_unlimited(value: object) -> int | str:
    if isinstance(value, int) and value >= RATE_MIN:
        return value
    if value == UNLIMITED:
        return UNLIMITED
    raise ValueError(f'must be a whole number of {RATE_MIN} or more, or "{UNLIMITED}"; got {value!r}')


def _nine(weights: tuple[int, ...]) -> tuple[int, ...]:
    if len(weights) != len(WEIGHTS):
        raise ValueError("must be nine weights, for the priorities from 1 to 9")
    return weights


RateOrUnlimited = Annotated[int | str, PlainValidator(_rate_or_unlimited)]
Weights = Annotated[tuple[Weight, ...], AfterValidator(_nine)]


class TimetableSection(Section):
    """One entry: from one time of day to another, on these days, this cap."""

    days: Annotated[tuple[Day, ...], Field(min_length=1, max_length=7)] = EVERY_DAY
    begins: Clock
    ends: Clock
    rate_bytes_per_second: RateOrUnlimited
    burst_bytes: Rate | None = None

    def entry(self) -> Entry:
        days = tuple(sorted({DAYS.index(day) for day in self.days}))
        return Entry(days, _minutes(self.begins), _minutes(self.ends), self._cap())

    def _cap(self) -> Cap:
        rate = self.rate_bytes_per_second
        return Cap(rate, self.burst_bytes) if isinstance(rate, int) else NO_CAP


class UplinkSection(Section):
    """The budget of the line to storage; without a rate there is no cap."""

    rate_bytes_per_second: Rate | None = None
    burst_bytes: Rate | None = None
    time_zone: str = "UTC"
    weights: Weights = WEIGHTS
    due_guard_seconds: Annotated[float, Field(ge=0)] = 7200.0
    due_guard_factor: Annotated[float, Field(ge=1, le=100)] = 4.0
    stores: Mapping[Name, Rate] = Field(default_factory=dict)
    bays: Mapping[Name, Rate] = Field(default_factory=dict)
    timetable: tuple[TimetableSection, ...] = ()

    def settings(self) -> UplinkSettings:
        """What decisions depend on. The section has to be free of contradictions."""
        entries = tuple(section.entry() for section in self.timetable)
        zone = zoneinfo.ZoneInfo(self.time_zone) if entries else UTC
        return UplinkSettings(
            cap=Cap(self.rate_bytes_per_second, self.burst_bytes),
            timetable=Timetable(zone, self.time_zone, entries),
            stores=_limits(self.stores),
            bays=_limits(self.bays),
            weights=self.weights,
            due_guard_s=self.due_guard_seconds,
            due_guard_factor=self.due_guard_factor,
        )


def contradictions(section: UplinkSection, stores: Collection[str]) -> Iterator[str]:
    """What no single key of the section shows, each with its remedy."""
    if section.burst_bytes is not None and section.rate_bytes_per_second is None:
        yield "uplink.burst_bytes: means nothing without uplink.rate_bytes_per_second; set both or neither"
    for name in section.stores:
        if name not in stores:
            yield f"uplink.stores.{name}: is not a store; {_known(name, stores)}"
    yield from _zone_problems(section.time_zone)
    for number, entry in enumerate(section.timetable):
        yield from _entry_problems(f"uplink.timetable[{number}]", entry)
    yield from _overlaps(section)


def _zone_problems(name: str) -> Iterator[str]:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        known = zoneinfo.available_timezones()
        if known:
            yield f"uplink.time_zone: {name!r} is not a time zone; {_known(name, known)}"
        else:
            yield "uplink.time_zone: this host has no time zones; install its package tzdata"


def _known(name: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"did you mean {near[0]}?"
    return f"known: {', '.join(sorted(known))}" if len(known) < 20 else "see timedatectl list-timezones"


def _entry_problems(where: str, entry: TimetableSection) -> Iterator[str]:
    if entry.begins == "24:00":
        yield f"{where}.begins: a day begins at 00:00; name the day after instead"
    elif entry.begins == entry.ends:
        yield f"{where}.ends: is when it begins, {entry.begins}; for a whole day give 00:00 and 24:00"
    for day in sorted({day for day in entry.days if entry.days.count(day) > 1}):
        yield f"{where}.days: {day} is there twice; name it once"
    if entry.burst_bytes is not None and entry.rate_bytes_per_second == UNLIMITED:
        yield f"{where}.burst_bytes: means nothing without a limit; leave it out"


def _overlaps(section: UplinkSection) -> Iterator[str]:
    sound = [n for n, entry in enumerate(section.timetable) if not any(_entry_problems("", entry))]
    entries = tuple(section.timetable[n].entry() for n in sound)
    for a, b, begin, end in timetable.overlaps(entries):
        common = f"{timetable.week_clock(begin)} to {timetable.week_clock(end)}"
        yield (
            f"uplink.timetable[{sound[b]}]: overlaps uplink.timetable[{sound[a]}] from {common}; "
            f"change their days or times so that one of them counts"
        )


def _limits(limits: Mapping[str, int]) -> tuple[Limit, ...]:
    return tuple(Limit(name, rate) for name, rate in sorted(limits.items()))


def _minutes(clock: str) -> int:
    hours, minutes = clock.split(":")
    return int(hours) * 60 + int(minutes)
