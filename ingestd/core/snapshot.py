"""What the station looks like at one moment, for people and for metrics. Reads, decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice

from ingestd.core import uplink
from ingestd.core.awaited import AwaitedPicture, announced_bytes, awaited
from ingestd.core.drive import DriveFacts, Sighting
from ingestd.core.found import Ledger
from ingestd.core.job_record import JobRecord
from ingestd.core.line import Link
from ingestd.core.matching import is_free
from ingestd.core.model import BayName, LoadId, Phase, Severity
from ingestd.core.names import counted, natural
from ingestd.core.phases import Away, Held, Load, Loading, Released, Releasing, Surveying, Waiting
from ingestd.core.schedule import Schedule, Step
from ingestd.core.station import Station, reason_of
from ingestd.core.station_state import Bay
from ingestd.core.uplink import AHEAD_DAYS, Limit, Source, UplinkOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPicture:
    """One drive, in a bay or away. Rates in bytes per second, times in seconds since 1970."""

    bay: BayName | None
    drive: str
    model: str | None
    drive_bytes: int | None
    interface: str
    load_id: LoadId | None
    job_id: str | None
    tenant: str | None
    phase: Phase
    doing: str
    """The step within the phase, in words."""
    reason: str
    """Why it waits or stopped; empty while it moves on."""
    waits: str
    """Why it waits, as a code: of a hold, of a failure that is tried again, of one of `WAITS`; empty while
    it moves on."""
    hold: str | None
    """The code of the reason for which it is held."""
    tried: tuple[str, ...]
    """How a job was looked for, when none was found."""
    last_bay: BayName | None
    """Where it was before it was unplugged."""
    since: float | None
    ledger: Ledger
    rate_bytes_per_second: float
    share: float | None
    """Of the uplink's cap, or without one of what all loads send, between 0 and 1."""
    seconds_left: float | None
    due_at: float | None
    outcome: str | None
    disposition: str | None
    findings_blocking: int
    findings_noted: int
    facts: DriveFacts
    """Of the drive; what the watch knows of it while it has yet to be identified."""
    store: str | None
    weight: float
    """By the priority of its job; what it has of the line is in proportion to it."""
    announced_bytes: int | None
    """Of its job; None where that has several drives, or sizes were not announced."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CapPicture:
    """The site's cap from a moment on, and whose word it is."""

    at: float
    rate_bytes_per_second: int | None
    burst_bytes: int | None
    source: Source
    entry: str
    """Of the timetable; empty where it comes from elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkPicture:
    """What the line may be used for, now and later."""

    cap: CapPicture
    until: float | None
    """When what a message has set ends by itself; None for never, or where no message is in force."""
    ordered: bool
    """Whether a message is in force."""
    stores: tuple[Limit, ...]
    bays: tuple[Limit, ...]
    changes: tuple[CapPicture, ...]
    """By themselves, the next few, in order."""
    due_guard_s: float
    """How long before its due time a job weighs more; 0 is never."""
    due_guard_factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    station: str
    at: float
    draining: bool
    uplink_bytes_per_second: int | None
    uplink: UplinkPicture
    rate_bytes_per_second: float
    loads_max: int
    jobs_pending: int
    jobs_ended: int
    jobs_waiting: tuple[str, ...]
    """Pending jobs without a drive yet, with what they announced: the first few, by name."""
    awaited: AwaitedPicture
    loads: tuple[LoadPicture, ...]


WAITS = ("identify", "place", "claim", "job", "log", "drive")
"""What a load waits for where nothing is wrong: that its drive is identified, a place among the running
loads, its claim or its verdict to be heard in the log, a job, its drive to be plugged in again."""

JOBS_SHOWN = 20
_JOBS_SORTED_MAX = 2_000
"""Of more pending jobs than these any twenty are as good; sorting them all would hold up the loop."""


CHANGES_SHOWN = 64


def picture(station: Station, at: float, known: AwaitedPicture | None = None) -> Picture:
    """The station at this moment; bays first, by name, then drives that are away.

    `known` spares a look over all pending jobs, where there are too many for that every time.
    """
    line = _uplink(station, at)
    uplink_bytes_per_second = line.cap.rate_bytes_per_second
    total = sum(load.rate_bytes_per_second for load in station.loads.values())
    return Picture(
        station=station.limits.station,
        at=at,
        draining=station.draining,
        uplink_bytes_per_second=uplink_bytes_per_second,
        uplink=line,
        rate_bytes_per_second=total,
        loads_max=station.limits.loads_max,
        jobs_pending=station.jobs_pending,
        jobs_ended=len(station.jobs) - station.jobs_pending,
        jobs_waiting=_jobs_waiting(station),
        awaited=awaited(station, schedule_of(line, at), at) if known is None else known,
        loads=tuple(_pictures(station, uplink_bytes_per_second or total)),
    )


def _uplink(station: Station, at: float) -> UplinkPicture:
    settings, order = station.limits.uplink, station.uplink_order
    ordered = order is not None and order.in_force(at) and order != UplinkOrder()
    limits = {link: cap.rate_bytes_per_second for link, cap in uplink.caps(settings, order, at).items()}
    return UplinkPicture(
        cap=_cap(at, uplink.in_force(settings, order, at)),
        until=order.until if ordered and order is not None else None,
        ordered=ordered,
        stores=tuple(Limit(link.name, rate) for link, rate in limits.items() if link.kind == "store"),
        bays=tuple(Limit(link.name, rate) for link, rate in limits.items() if link.kind == "bay"),
        changes=tuple(
            _cap(moment, then) for moment, then in islice(uplink.changes(settings, order, at), CHANGES_SHOWN)
        ),
        due_guard_s=settings.due_guard_s,
        due_guard_factor=settings.due_guard_factor,
    )


def schedule_of(line: UplinkPicture, at: float) -> Schedule:
    """What the line carries in the days to come."""
    steps: list[Step] = [(at, line.cap.rate_bytes_per_second)]
    steps += [(change.at, change.rate_bytes_per_second) for change in line.changes]
    all_shown = len(line.changes) < CHANGES_SHOWN
    until = at + AHEAD_DAYS * 86_400.0 if all_shown else steps[-1][0]
    limits = [(Link("store", x.name), x) for x in line.stores] + [(Link("bay", x.name), x) for x in line.bays]
    within = {link: float(x.rate_bytes_per_second) for link, x in limits if x.rate_bytes_per_second}
    return Schedule(tuple(steps), until, within)


def _cap(at: float, found: uplink.InForce) -> CapPicture:
    return CapPicture(
        at=at,
        rate_bytes_per_second=found.cap.rate_bytes_per_second,
        burst_bytes=found.cap.burst if found.cap.rate_bytes_per_second is not None else None,
        source=found.source,
        entry=found.entry,
    )


def _jobs_waiting(station: Station) -> tuple[str, ...]:
    if not any(isinstance(load.state, Held) and load.job_id is None for load in station.loads.values()):
        return ()
    begun = (record.job_id for record in station.jobs.begun() if record.job and is_free(record, 0))
    some = sorted(islice(chain(begun, station.jobs.untouched()), _JOBS_SORTED_MAX))
    return tuple(_announced(station.jobs[job_id]) for job_id in some[:JOBS_SHOWN])


def _announced(record: JobRecord) -> str:
    assert record.job is not None, "only announced jobs wait"
    drives = (d.serial or d.wwn or d.volume_label or d.volume_uuid or "" for d in record.job.drives)
    return f"{record.job_id} ({', '.join(drives)})"


def _pictures(station: Station, line: float) -> Iterator[LoadPicture]:
    shown: set[LoadId] = set()
    for name in sorted(station.bays, key=natural):
        bay = station.bays[name]
        load = station.loads.get(bay.load_id) if bay.load_id is not None else None
        if load is None:
            yield _unknown(bay)
        else:
            shown.add(load.load_id)
            yield _of_load(station, load, line)
    for load in sorted(station.loads.values(), key=lambda x: x.started_at):
        if load.load_id not in shown and not isinstance(load.state, Released):
            yield _of_load(station, load, line)


def known_by_sight(sighting: Sighting) -> DriveFacts:
    """What a watch knows of a drive that nobody has opened."""
    return DriveFacts(
        identity=sighting.identity,
        interface=sighting.interface,
        link=sighting.link,
        rotational=sighting.rotational,
    )


def _unknown(bay: Bay) -> LoadPicture:
    sighting = bay.sighting
    reason = f"{bay.failure.kind}: {bay.failure.text}" if bay.failure is not None else ""
    return LoadPicture(
        bay=sighting.bay,
        drive=sighting.identity.label,
        model=sighting.identity.model,
        drive_bytes=sighting.identity.size_bytes,
        interface=sighting.interface,
        load_id=None,
        job_id=None,
        tenant=None,
        phase=Phase.WAITING,
        doing="identifying",
        reason=reason,
        waits=str(bay.failure.kind) if bay.failure is not None else "identify",
        hold=None,
        tried=(),
        last_bay=None,
        since=None,
        ledger=Ledger(),
        rate_bytes_per_second=0.0,
        share=None,
        seconds_left=None,
        due_at=None,
        outcome=None,
        disposition=None,
        findings_blocking=0,
        findings_noted=0,
        facts=known_by_sight(sighting),
        store=None,
        weight=1.0,
        announced_bytes=None,
    )


def _of_load(station: Station, load: Load, line: float) -> LoadPicture:
    job = station.job_of(load)
    rate = load.rate_bytes_per_second
    ended = isinstance(load.state, Releasing | Released)
    held = load.state.findings if isinstance(load.state, Held) else ()
    found = (*load.findings, *held)
    return LoadPicture(
        bay=load.bay,
        drive=load.drive.label,
        model=load.drive.model,
        drive_bytes=load.drive.size_bytes,
        interface=load.facts.interface,
        load_id=load.load_id,
        job_id=load.job_id,
        tenant=job.tenant if job is not None else None,
        phase=load.phase,
        doing=_doing(load),
        reason=reason_of(load),
        waits=_waits(load),
        hold=load.state.reason if isinstance(load.state, Held) else None,
        tried=load.state.tried if isinstance(load.state, Held) else (),
        last_bay=load.last_bay,
        since=getattr(load.state, "since", None),
        ledger=load.ledger,
        rate_bytes_per_second=rate,
        share=min(1.0, rate / line) if line > 0 and rate > 0 else None,
        seconds_left=(load.ledger.pending_bytes - load.ledger.arrived_bytes) / rate if rate > 0 else None,
        due_at=job.due_at if job is not None else None,
        outcome=getattr(load.state, "outcome", None) if ended else None,
        disposition=job.disposition if job is not None else None,
        findings_blocking=sum(f.severity is Severity.BLOCKING for f in found),
        findings_noted=sum(f.severity is not Severity.BLOCKING for f in found),
        facts=load.facts,
        store=job.destination.store if job is not None else None,
        weight=uplink.weight(station.limits.uplink, job.priority, None, 0.0) if job is not None else 1.0,
        announced_bytes=announced_bytes(job) if job is not None and len(job.drives) == 1 else None,
    )


def _waits(load: Load) -> str:
    state = load.state
    pause = getattr(state, "pause", None)
    if pause is not None:
        return str(pause.failure.kind)
    match state:
        case Held(reason=reason):
            return str(reason)
        case Waiting(claiming=str()):
            return "claim"
        case Waiting():
            return "job" if load.job_id is None else "place"
        case Surveying(reported=True) | Releasing(step="verdict"):
            return "log"
        case Away():
            return "drive"
        case _:
            return ""


_RELEASING = {
    "verdict": "waits for its failure to be heard",
    "take-back": "taking data back",
    "close": "letting go of the drive",
}


def _doing(load: Load) -> str:
    match load.state:
        case Surveying(reported=True):
            return "surveyed, waits for its report to be heard"
        case Surveying(pause=None, suspects=None):
            return "surveying"
        case Surveying(pause=None):
            return "surveying a second time"
        case Loading(pause=None, suspects=None):
            return "loading"
        case Loading(pause=None):
            return "reading files at fault again"
        case Releasing(pause=None, step=step):
            return _RELEASING[step]
        case Away():
            return "away"
        case Releasing(step=step, tries=tries):
            times = counted(tries, "time", "times")
            return f"{_RELEASING[step]}, tried {times} in vain and tried again until it works"
        case _ if getattr(load.state, "pause", None) is not None:
            return f"{load.phase}, waits to try again"
        case _:
            return str(load.phase)
