"""What the station looks like at one moment, for people and for metrics. Reads, decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ingestd.core.model import BayName, Ledger, LoadId, Phase, Severity
from ingestd.core.phases import Away, Held, Load, Loading, Released, Releasing, Surveying
from ingestd.core.station import Station, reason_of
from ingestd.core.station_state import Bay


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
    since: float | None
    ledger: Ledger
    rate_bytes_per_second: float
    share: float | None
    """Of the bytes that all loads send at this moment, between 0 and 1."""
    seconds_left: float | None
    due_at: float | None
    outcome: str | None
    disposition: str | None
    findings_blocking: int
    findings_noted: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    station: str
    at: float
    draining: bool
    uplink_bytes_per_second: int | None
    rate_bytes_per_second: float
    jobs_pending: int
    jobs_ended: int
    loads: tuple[LoadPicture, ...]


def picture(station: Station, at: float, uplink_bytes_per_second: int | None) -> Picture:
    """The station at this moment; bays first, by name, then drives that are away."""
    total = sum(load.rate_bytes_per_second for load in station.loads.values())
    return Picture(
        station=station.limits.station,
        at=at,
        draining=station.draining,
        uplink_bytes_per_second=uplink_bytes_per_second,
        rate_bytes_per_second=total,
        jobs_pending=station.jobs_pending,
        jobs_ended=len(station.jobs) - station.jobs_pending,
        loads=tuple(_pictures(station, total)),
    )


def _pictures(station: Station, total: float) -> Iterator[LoadPicture]:
    shown: set[LoadId] = set()
    for name in sorted(station.bays):
        bay = station.bays[name]
        load = station.loads.get(bay.load_id) if bay.load_id is not None else None
        if load is None:
            yield _unknown(bay)
        else:
            shown.add(load.load_id)
            yield _of_load(station, load, total)
    for load in sorted(station.loads.values(), key=lambda x: x.started_at):
        if load.load_id not in shown and not isinstance(load.state, Released):
            yield _of_load(station, load, total)


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
    )


def _of_load(station: Station, load: Load, total: float) -> LoadPicture:
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
        since=getattr(load.state, "since", None),
        ledger=load.ledger,
        rate_bytes_per_second=rate,
        share=rate / total if total > 0 and rate > 0 else None,
        seconds_left=(load.ledger.pending_bytes - load.ledger.arrived_bytes) / rate if rate > 0 else None,
        due_at=job.due_at if job is not None else None,
        outcome=getattr(load.state, "outcome", None) if ended else None,
        disposition=job.disposition if job is not None else None,
        findings_blocking=sum(f.severity is Severity.BLOCKING for f in found),
        findings_noted=sum(f.severity is not Severity.BLOCKING for f in found),
    )


def _doing(load: Load) -> str:
    match load.state:
        case Surveying(pause=None, suspects=None):
            return "surveying"
        case Surveying(pause=None):
            return "surveying a second time"
        case Loading(pause=None, suspects=None):
            return "loading"
        case Loading(pause=None):
            return "reading files at fault again"
        case Releasing(pause=None, step=step):
            return "taking data back" if step == "take-back" else "letting go of the drive"
        case Away():
            return "away"
        case _ if getattr(load.state, "pause", None) is not None:
            return f"{load.phase}, waits to try again"
        case _:
            return str(load.phase)
