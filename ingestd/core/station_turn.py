"""One turn of the station: what several handlers have in common."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from ingestd.core import load as life
from ingestd.core.load_events import Admitted, Context, LoadEvent, Matched, Unmatched, Withdrawn
from ingestd.core.matching import FREE_AGAIN, Found, NotFound, match
from ingestd.core.messages import Command, Progressed, Record, SaveJob, SaveLoad
from ingestd.core.model import (
    DriveClaim,
    HoldReason,
    JobId,
    JobRecord,
    JobStatus,
    LoadId,
    Outcome,
    Phase,
)
from ingestd.core.outgoing import JobLoaded, JobWithdrawalCompleted, Outgoing, Publish
from ingestd.core.phases import Held, Load, Released, Releasing, Waiting
from ingestd.core.station_state import ACTIVE, Decision, Station


@dataclass(slots=True)
class Turn:
    """One step in the making. Mutable, and gone when the step is."""

    station: Station
    at: float
    records: list[Record] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    jobs_changed: bool = False

    def decision(self) -> Decision:
        return Decision(self.station, tuple(self.records), tuple(self.commands))

    def record(self, record: Record) -> None:
        self.records.append(record)

    def do(self, command: Command) -> None:
        self.commands.append(command)

    # -- messages --

    def say_of_station(self, body: Outgoing) -> None:
        self._say(self.station.limits.station, body)

    def _say(self, subject: str, body: Outgoing) -> None:
        """A message about no load. Its number is the time in microseconds, so that no process gives one
        that another gave; within a process it rises even when the clock does not."""
        number = max(self.station.said + 1, int(self.at * 1_000_000))
        self.station = replace(self.station, said=number)
        self.record(Publish(subject=subject, number=number, at=self.at, body=body))

    def say_of_load(self, load_id: LoadId, body: Outgoing) -> None:
        load = self.station.loads[load_id]
        number = load.messages + 1
        self.record(Publish(subject=load_id, number=number, at=self.at, body=body))
        self.put_load(replace(load, messages=number))

    # -- jobs --

    def put_job(self, record: JobRecord) -> None:
        self.station = self.station.with_job(record)
        self.record(SaveJob(record=record))
        self.jobs_changed = True

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
            if result.messages or after.state is not before.state or not isinstance(event, Progressed):
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
            if claim is None or claim.outcome in FREE_AGAIN:
                return None
            other = self.station.loads.get(claim.load_id)
            if other is not None and not _surveyed(other):
                return None
            items.update(claim.items)
            items.update(other.items if other is not None else ())
        return frozenset(items)

    # -- what becomes of the job --

    def _settle(self, before: Load, after: Load) -> None:
        if isinstance(after.state, Releasing) and _outcome(after) is not _outcome(before):
            self._decided(after, after.state)
        if isinstance(after.state, Released):
            if not isinstance(before.state, Released):
                self._let_go(after)
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
        if state.step == "close" and state.outcome is not Outcome.LOADED:
            record = self.station.jobs[load.job_id]
            self.put_job(replace(record, kept=(*record.kept, load.load_id)))
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
        claims = sorted(record.claims, key=lambda claim: claim.drive_index)
        known = [self.station.loads[c.load_id] for c in claims if c.load_id in self.station.loads]
        self.put_job(replace(record, status=JobStatus.LOADED))
        self.say_of_load(
            load.load_id,
            JobLoaded(
                job_id=job.job_id,
                tenant=job.tenant,
                receipts=tuple(claim.receipt for claim in claims if claim.receipt is not None),
                findings=tuple(finding for each in known for finding in each.findings),
            ),
        )
        self._forget_siblings(load)

    def _failed(self, load: Load) -> None:
        """One drive's failure is the job's: the others stop, and what they stored is taken back."""
        assert load.job_id is not None, "a failed load has a job"
        record = self.station.jobs[load.job_id]
        if record.status is JobStatus.PENDING:
            self.put_job(replace(record, status=JobStatus.FAILED))
        keep = record.job is not None and record.job.keep_on_failure
        stop = Withdrawn(reason=f"another drive of the job failed ({load.load_id})", keep=keep)
        for other in self.station.loads_of(load.job_id):
            if other.load_id != load.load_id:
                self.apply(other, stop)

    def _let_go(self, load: Load) -> None:
        if load.job_id is None or load.drive_index is None:
            return
        claim = self.station.jobs[load.job_id].claim_of(load.drive_index)
        if claim is not None and claim.load_id == load.load_id:
            self.claim(load.job_id, replace(claim, over=True))
        self.answer_withdrawal(load.job_id)

    def answer_withdrawal(self, job_id: JobId) -> None:
        """Say what became of a withdrawn job, unless some load of it has yet to let go."""
        record = self.station.jobs[job_id]
        busy = [x for x in self.station.loads_of(job_id) if not isinstance(x.state, Released)]
        if record.status is JobStatus.WITHDRAWN and not busy:
            taken_back, text = _what_is_left(record)
            self.say_withdrawal(job_id, taken_back=taken_back, text=text)

    def say_withdrawal(self, job_id: JobId, *, taken_back: bool, text: str) -> None:
        self._say(job_id, JobWithdrawalCompleted(job_id=job_id, taken_back=taken_back, text=text))

    def _forget_if_over(self, load: Load) -> None:
        if load.load_id in self.station.loads and self.station.is_over(load):
            self.station = self.station.without_load(load.load_id)

    def _forget_siblings(self, load: Load) -> None:
        assert load.job_id is not None, "a load with siblings has a job"
        for other in self.station.loads_of(load.job_id):
            if isinstance(other.state, Released):
                self._forget_if_over(other)

    # -- matching and admission --

    def find_job(self, load: Load, unidentified: str | None = None) -> Load:
        """Look for the job of a load that has none. `unidentified` says why little is known of the
        drive; what is known may be enough, and the survey then judges it."""
        found = self._match(load)
        if isinstance(found, Found):
            return self.take_job(load, found.job_id, found.drive_index, found.by)
        reason, text = found.reason, found.text
        if unidentified is not None:
            reason, text = HoldReason.NOT_IDENTIFIED, f"the drive could not be identified: {unidentified}"
        return self.apply(load, Unmatched(reason=reason, text=text, tried=found.tried))

    def _match(self, load: Load) -> Found | NotFound:
        return match(load.facts, self.station.jobs, self.station.index)

    def take_job(self, load: Load, job_id: JobId, drive_index: int, by: str) -> Load:
        self.claim(job_id, DriveClaim(drive_index=drive_index, load_id=load.load_id, bay=load.bay))
        return self.apply(load, Matched(job_id=job_id, drive_index=drive_index, by=by))

    def find_jobs_again(self) -> None:
        """If jobs have changed, look again for the loads that wait for one, until nothing changes."""
        while self.jobs_changed:
            self.jobs_changed = False
            for load in self.station.in_order():
                if isinstance(load.state, Held) and load.job_id is None:
                    self._find_job_again(load, load.state)

    def _find_job_again(self, load: Load, state: Held) -> None:
        match state.reason:
            case HoldReason.DUPLICATE_IDENTITY:
                return  # Which of the two it is, only a person can tell.
            case HoldReason.NOT_IDENTIFIED if not isinstance(self._match(load), Found):
                return
            case _:
                self.find_job(load)

    def admit(self) -> None:
        """Let as many of the waiting loads begin as there are places."""
        if self.station.draining:
            return
        waiting = [load for load in self.station.loads.values() if isinstance(load.state, Waiting)]
        waiting.sort(key=self._urgency)
        for load in waiting[: max(0, self.places())]:
            self.apply(load, Admitted())

    def places(self) -> int:
        """How many more loads may be at work. One that pauses takes no place: it may be for long."""
        busy = sum(
            1
            for load in self.station.loads.values()
            if load.phase in ACTIVE and getattr(load.state, "pause", None) is None
        )
        return self.station.limits.loads_max - busy

    def _urgency(self, load: Load) -> tuple[float, int, float, str]:
        job = self.station.job_of(load)
        assert job is not None, "a load that waits for a place has a job"
        due = job.due_at if job.due_at is not None else float("inf")
        return (due, -job.priority, load.started_at, load.load_id)


def _outcome(load: Load) -> Outcome | None:
    return load.state.outcome if isinstance(load.state, Releasing) else None


def _what_is_left(record: JobRecord) -> tuple[bool, str]:
    """Whether what a withdrawn job had stored is gone, and in words what became of it."""
    if record.kept:
        return False, f"kept, as the job demanded: what load {', '.join(record.kept)} stored"
    if record.claims:
        return True, "what was stored has been taken back"
    return False, "no load had begun"


def _surveyed(load: Load) -> bool:
    return load.phase in (Phase.LOADING, Phase.PROVING, Phase.RELEASING, Phase.RELEASED)
