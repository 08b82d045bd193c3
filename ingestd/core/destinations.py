"""Which jobs' folders are in use: two jobs never share one, since taking one back would take both."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from immutables import Map

from ingestd.core.model import Destination, Job, JobId, JobRecord, JobStatus

_Jobs = Map[JobId, str] | tuple[JobId, str]
"""Each job with its prefix. A folder is mostly one job's alone, and there may be a hundred thousand."""

_Places = Map[tuple[str, str], _Jobs]


def in_use(record: JobRecord) -> bool:
    """Whether this job's folder is its own: its data lies there, may come, or is being taken back."""
    if record.status in (JobStatus.PENDING, JobStatus.LOADED):
        return True
    kept = record.status is JobStatus.FAILED and record.job is not None and record.job.keep_on_failure
    return kept or bool(record.unsettled) or any(not claim.over for claim in record.claims)


@dataclass(frozen=True, slots=True)
class DestinationIndex:
    """Finds a job whose folder is, holds or lies in a given one, among any number of jobs."""

    at: _Places = Map()
    """Store and path of each job's folder."""
    above: _Places = Map()
    """Store and path of each folder on the way to it."""

    def with_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, _with)

    def without_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, _without)

    def _changed(self, job: Job, change: Callable[[_Jobs | None, Job], _Jobs | None]) -> DestinationIndex:
        store, prefix = job.destination.store, job.destination.prefix
        above = self.above
        for path in _above(prefix):
            above = _put(above, (store, path), change(above.get((store, path)), job))
        at = _put(self.at, (store, prefix), change(self.at.get((store, prefix)), job))
        return DestinationIndex(at=at, above=above)

    def overlapping(self, destination: Destination, *, apart_from: JobId) -> tuple[JobId, str] | None:
        """A job whose folder overlaps with this one, and its prefix; None when the folder is free."""
        store, prefix = destination.store, destination.prefix
        groups = [self.at.get((store, path)) for path in (prefix, *_above(prefix))]
        groups.append(self.above.get((store, prefix)))
        # Only the job itself is passed over: no group is walked further than its second entry.
        found = (entry for group in groups if group is not None for entry in _entries(group))
        return next((entry for entry in found if entry[0] != apart_from), None)


def _above(prefix: str) -> Iterator[str]:
    parts = prefix.split("/")
    return ("/".join(parts[:count]) for count in range(1, len(parts)))


def _entries(jobs: _Jobs) -> Iterable[tuple[JobId, str]]:
    return (jobs,) if isinstance(jobs, tuple) else jobs.items()


def _with(jobs: _Jobs | None, job: Job) -> _Jobs:
    entry = (job.job_id, job.destination.prefix)
    if jobs is None or (isinstance(jobs, tuple) and jobs[0] == job.job_id):
        return entry
    known = Map([jobs]) if isinstance(jobs, tuple) else jobs
    return known.set(*entry)


def _without(jobs: _Jobs | None, job: Job) -> _Jobs | None:
    if jobs is None or isinstance(jobs, tuple):
        return None
    left = jobs.delete(job.job_id)
    return left if len(left) > 1 else next(iter(left.items()))


def _put(places: _Places, key: tuple[str, str], jobs: _Jobs | None) -> _Places:
    if jobs is not None:
        return places.set(key, jobs)
    return places.delete(key) if key in places else places
