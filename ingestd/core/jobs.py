"""All jobs of a station, kept small: a hundred thousand may be pending, and hardly one is looked at.

A job that nothing has happened to yet is kept in marshalled form, a quarter of what its values take up, and
made into values when it is asked for. Equal records have equal forms. The form never leaves the process.
"""

from __future__ import annotations

import marshal
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from operator import attrgetter
from typing import NamedTuple, TypeVar, overload

from immutables import Map

from ingestd.core.job import Destination, ExpectedDrive, Item, Job, PolicyChange
from ingestd.core.job_record import JobRecord
from ingestd.core.model import Disposition, JobId, Policy, ProofLevel

T = TypeVar("T")

_PLAIN = 2
"""The last version of marshal's form in which equal values are equal bytes, whoever else refers to them."""


class Untouched(NamedTuple):
    """What is told of a pending job of which no drive has come, without making it into values."""

    drives: int
    size_bytes: int | None
    due_at: float | None
    store: str


class Jobs(Mapping[JobId, JobRecord]):
    """A mapping that never changes: `put` gives another one. Each look may make a new, equal record."""

    __slots__ = ("_kept",)

    def __init__(self, records: Iterable[JobRecord] = ()) -> None:
        self._kept: Map[JobId, JobRecord | bytes] = Map((one.job_id, _kept(one)) for one in records)

    def put(self, record: JobRecord) -> Jobs:
        """With this record in the place of the one before."""
        made = Jobs.__new__(Jobs)
        made._kept = self._kept.set(record.job_id, _kept(record))
        return made

    def begun(self) -> Iterator[JobRecord]:
        """The jobs that something has happened to, be it only that others speak of them."""
        return (kept for kept in self._kept.values() if not isinstance(kept, bytes))

    def untouched(self) -> Iterator[JobId]:
        """All others: they are pending, and each of their drives is free."""
        return (job_id for job_id, kept in self._kept.items() if isinstance(kept, bytes))

    def told(self, job_id: JobId) -> Untouched:
        """Of one of the `untouched`."""
        kept = self._kept[job_id]
        assert isinstance(kept, bytes), "nothing has happened to it"
        _, _, drives, items, store, _, _, _, due_at, *_ = marshal.loads(kept)  # noqa: S302 - it is our own
        return Untouched(len(drives), sum_of(size for _, _, size, _ in items), due_at, store)

    # -- as all mappings are --

    def __getitem__(self, job_id: JobId) -> JobRecord:
        return _record(job_id, self._kept[job_id])

    @overload
    def get(self, job_id: JobId, /) -> JobRecord | None: ...
    @overload
    def get(self, job_id: JobId, /, default: JobRecord | T) -> JobRecord | T: ...
    def get(self, job_id: JobId, /, default: T | None = None) -> JobRecord | T | None:
        kept = self._kept.get(job_id)
        return default if kept is None else _record(job_id, kept)

    def __contains__(self, job_id: object) -> bool:
        return job_id in self._kept

    def __iter__(self) -> Iterator[JobId]:
        return iter(self._kept)

    def __len__(self) -> int:
        return len(self._kept)

    def __eq__(self, other: object) -> bool:
        return self._kept == other._kept if isinstance(other, Jobs) else NotImplemented

    def __repr__(self) -> str:
        return f"Jobs({list(self.values())!r})"

    def __hash__(self) -> int:
        return hash(self._kept)


_happened = attrgetter(*(field.name for field in fields(JobRecord) if field.name not in ("job_id", "job")))
_NOTHING = _happened(JobRecord(job_id=JobId(""), job=None))
"""All that may be told of a job beside its notice, as it is before anything has happened to it."""


def sum_of(sizes: Iterable[int | None]) -> int | None:
    """Of all together; None for no size at all, or when one is not known."""
    total = None
    for size in sizes:
        if size is None:
            return None
        total = (total or 0) + size
    return total


def _kept(record: JobRecord) -> JobRecord | bytes:
    job = record.job
    fresh = job is not None and job.job_id == record.job_id and _happened(record) == _NOTHING
    return _packed(job) if job is not None and fresh else record


def _packed(job: Job) -> bytes:
    drives = tuple(
        (d.serial, d.wwn, d.volume_label, d.volume_uuid, d.size_bytes, d.interface) for d in job.drives
    )
    items = tuple((i.name, i.kind, i.size_bytes, i.sha256) for i in job.items)
    told = (
        job.version,
        job.tenant,
        drives,
        items,
        job.destination.store,
        job.destination.prefix,
        tuple((change.requirement, change.policy.value) for change in job.requirements),
        job.priority,
        job.due_at,
        job.proof.value,
        job.disposition.value,
        job.carrier_reference,
        job.keep_on_failure,
    )
    return marshal.dumps(told, _PLAIN)


def _record(job_id: JobId, kept: JobRecord | bytes) -> JobRecord:
    return JobRecord(job_id=job_id, job=_job(job_id, kept)) if isinstance(kept, bytes) else kept


def _job(job_id: JobId, packed: bytes) -> Job:
    (
        version,
        tenant,
        drives,
        items,
        store,
        prefix,
        requirements,
        priority,
        due_at,
        proof,
        disposition,
        carrier_reference,
        keep_on_failure,
    ) = marshal.loads(packed)  # noqa: S302 - it is our own
    return Job(
        job_id=job_id,
        version=version,
        tenant=tenant,
        drives=tuple(
            ExpectedDrive(
                serial=serial,
                wwn=wwn,
                volume_label=label,
                volume_uuid=uuid,
                size_bytes=size_bytes,
                interface=interface,
            )
            for serial, wwn, label, uuid, size_bytes, interface in drives
        ),
        items=tuple(
            Item(name=name, kind=kind, size_bytes=size_bytes, sha256=sha256)
            for name, kind, size_bytes, sha256 in items
        ),
        destination=Destination(store=store, prefix=prefix),
        requirements=tuple(PolicyChange(requirement=name, policy=Policy(p)) for name, p in requirements),
        priority=priority,
        due_at=due_at,
        proof=ProofLevel(proof),
        disposition=Disposition(disposition),
        carrier_reference=carrier_reference,
        keep_on_failure=keep_on_failure,
    )
