"""Which jobs' folders are in use: two jobs never share one, since taking one back would take both."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from immutables import Map

from ingestd.core.groups import Groups, joined, left, members_of
from ingestd.core.job import Destination, Job
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.model import JobId


def in_use(record: JobRecord) -> bool:
    """Whether this job's folder is its own: its data lies there, may come, or is being taken back."""
    if record.status in (JobStatus.PENDING, JobStatus.LOADED):
        return True
    kept = record.status is JobStatus.FAILED and record.job is not None and record.job.keep_on_failure
    return kept or bool(record.unsettled) or any(not claim.over for claim in record.claims)


@dataclass(frozen=True, slots=True)
class DestinationIndex:
    """Finds a job whose folder is, holds or lies in a given one, among any number of jobs."""

    at: Map[str, Groups] = Map()
    """By store, then by the path of each job's folder."""
    above: Map[str, Groups] = Map()
    """By store, then by the path of each folder on the way to it."""

    def with_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, joined)

    def without_job(self, job: Job) -> DestinationIndex:
        return self._changed(job, left)

    def _changed(self, job: Job, change: Callable[[Groups, str, JobId], Groups]) -> DestinationIndex:
        store, prefix = job.destination.store, job.destination.prefix
        at = change(self.at.get(store, _NONE), prefix, job.job_id)
        above = self.above.get(store, _NONE)
        for path in _above(prefix):
            above = change(above, path, job.job_id)
        return DestinationIndex(at=_put(self.at, store, at), above=_put(self.above, store, above))

    def overlapping(self, destination: Destination, *, apart_from: JobId) -> JobId | None:
        """A job whose folder overlaps with this one; None when the folder is free."""
        prefix = destination.prefix
        at, above = (places.get(destination.store, _NONE) for places in (self.at, self.above))
        groups = [at.get(path) for path in (prefix, *_above(prefix))]
        groups.append(above.get(prefix))
        # Only the job itself is passed over: no group is walked further than its second member.
        return next((one for group in groups for one in members_of(group) if one != apart_from), None)


_NONE: Groups = Map()


def _above(prefix: str) -> Iterator[str]:
    at = prefix.find("/")
    while at != -1:
        yield prefix[:at]
        at = prefix.find("/", at + 1)


def _put(places: Map[str, Groups], store: str, groups: Groups) -> Map[str, Groups]:
    if groups:
        return places.set(store, groups)
    return places.delete(store) if store in places else places
