"""Which jobs' folders are in use: two jobs never share one, since taking one back would take both."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from immutables import Map

from ingestd.core.model import Destination, Job, JobId, JobRecord, JobStatus

_Jobs = Map[JobId, str]
"""Each job with its prefix."""

_NOBODY: _Jobs = Map()


def in_use(record: JobRecord) -> bool:
    """Whether this job's folder is its own: its data lies there, may come, or is being taken back."""
    if record.status in (JobStatus.PENDING, JobStatus.LOADED):
        return True
    kept = record.status is JobStatus.FAILED and record.job is not None and record.job.keep_on_failure
    return kept or any(not claim.over for claim in record.claims)


@dataclass(frozen=True, slots=True)
class DestinationIndex:
    """Finds a job whose folder is, holds or lies in a given one, among any number of jobs."""

    at: Map[tuple[str, str], _Jobs] = Map()
    """Store and path of each job's folder."""
    above: Map[tuple[str, str], _Jobs] = Map()
    """Store and path of each folder on the way to it."""

    def with_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, lambda jobs: jobs.set(job.job_id, job.destination.prefix))

    def without_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, lambda jobs: jobs.delete(job.job_id))

    def _changed(self, job: Job, change: Callable[[_Jobs], _Jobs]) -> DestinationIndex:
        store, prefix = job.destination.store, job.destination.prefix
        above = self.above
        for path in _above(prefix):
            above = _put(above, (store, path), change)
        return DestinationIndex(at=_put(self.at, (store, prefix), change), above=above)

    def overlapping(self, destination: Destination, *, apart_from: JobId) -> tuple[JobId, str] | None:
        """A job whose folder overlaps with this one, and its prefix; None when the folder is free."""
        store, prefix = destination.store, destination.prefix
        groups = [self.at.get((store, path), _NOBODY) for path in (prefix, *_above(prefix))]
        groups.append(self.above.get((store, prefix), _NOBODY))
        # Only the job itself is passed over: no group is walked further than its second entry.
        return next((found for group in groups for found in group.items() if found[0] != apart_from), None)


def _above(prefix: str) -> Iterator[str]:
    parts = prefix.split("/")
    return ("/".join(parts[:count]) for count in range(1, len(parts)))


def _put(
    places: Map[tuple[str, str], _Jobs], key: tuple[str, str], change: Callable[[_Jobs], _Jobs]
) -> Map[tuple[str, str], _Jobs]:
    jobs = change(places.get(key, _NOBODY))
    if jobs:
        return places.set(key, jobs)
    return places.delete(key) if key in places else places
