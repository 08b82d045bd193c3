"""Which pending job owns a drive, and why not.

In this order, the first that names anyone decides: the serial or WWN that a notice announced, a job
ticket on a volume, a volume's label or UUID that a notice announced. A job whose announced serial or
WWN contradicts the drive is never a candidate, whatever a ticket or a label says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from immutables import Map

from ingestd.core.model import (
    DriveClaim,
    DriveFacts,
    ExpectedDrive,
    HoldReason,
    Job,
    JobId,
    JobRecord,
    JobStatus,
    Outcome,
    Unsettled,
)

Place = tuple[JobId, int]
"""One drive of one job."""

FREE_AGAIN = (Outcome.WITHDRAWN, Outcome.UNCLAIMED, Outcome.FAILED)
"""Outcomes after which the drive, or another in its place, may be loaded once more."""


@dataclass(frozen=True, slots=True)
class JobIndex:
    """Finds the jobs that announced a fact, among any number of jobs."""

    places: Map[tuple[str, str], tuple[Place, ...]] = Map()

    def with_job(self, job: Job) -> JobIndex:
        places = self.places
        for number, drive in enumerate(job.drives):
            # One tuple for all the keys of a drive: there may be a hundred thousand drives.
            alone = ((job.job_id, number),)
            for key in _keys(drive):
                others = places.get(key)
                places = places.set(key, alone if others is None else tuple(sorted(others + alone)))
        return JobIndex(places)

    def without_job(self, job: Job) -> JobIndex:
        places = self.places
        for drive in job.drives:
            for key in _keys(drive):
                left = tuple(place for place in places.get(key, ()) if place[0] != job.job_id)
                places = places.set(key, left) if left else _without(places, key)
        return JobIndex(places)

    def find(self, kind: str, value: str | None) -> frozenset[Place]:
        return frozenset(self.places.get((kind, value), ())) if value else frozenset()


def _without(
    places: Map[tuple[str, str], tuple[Place, ...]], key: tuple[str, str]
) -> Map[tuple[str, str], tuple[Place, ...]]:
    return places.delete(key) if key in places else places


def _keys(drive: ExpectedDrive) -> Iterator[tuple[str, str]]:
    for kind, value in (
        ("serial", normal_serial(drive.serial)),
        ("wwn", normal_wwn(drive.wwn)),
        ("label", drive.volume_label),
        ("uuid", _normal_uuid(drive.volume_uuid)),
    ):
        if value:
            yield kind, value


def normal_serial(serial: str | None) -> str | None:
    """Without the padding that some bridges add; otherwise exact."""
    return serial.strip() or None if serial else None


def normal_wwn(wwn: str | None) -> str | None:
    """Hexadecimal digits only, whichever of the usual prefixes it came with."""
    if not wwn:
        return None
    text = wwn.strip().lower()
    for prefix in ("0x", "naa.", "eui.", "wwn-0x"):
        text = text.removeprefix(prefix)
    return text.replace(" ", "").replace(":", "").replace("-", "") or None


def _normal_uuid(uuid: str | None) -> str | None:
    return uuid.strip().lower() or None if uuid else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    job_id: JobId
    drive_index: int
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotFound:
    reason: HoldReason
    text: str
    tried: tuple[str, ...]


def match(
    facts: DriveFacts,
    jobs: Map[JobId, JobRecord],
    index: JobIndex,
    silent: Collection[str] = (),
) -> Found | NotFound:
    """The one free place in a pending job that this drive belongs to, or why there is none.

    What stations that have fallen `silent` have claimed counts as free.
    """
    tried: list[str] = []
    for how, places in _ways(facts, jobs, index):
        fitting = [place for place in sorted(places) if _fits(facts, jobs, place, tried)]
        free = [place for place in fitting if is_free(jobs[place[0]], place[1], silent)]
        if len({job_id for job_id, _ in free}) == 1:
            return Found(job_id=free[0][0], drive_index=free[0][1], by=how)
        if free:
            names = ", ".join(sorted({job_id for job_id, _ in free}))
            text = f"several jobs claim this drive by {how}: {names}"
            return NotFound(reason=HoldReason.SEVERAL_JOBS, text=text, tried=(*tried, f"{how}: {names}"))
        if fitting:
            text = "; ".join(_why_taken(jobs[job_id], number) for job_id, number in fitting[:3])
            elsewhere = all(_is_at_a_station(jobs[job_id], number) for job_id, number in fitting)
            reason = HoldReason.CLAIMED_ELSEWHERE if elsewhere else HoldReason.ALREADY_DONE
            return NotFound(reason=reason, text=text, tried=(*tried, f"{how}: {text}"))
        tried.append(f"{how}: no job")
    return NotFound(
        reason=HoldReason.NO_MATCHING_JOB, text="no job is known for this drive", tried=tuple(tried)
    )


def _ways(
    facts: DriveFacts, jobs: Map[JobId, JobRecord], index: JobIndex
) -> Iterator[tuple[str, Iterable[Place]]]:
    serial, wwn = normal_serial(facts.identity.serial), normal_wwn(facts.identity.wwn)
    yield f"serial {serial or '(none)'}", index.find("serial", serial)
    yield f"WWN {wwn or '(none)'}", index.find("wwn", wwn)
    for ticket in facts.tickets:
        yield f"job ticket {ticket.job_id} on {ticket.volume}", _places_of(jobs.get(ticket.job_id))
    for volume in facts.volumes:
        if volume.label:
            yield f"label {volume.label} of {volume.name}", index.find("label", volume.label)
        if volume.uuid:
            yield f"UUID {volume.uuid} of {volume.name}", index.find("uuid", _normal_uuid(volume.uuid))


def _places_of(record: JobRecord | None) -> list[Place]:
    if record is None or record.job is None:
        return []
    return [(record.job_id, number) for number in range(len(record.job.drives))]


def _fits(facts: DriveFacts, jobs: Map[JobId, JobRecord], place: Place, tried: list[str]) -> bool:
    job = jobs[place[0]].job
    assert job is not None, "only announced jobs are indexed"
    against = contradiction(facts, job, place[1])
    if against is not None:
        tried.append(against)
    return against is None


def contradiction(facts: DriveFacts, job: Job, drive_index: int) -> str | None:
    """What says that this is not that drive of the job, in words; None when nothing does."""
    expected, identity = job.drives[drive_index], facts.identity
    pairs = (
        ("serial", normal_serial(expected.serial), normal_serial(identity.serial)),
        ("WWN", normal_wwn(expected.wwn), normal_wwn(identity.wwn)),
    )
    for name, announced, found in pairs:
        if announced and found and announced != found:
            return f"job {job.job_id} announced {name} {announced}, the drive says {found}"
    return None


def is_free(record: JobRecord, drive_index: int, silent: Collection[str] = ()) -> bool:
    """Whether this drive of a job may still be loaded: not while a load before it takes its data back."""
    if record.in_the_way() is not None:
        return False
    claim = record.claim_of(drive_index)
    free = claim is None or (claim.outcome in FREE_AGAIN and claim.over)
    if claim is not None and claim.outcome is None:
        free = claim.lapsed or claim.station in silent
    return record.status is JobStatus.PENDING and free


def _is_at_a_station(record: JobRecord, drive_index: int) -> bool:
    claim = record.claim_of(drive_index)
    open_ = claim is not None and claim.station is not None and claim.outcome is None
    return open_ and record.status is JobStatus.PENDING


def _why_taken(record: JobRecord, drive_index: int) -> str:
    if record.status is not JobStatus.PENDING:
        return f"job {record.job_id} is {record.status} already"
    left = record.in_the_way()
    if left is not None:
        return still_in_the_way(record.job_id, left)
    claim = record.claim_of(drive_index)
    assert claim is not None, "a place that is not free has a claim"
    return _claim_in_words(record.job_id, claim)


def still_in_the_way(job_id: JobId, left: Unsettled) -> str:
    where = f" of station {left.station}" if left.station is not None else ""
    return f"load {left.load_id}{where} has yet to take back what it stored for job {job_id} before it failed"


def _claim_in_words(job_id: JobId, claim: DriveClaim) -> str:
    if claim.outcome is Outcome.LOADED:
        return f"this drive of job {job_id} is loaded already (load {claim.load_id})"
    where = f" of station {claim.station}" if claim.station is not None else ""
    return f"this drive of job {job_id} is with load {claim.load_id} in {claim.bay or 'no bay'}{where}"
