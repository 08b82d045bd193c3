"""What the line to storage may be used for at any moment, and who has decided it.

Three voices, the last one that speaks counts: the configured cap, the entry of the timetable that is in
force, and a message. What a message sets stays in force, whatever the timetable does meanwhile, until
the time that it names, until the next message, or until the configuration of the uplink changes;
whatever it leaves out is as configured. Then the entry that is in force by then counts.

Nothing here is remembered: each function says from the settings, the message and the time how it is, so
that a clock that was put right is right at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from ingestd.core.line import NO_CAP, SITE, Cap, Link
from ingestd.core.timetable import Timetable

Source = Literal["configuration", "timetable", "message"]

WEIGHTS = (1, 2, 3, 4, 5, 6, 7, 8, 9)
"""By priority, from 1 to 9."""
AHEAD_DAYS = 15
"""How far ahead changes are looked for: every entry of a week has its turn in it, also in the week in
which the clock skips an hour."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The limit of one store or bay in bytes per second; None lifts it."""

    name: str
    rate_bytes_per_second: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkSettings:
    """The uplink as configured."""

    cap: Cap = NO_CAP
    """Between the entries of the timetable."""
    timetable: Timetable = Timetable()
    stores: tuple[Limit, ...] = ()
    bays: tuple[Limit, ...] = ()
    weights: tuple[int, ...] = WEIGHTS
    due_guard_s: float = 0.0
    """How long before its due time a job weighs more; 0 is never."""
    due_guard_factor: float = 1.0

    @property
    def in_words(self) -> tuple[str, ...]:
        """All of it but the cap, for telling whether it has changed; empty when all is as by default."""
        table = self.timetable
        return (
            *(f"{table.zone_name} {entry.text} {entry.cap}" for entry in table.entries),
            *(f"store {limit.name} {limit.rate_bytes_per_second}" for limit in self.stores),
            *(f"bay {limit.name} {limit.rate_bytes_per_second}" for limit in self.bays),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkOrder:
    """What a message says about the uplink. It replaces the message before it."""

    cap: Cap | None = None
    """None: the cap is as configured."""
    stores: tuple[Limit, ...] = ()
    bays: tuple[Limit, ...] = ()
    until: float | None = None

    def in_force(self, now: float) -> bool:
        return self.until is None or now < self.until


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """The site's cap at one moment, and where it comes from."""

    cap: Cap
    source: Source
    entry: str = ""
    """The entry of the timetable, as a person would call it."""


def in_force(settings: UplinkSettings, order: UplinkOrder | None, now: float) -> InForce:
    """Which cap the site's line has."""
    if order is not None and order.cap is not None and order.in_force(now):
        return InForce(cap=order.cap, source="message")
    entry = settings.timetable.at(now)
    if entry is not None:
        name = f"{entry.text} {settings.timetable.zone_name}"
        return InForce(cap=entry.cap, source="timetable", entry=name)
    return InForce(cap=settings.cap, source="configuration")


def changes(
    settings: UplinkSettings, order: UplinkOrder | None, now: float, days: int = AHEAD_DAYS
) -> Iterator[tuple[float, InForce]]:
    """When the site's cap changes by itself after `now`, and to what, in order."""
    set_by_message = order is not None and order.cap is not None and order.in_force(now)
    begin = now
    if order is not None and set_by_message:
        if order.until is None:
            return
        begin = order.until
        yield begin, in_force(settings, None, begin)
    for moment, _ in settings.timetable.changes(begin, days):
        yield moment, in_force(settings, None, moment)


def caps(settings: UplinkSettings, order: UplinkOrder | None, now: float) -> dict[Link, Cap]:
    """Every limit that is in force: the site's, and those of stores and bays."""
    said = order if order is not None and order.in_force(now) else UplinkOrder()
    found = {SITE: in_force(settings, said, now).cap}
    for kind, limits in (
        ("store", (*settings.stores, *said.stores)),
        ("bay", (*settings.bays, *said.bays)),
    ):
        found |= {Link(kind, limit.name): Cap(limit.rate_bytes_per_second) for limit in limits}
    return {link: cap for link, cap in found.items() if cap.rate_bytes_per_second is not None}


def weight(settings: UplinkSettings, priority: int, due_at: float | None, now: float) -> float:
    """How much the load of a job weighs: by its priority, and more once its due time is near or past."""
    plain = float(settings.weights[priority - 1])
    if due_at is not None and settings.due_guard_s and now >= due_at - settings.due_guard_s:
        return plain * settings.due_guard_factor
    return plain


__all__ = ["InForce", "Limit", "UplinkOrder", "UplinkSettings", "caps", "changes", "in_force", "weight"]
