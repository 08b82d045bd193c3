"""The jobs that wait for drives: how many, how much, which are the most urgent, how many come too late.

One look over all pending jobs, of which there may be a hundred thousand: it does little for each of them,
and everything only for those that are shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from ingestd.core.job import Job
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.jobs import sum_of
from ingestd.core.line import Link
from ingestd.core.matching import is_free
from ingestd.core.schedule import Schedule
from ingestd.core.station_state import Station

AWAITED_SHOWN = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class AwaitedJob:
    """A pending job and what has not arrived of it. `begin_by`: when it has to begin at the latest, with
    the whole line to itself, to be done in time; None where nothing is due, or nothing to go by."""

    job_id: str
    drives: int
    size_bytes: int | None
    """As announced, less what has been found on the drives that are here; None where it was not."""
    due_at: float | None
    begin_by: float | None
    too_late: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AwaitedPicture:
    """All of them in figures, and the first few by due time."""

    at: float
    """When it was looked at."""
    count: int = 0
    size_bytes: int = 0
    """Of those whose size was announced."""
    unknown: int = 0
    """Those whose size was not."""
    too_late: int = 0
    """Those that could not be in time any more if their drives came now."""
    jobs: tuple[AwaitedJob, ...] = ()


class _Waiting(NamedTuple):
    due_at: float
    """Infinite where nothing is due; also what they are sorted by."""
    job_id: str
    drives: int
    size_bytes: int | None
    store: str


def awaited(station: Station, schedule: Schedule, at: float) -> AwaitedPicture:
    """What has yet to arrive at this station, or at another that takes the same notices."""
    waiting = _waiting(station)
    jobs = tuple(_shown(one, schedule, at) for one in waiting[:AWAITED_SHOWN])
    return AwaitedPicture(
        at=at,
        count=len(waiting),
        size_bytes=sum(one.size_bytes or 0 for one in waiting),
        unknown=sum(one.size_bytes is None for one in waiting),
        too_late=_too_late(waiting, schedule, at),
        jobs=jobs,
    )


def _waiting(station: Station) -> list[_Waiting]:
    found = _found_bytes(station)
    waiting = []
    for job_id in station.jobs.untouched():
        drives, size, due_at, store = station.jobs.told(job_id)
        waiting.append(_Waiting(math.inf if due_at is None else due_at, job_id, drives, size, store))
    for record in station.jobs.begun():
        job = record.job
        if job is not None and (drives := _missing(record, job)):
            size = announced_bytes(job)
            left = None if size is None else max(0, size - found.get(job.job_id, 0))
            due_at = math.inf if job.due_at is None else job.due_at
            waiting.append(_Waiting(due_at, job.job_id, drives, left, job.destination.store))
    waiting.sort()
    return waiting


def _missing(record: JobRecord, job: Job) -> int:
    """How many of a job's drives have not arrived."""
    if record.status is not JobStatus.PENDING:
        return 0
    if not record.claims:
        return len(job.drives)
    return sum(is_free(record, number) for number in range(len(job.drives)))


def _found_bytes(station: Station) -> dict[str, int]:
    """What was found on the drives that are here, by job."""
    found: dict[str, int] = {}
    for load in station.loads.values():
        if load.job_id is not None:
            found[load.job_id] = found.get(load.job_id, 0) + load.ledger.discovered_bytes
    return found


def _too_late(waiting: list[_Waiting], schedule: Schedule, at: float) -> int:
    """How many cannot be in time any more. Those due after the largest of all would be done, if it began
    now, need no closer look."""
    most = {one.store: _most(one.store, schedule) for one in waiting}
    largest = max((one.size_bytes or 0 for one in waiting), default=0)
    enough = {store: schedule.done_at(largest, rate) for store, rate in most.items()}
    return sum(
        one.due_at <= at
        or (one.due_at < enough[one.store] and _begin_by(one, schedule, most[one.store]) < at)
        for one in waiting
        if one.due_at < math.inf
    )


def _most(store: str, schedule: Schedule) -> float:
    return schedule.within.get(Link("store", store), math.inf)


def _begin_by(one: _Waiting, schedule: Schedule, most: float) -> float:
    return schedule.begin_by(one.size_bytes or 0, one.due_at, most)


def _shown(one: _Waiting, schedule: Schedule, at: float) -> AwaitedJob:
    due = one.due_at < math.inf
    begin_by = _begin_by(one, schedule, _most(one.store, schedule)) if due else math.inf
    return AwaitedJob(
        job_id=one.job_id,
        drives=one.drives,
        size_bytes=one.size_bytes,
        due_at=one.due_at if due else None,
        begin_by=begin_by if math.isfinite(begin_by) and one.size_bytes is not None else None,
        too_late=due and (one.due_at <= at or begin_by < at),
    )


def announced_bytes(job: Job) -> int | None:
    """The size of all items together; None unless each was announced with its own."""
    return sum_of(item.size_bytes for item in job.items)
