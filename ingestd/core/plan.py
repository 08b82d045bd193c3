"""How the line is to be shared at one moment: every limit, and the course of every load at work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ingestd.core import uplink
from ingestd.core.job import Job
from ingestd.core.line import NO_CAP, SITE, Cap, Course, Link
from ingestd.core.model import Phase
from ingestd.core.phases import Load
from ingestd.core.station_state import Station

SENDING = (Phase.LOADING, Phase.PROVING, Phase.RELEASING)
"""Phases in which a load has something to send: data, and the records of what became of it."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the governor goes by until the next one."""

    caps: Mapping[Link, Cap] = field(default_factory=dict)
    courses: Mapping[str, Course] = field(default_factory=dict)

    @property
    def site(self) -> Cap:
        return self.caps.get(SITE, NO_CAP)


def plan_at(station: Station, now: float) -> Plan:
    """The plan for this moment; cheap enough to be asked for many times a second."""
    settings = station.limits.uplink
    courses: dict[str, Course] = {}
    for load in station.loads.values():
        job = station.job_of(load)
        if job is not None and load.phase in SENDING:
            courses[load.load_id] = course(station, load, job, now)
    return Plan(uplink.caps(settings, station.uplink_order, now), courses)


def course(station: Station, load: Load, job: Job, now: float) -> Course:
    """How this load is to be served."""
    return Course(
        weight=uplink.weight(station.limits.uplink, job.priority, job.due_at, now),
        store=Link("store", job.destination.store),
        bay=Link("bay", load.bay) if load.bay is not None else None,
    )
