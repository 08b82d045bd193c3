"""Which pending job owns a drive, and why not.

In this order, the first that names anyone decides: the serial or WWN that a notice announced, a signed
job ticket on a volume, an unsigned one, a volume's label or UUID that a notice announced. A job whose
announced serial or WWN contradicts the drive is never a candidate, whatever a ticket or a label says. Neither
an unsigned ticket, which anybody can write, nor a label, of which there are many alike, names a job that
announced another label or UUID than the volumes have; and where only such a ticket would decide, a site may
have a person do it.

What names two jobs in one step names none: of two serial numbers, tickets or labels neither is the
better one. A signed ticket is proof of where a drive comes from, so one that says otherwise than the
notices do stops the load, and so does one that ought to be proof and is not: a person decides, and no
lesser sign is looked at. Only where the announced serial has decided already does a ticket that proves
nothing change nothing, beyond being named.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from immutables import Map

from ingestd.core import tickets
from ingestd.core.drive import DriveFacts, Ticket
from ingestd.core.groups import Groups, joined, left, members_of
from ingestd.core.identifiers import normal_serial, normal_uuid, normal_wwn
from ingestd.core.job import ExpectedDrive, Job
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus, Unsettled
from ingestd.core.model import HoldReason, JobId, Outcome, UnsignedTickets

Place = tuple[JobId, int]
"""One drive of one job."""

_Way = tuple[str, Iterable[Place]]
"""Something that may say whose a drive is, in words, and the places that it names."""

FREE_AGAIN = (Outcome.WITHDRAWN, Outcome.UNCLAIMED, Outcome.FAILED)
"""Outcomes after which the drive, or another in its place, may be loaded once more."""


@dataclass(frozen=True, slots=True)
class JobIndex:
    """Finds the jobs that announced a fact, among any number of jobs."""

    kinds: Map[str, Groups] = Map()
    """By the kind of fact, then by the fact."""

    def with_job(self, job: Job) -> JobIndex:
        kinds = self.kinds
        for drive in job.drives:
            for kind, value in tuple(_facts(drive)):
                kinds = kinds.set(kind, joined(kinds.get(kind, _NONE), value, job.job_id))
        return JobIndex(kinds)

    def without_job(self, job: Job) -> JobIndex:
        kinds = self.kinds
        for drive in job.drives:
            for kind, value in tuple(_facts(drive)):
                rest = left(kinds.get(kind, _NONE), value, job.job_id)
                kinds = kinds.set(kind, rest) if rest else kinds.delete(kind) if kind in kinds else kinds
        return JobIndex(kinds)

    def find(self, kind: str, value: str) -> Iterable[JobId]:
        return members_of(self.kinds.get(kind, _NONE).get(value))


_NONE: Groups = Map()


def _facts(drive: ExpectedDrive) -> Iterator[tuple[str, str]]:
    """What is announced of a drive, as it is compared, and of what kind."""
    for kind, value in (
        ("serial", normal_serial(drive.serial)),
        ("wwn", normal_wwn(drive.wwn)),
        ("label", drive.volume_label),
        ("uuid", normal_uuid(drive.volume_uuid)),
    ):
        if value:
            yield kind, value


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
    jobs: Mapping[JobId, JobRecord],
    index: JobIndex,
    silent: Collection[str] = (),
    *,
    at: float,
    unsigned: UnsignedTickets = UnsignedTickets.HINT,
) -> Found | NotFound:
    """The one free place in a pending job that this drive belongs to, or why there is none.

    What stations that have fallen `silent` have claimed counts as free. `at` is the time by which
    tickets are valid, `unsigned` what those are worth that are not signed.
    """
    return _Search(facts, jobs, index, silent, at, unsigned).outcome()


class _Search:
    """One try to match one drive; what was tried grows on the way."""

    def __init__(
        self,
        facts: DriveFacts,
        jobs: Mapping[JobId, JobRecord],
        index: JobIndex,
        silent: Collection[str],
        at: float,
        unsigned: UnsignedTickets,
    ) -> None:
        self._unsigned = unsigned
        self._facts, self._known, self._index, self._silent = facts, jobs, index, silent
        self._records: dict[JobId, JobRecord | None] = {}
        self._signed, self._doubts = tickets.sorted_out(facts, at)
        self._tried: list[str] = []

    def outcome(self) -> Found | NotFound:
        announced = self._decide(self._by_identity())
        if isinstance(announced, Found):
            return self._beside_tickets(announced)
        return (
            announced
            or self._by_signed_tickets()
            or self._by_unsigned_tickets()
            or self._decide(self._by_volumes())
            or self._not_found(HoldReason.NO_MATCHING_JOB, "no job is known for this drive")
        )

    # -- the ways, in their order --

    def _by_identity(self) -> Iterator[_Way]:
        serial, wwn = normal_serial(self._facts.identity.serial), normal_wwn(self._facts.identity.wwn)
        yield f"serial {serial or '(none)'}", self._announced("serial", serial)
        yield f"WWN {wwn or '(none)'}", self._announced("wwn", wwn)

    def _by_hints(self) -> Iterator[_Way]:
        for ticket in self._facts.tickets:
            if ticket.key_id is None:
                how, places = self._way_of(ticket)
                yield how, self._with_these_volumes(places)

    def _by_volumes(self) -> Iterator[_Way]:
        for volume in self._facts.volumes:
            if volume.label:
                labelled = self._with_these_volumes(self._announced("label", volume.label))
                yield f"label {volume.label} of {volume.name}", labelled
            if volume.uuid:
                found = self._announced("uuid", normal_uuid(volume.uuid))
                yield f"UUID {volume.uuid} of {volume.name}", found

    def _with_these_volumes(self, places: Iterable[Place]) -> list[Place]:
        return [place for place in sorted(places) if self._nothing_said(_other_volumes, place)]

    def _way_of(self, ticket: Ticket) -> _Way:
        record = self._record(ticket.job_id)
        drives = () if record is None or record.job is None else record.job.drives
        return tickets.in_words(ticket), [(ticket.job_id, number) for number in range(len(drives))]

    # -- signed tickets --

    def _by_signed_tickets(self) -> Found | NotFound | None:
        """What the signed tickets decide; None without any."""
        if self._doubts:
            return self._in_doubt("; ".join(self._doubts))
        for ticket in self._signed:
            record = self._record(ticket.job_id)
            if record is None or record.job is None:
                text = f"the {tickets.in_words(ticket)}, names a job that is not known here"
                return self._not_found(HoldReason.NO_MATCHING_JOB, text)
            against = tickets.against(ticket, record.job) or self._is_none_of(record.job)
            if against is not None:
                return self._in_doubt(against)
        return self._decide(map(self._way_of, self._signed))

    def _is_none_of(self, job: Job) -> str | None:
        """What says that this is no drive of a job that a signed ticket names; None when nothing does."""
        words = [contradiction(self._facts, job, number) for number in range(len(job.drives))]
        return None if None in words else f"{words[0]}, on which there is a signed job ticket for that job"

    def _beside_tickets(self, found: Found) -> Found | NotFound:
        """A match by what was announced, with what signed tickets say to it."""
        job = self._job(found.job_id)
        for ticket in self._signed:
            against = tickets.against(ticket, job)
            if against is not None:
                return self._in_doubt(f"{against}, which announced {found.by}")
        if self._doubts:
            return replace(found, by=f"{found.by} (counted for nothing: {'; '.join(self._doubts)})")
        return found

    def _in_doubt(self, text: str) -> NotFound:
        return self._not_found(HoldReason.TICKET_IN_DOUBT, text)

    # -- unsigned tickets --

    def _by_unsigned_tickets(self) -> Found | NotFound | None:
        """What the unsigned tickets decide, where the site lets them; None without any."""
        if self._unsigned is UnsignedTickets.IGNORE:
            return None
        hinted = self._decide(self._by_hints())
        if not isinstance(hinted, Found) or self._unsigned is UnsignedTickets.HINT:
            return hinted
        named = self._decide(self._by_volumes())
        if isinstance(named, Found) and named.job_id == hinted.job_id:
            return named
        return self._in_doubt(f"the {hinted.by}, is not signed, and nothing else says that it is right")

    # -- one way, and several of one rank --

    def _decide(self, ways: Iterable[_Way]) -> Found | NotFound | None:
        """What the first of these ways that names anyone decides, unless another one names another job."""
        decided: Found | NotFound | None = None
        for how, places in ways:
            result = self._look(how, places)
            if result is None:
                self._tried.append(f"{how}: no job")
            elif decided is None:
                decided = result
            elif isinstance(decided, Found) and isinstance(result, Found) and result.job_id != decided.job_id:
                words = f"{decided.job_id} by {decided.by}, {result.job_id} by {how}"
                text = f"several jobs claim this drive: {words}"
                return self._not_found(HoldReason.SEVERAL_JOBS, text, words)
        return decided

    def _look(self, how: str, places: Iterable[Place]) -> Found | NotFound | None:
        fitting = [(self._known_of(place[0]), place) for place in sorted(places) if self._fits(place)]
        free = [place for record, place in fitting if is_free(record, place[1], self._silent)]
        if len({job_id for job_id, _ in free}) == 1:
            return Found(job_id=free[0][0], drive_index=free[0][1], by=how)
        if free:
            names = ", ".join(sorted({job_id for job_id, _ in free}))
            text = f"several jobs claim this drive by {how}: {names}"
            return self._not_found(HoldReason.SEVERAL_JOBS, text, f"{how}: {names}")
        if fitting:
            text = "; ".join(_why_taken(record, number) for record, (_, number) in fitting[:3])
            elsewhere = all(_is_at_a_station(record, number) for record, (_, number) in fitting)
            reason = HoldReason.CLAIMED_ELSEWHERE if elsewhere else HoldReason.ALREADY_DONE
            return self._not_found(reason, text, f"{how}: {text}")
        return None

    def _fits(self, place: Place) -> bool:
        return self._nothing_said(contradiction, place)

    def _nothing_said(self, against_it: Callable[[DriveFacts, Job, int], str | None], place: Place) -> bool:
        against = against_it(self._facts, self._job(place[0]), place[1])
        if against is not None:
            self._tried.append(against)
        return against is None

    # -- jobs, each made into values once --

    def _announced(self, kind: str, value: str | None) -> Iterator[Place]:
        """The drives of which this was announced."""
        for job_id in self._index.find(kind, value) if value else ():
            for number, drive in enumerate(self._job(job_id).drives):
                if (kind, value) in tuple(_facts(drive)):
                    yield job_id, number

    def _job(self, job_id: JobId) -> Job:
        job = self._known_of(job_id).job
        assert job is not None, "only announced jobs are indexed"
        return job

    def _known_of(self, job_id: JobId) -> JobRecord:
        record = self._record(job_id)
        assert record is not None, "what is indexed is known"
        return record

    def _record(self, job_id: JobId) -> JobRecord | None:
        if job_id not in self._records:
            self._records[job_id] = self._known.get(job_id)
        return self._records[job_id]

    def _not_found(self, reason: HoldReason, text: str, *last: str) -> NotFound:
        return NotFound(reason=reason, text=text, tried=(*self._tried, *last))


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


def _other_volumes(facts: DriveFacts, job: Job, drive_index: int) -> str | None:
    """What says that these are not the volumes of that drive of the job, in words."""
    expected = job.drives[drive_index]
    pairs = (
        ("label", expected.volume_label, [volume.label or "" for volume in facts.volumes]),
        ("UUID", normal_uuid(expected.volume_uuid), [normal_uuid(one.uuid) or "" for one in facts.volumes]),
    )
    for name, announced, found in pairs:
        # A volume that does not tell may be the one.
        if announced and found and all(found) and not any(_may_be(announced, fact) for fact in found):
            return f"job {job.job_id} announced the {name} {announced}, its volumes have {', '.join(found)}"
    return None


def _may_be(announced: str, found: str) -> bool:
    """FAT keeps eleven characters of a label, and those in capitals (from memory)."""
    return found == announced or found.casefold() == announced[:11].rstrip().casefold()


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
