"""The station as a value, and one turn of it: what several handlers have in common."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from immutables import Map

from ingestd.core import load as life
from ingestd.core.load_events import Admitted, Context, LoadEvent, Matched, Unmatched, Withdrawn
from ingestd.core.matching import Found, JobIndex, match
from ingestd.core.messages import Command, Progressed, Record, SaveJob, SaveLoad, SaveUplink
from ingestd.core.model import (
    Attempt,
    BayName,
    DriveClaim,
    Failure,
    HoldReason,
    Job,
    JobId,
    JobRecord,
    JobStatus,
    Limits,
    LoadId,
    Outcome,
    Phase,
    Sighting,
)
from ingestd.core.outgoing import JobLoaded, JobWithdrawalCompleted, Outgoing, Publish
from ingestd.core.phases import Held, Load, Released, Releasing, Waiting

ACTIVE = (Phase.SURVEYING, Phase.LOADING, Phase.PROVING)
"""Phases that take one of the station's places."""

OPEN_TO_MATCH = (HoldReason.NO_MATCHING_JOB, HoldReason.SEVERAL_JOBS, HoldReason.ALREADY_DONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """A bay with a drive in it. `load_id` is None until the drive has been identified."""

    sighting: Sighting
    attempt: Attempt
    tries: int = 0
    failure: Failure | None = None
    load_id: LoadId | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    limits: Limits
    jobs: Map[JobId, JobRecord] = Map()
    index: JobIndex = JobIndex()
    loads: Map[LoadId, Load] = Map()
    bays: Map[BayName, Bay] = Map()
    uplink: SaveUplink | None = None
    draining: bool = False
    identifications: int = 0
    jobs_pending: int = 0

    def with_jobs(self, records: Iterable[JobRecord]) -> Station:
        station = self
        for record in records:
            station = station.with_job(record)
        return station

    def with_job(self, record: JobRecord) -> Station:
        before = self.jobs.get(record.job_id)
        index = self.index
        if before is not None and before.job is not None and before.job is not record.job:
            index = index.without_job(before.job)
        if record.job is not None and (before is None or before.job is not record.job):
            index = index.with_job(record.job)
        pending = self.jobs_pending + _pending(record) - _pending(before)
        return replace(self, jobs=self.jobs.set(record.job_id, record), index=index, jobs_pending=pending)

    def with_loads(self, loads: Iterable[Load]) -> Station:
        return replace(self, loads=self.loads.update({load.load_id: load for load in loads}))

    def with_load(self, load: Load) -> Station:
        return replace(self, loads=self.loads.set(load.load_id, load))

    def without_load(self, load_id: LoadId) -> Station:
        return replace(self, loads=self.loads.delete(load_id))

    def with_bay(self, name: BayName, bay: Bay) -> Station:
        return replace(self, bays=self.bays.set(name, bay))

    def loads_of(self, job_id: JobId) -> list[Load]:
        return [load for load in self.loads.values() if load.job_id == job_id]

    def job_of(self, load: Load) -> Job | None:
        record = self.jobs.get(load.job_id) if load.job_id is not None else None
        return record.job if record is not None else None


def _pending(record: JobRecord | None) -> int:
    return 1 if record is not None and record.status is JobStatus.PENDING else 0


@dataclass(frozen=True, slots=True)
class Decision:
    """`records` are committed in one transaction, in order; then `commands` are performed."""

    station: Station
    records: tuple[Record, ...]
    commands: tuple[Command, ...]


@dataclass(slots=True)
class Turn:
    """One step in the making. Mutable, and gone when the step is."""

    station: Station
    at: float
    records: list[Record] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    said_of_station: int = 0

    def decision(self) -> Decision:
        return Decision(self.station, tuple(self.records), tuple(self.commands))

    def record(self, record: Record) -> None:
        self.records.append(record)

    def do(self, command: Command) -> None:
        self.commands.append(command)

    # -- messages --

    def say_of_station(self, body: Outgoing) -> None:
        """A message about no load. Its number is the time in microseconds: never given twice."""
        number = int(self.at * 1_000_000) + self.said_of_station
        self.said_of_station += 1
        self.record(Publish(subject=self.station.limits.station, number=number, at=self.at, body=body))

    def say_of_load(self, load_id: LoadId, body: Outgoing) -> None:
        load = self.station.loads[load_id]
        number = load.messages + 1
        self.record(Publish(subject=load_id, number=number, at=self.at, body=body))
        self.put_load(replace(load, messages=number))

    # -- jobs --

    def put_job(self, record: JobRecord) -> None:
        self.station = self.station.with_job(record)
        self.record(SaveJob(record=record))

    def claim(self, job_id: JobId, claim: DriveClaim) -> None:
        record = self.station.jobs[job_id]
        others = tuple(c for c in record.claims if c.drive_index != claim.drive_index)
        self.put_job(replace(record, claims=(*others, claim)))

    # -- loads --

    def put_load(self, load: Load) -> None:
        self.station = self.station.with_load(load)
        self.record(SaveLoad(load=load))

    def apply(self, load: Load, event: LoadEvent) -> Load:
        """One event in the life of one load, and what the job makes of it."""
        before = load
        result = life.step(load, event, self._context(load, event))
        after = result.load
        for body in result.messages:
            number = after.messages + 1
            after = replace(after, messages=number)
            self.record(Publish(subject=after.load_id, number=number, at=self.at, body=body))
        if after is not before:
            self.station = self.station.with_load(after)
            if result.messages or not isinstance(event, Progressed):
                self.record(SaveLoad(load=after))
        self.commands.extend(result.commands)
        self._settle(before, after)
        return self.station.loads.get(load.load_id, after)

    def _context(self, load: Load, event: LoadEvent) -> Context:
        job_id = event.job_id if isinstance(event, Matched) else load.job_id
        record = self.station.jobs.get(job_id) if job_id is not None else None
        return Context(
            at=self.at,
            limits=self.station.limits,
            job=record.job if record is not None else None,
            elsewhere=self._elsewhere(load, record),
        )

    def _elsewhere(self, load: Load, record: JobRecord | None) -> frozenset[str] | None:
        """Announced items found on the other drives of the job; None while one has yet to be seen."""
        if record is None or record.job is None:
            return frozenset()
        items: set[str] = set()
        for number in range(len(record.job.drives)):
            if number == load.drive_index:
                continue
            claim = record.claim_of(number)
            other = self.station.loads.get(claim.load_id) if claim is not None else None
            if claim is None or (other is not None and not _surveyed(other)):
                return None
            items.update(claim.items)
            items.update(other.items if other is not None else ())
        return frozenset(items)

    # -- what becomes of the job --

    def _settle(self, before: Load, after: Load) -> None:
        if isinstance(after.state, Releasing) and not isinstance(before.state, Releasing):
            self._decided(after, after.state)
        if isinstance(after.state, Released):
            if not isinstance(before.state, Released):
                self._let_go(after, after.state)
            self._forget_if_over(after)

    def _decided(self, load: Load, state: Releasing) -> None:
        if load.job_id is None or load.drive_index is None:
            return
        self.claim(
            load.job_id,
            DriveClaim(
                drive_index=load.drive_index,
                load_id=load.load_id,
                bay=load.bay,
                outcome=state.outcome,
                receipt=load.receipt,
                items=load.items,
            ),
        )
        if state.outcome is Outcome.LOADED:
            self._perhaps_loaded(load)
        elif state.outcome is Outcome.FAILED:
            self._failed(load)

    def _perhaps_loaded(self, load: Load) -> None:
        assert load.job_id is not None, "a loaded load has a job"
        record = self.station.jobs[load.job_id]
        job = record.job
        assert job is not None, "a loaded job was announced"
        done = {c.drive_index for c in record.claims if c.outcome is Outcome.LOADED}
        if record.status is not JobStatus.PENDING or done != set(range(len(job.drives))):
            return
        receipts = tuple(c.receipt for c in record.claims if c.receipt is not None)
        self.put_job(replace(record, status=JobStatus.LOADED))
        self.say_of_load(
            load.load_id,
            JobLoaded(job_id=job.job_id, tenant=job.tenant, receipts=receipts, findings=load.findings),
        )
        self._forget_siblings(load)

    def _failed(self, load: Load) -> None:
        """One drive's failure is the job's; what the others stored is taken back."""
        assert load.job_id is not None, "a failed load has a job"
        record = self.station.jobs[load.job_id]
        if record.status is JobStatus.PENDING:
            self.put_job(replace(record, status=JobStatus.FAILED))
        if record.job is not None and record.job.keep_on_failure:
            return
        for other in self.station.loads_of(load.job_id):
            if other.load_id != load.load_id:
                self.apply(other, Withdrawn(reason=f"another drive of the job failed ({load.load_id})"))

    def _let_go(self, load: Load, state: Released) -> None:
        if state.outcome is Outcome.WITHDRAWN and load.job_id is not None:
            self.answer_withdrawal(load.job_id, taken_back=True, text="what was stored has been taken back")

    def answer_withdrawal(self, job_id: JobId, *, taken_back: bool, text: str) -> None:
        """Unless some load of the job has yet to let go."""
        record = self.station.jobs[job_id]
        busy = [x for x in self.station.loads_of(job_id) if not isinstance(x.state, Released)]
        if record.status is JobStatus.WITHDRAWN and not busy:
            self.say_withdrawal(job_id, taken_back=taken_back, text=text)

    def say_withdrawal(self, job_id: JobId, *, taken_back: bool, text: str) -> None:
        body = JobWithdrawalCompleted(job_id=job_id, taken_back=taken_back, text=text)
        number = int(self.at * 1_000_000)
        self.record(Publish(subject=job_id, number=number, at=self.at, body=body))

    def _forget_if_over(self, load: Load) -> None:
        record = self.station.jobs.get(load.job_id) if load.job_id is not None else None
        still_needed = record is not None and record.status is JobStatus.PENDING
        if load.bay is None and not still_needed and load.load_id in self.station.loads:
            self.station = self.station.without_load(load.load_id)

    def _forget_siblings(self, load: Load) -> None:
        assert load.job_id is not None, "a load with siblings has a job"
        for other in self.station.loads_of(load.job_id):
            if isinstance(other.state, Released):
                self._forget_if_over(other)

    # -- matching and admission --

    def find_job(self, load: Load) -> Load:
        """Look for the job of a load that has none."""
        found = match(load.facts, self.station.jobs, self.station.index)
        if isinstance(found, Found):
            return self.take_job(load, found.job_id, found.drive_index, found.by)
        return self.apply(load, Unmatched(reason=found.reason, text=found.text, tried=found.tried))

    def take_job(self, load: Load, job_id: JobId, drive_index: int, by: str) -> Load:
        self.claim(job_id, DriveClaim(drive_index=drive_index, load_id=load.load_id, bay=load.bay))
        return self.apply(load, Matched(job_id=job_id, drive_index=drive_index, by=by))

    def find_jobs_again(self) -> None:
        """Jobs have changed: look again for those that wait for one."""
        for load in list(self.station.loads.values()):
            state = load.state
            if isinstance(state, Held) and load.job_id is None and state.reason in OPEN_TO_MATCH:
                self.find_job(load)

    def admit(self) -> None:
        """Let as many of the waiting loads begin as there are places."""
        waiting = [load for load in self.station.loads.values() if self._may_begin(load)]
        if not waiting or self.station.draining:
            return
        busy = sum(1 for load in self.station.loads.values() if load.phase in ACTIVE)
        waiting.sort(key=self._urgency)
        for load in waiting[: max(0, self.station.limits.loads_max - busy)]:
            self.apply(load, Admitted())

    def _may_begin(self, load: Load) -> bool:
        return isinstance(load.state, Waiting) and load.job_id is not None and load.bay is not None

    def _urgency(self, load: Load) -> tuple[float, int, float, str]:
        job = self.station.job_of(load)
        assert job is not None, "a waiting load with a job id has a job"
        due = job.due_at if job.due_at is not None else float("inf")
        return (due, -job.priority, load.started_at, load.load_id)


def _surveyed(load: Load) -> bool:
    return load.phase in (Phase.LOADING, Phase.PROVING, Phase.RELEASING, Phase.RELEASED)
