"""What becomes of a job, as the log of all its loads says it.

Theory of operation
-------------------
Where stations share jobs, all of them read one log, and every one of them comes to the same view of a
job by taking the log's records in their order: which load has which drive, which drives are loaded, and
whether the job is loaded, failed or withdrawn. What a station wants becomes a record first; it counts
once it is heard. A station that shares its jobs with nobody hears itself at once.

* `finished`: one drive's outcome. The record that completes the set of a job's drives makes the job
  loaded; the first failure makes it fail. The station whose record it is tells the order system; should
  it fall silent first, another one does so under the same event id.
* `released`: a load has let go; nothing of it will change in the store any more.
* `withdrawal`: the job is not wanted any more. What was loaded before counts, what is claimed after it
  does not. It is answered when the last load of the job, on whichever station, has let go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from ingestd.core import requirements
from ingestd.core.job import Job
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus, Unsettled
from ingestd.core.load_events import Judged, Unmatched, Withdrawn
from ingestd.core.model import HoldReason, JobId, LoadId, Outcome
from ingestd.core.outgoing import JobFailed, JobLoaded, JobWithdrawalCompleted, LoadFinished
from ingestd.core.phases import Held, Load, Released, Releasing

if TYPE_CHECKING:
    from ingestd.core.station_turn import Turn


def report_of(load: Load, state: Releasing, job: Job) -> LoadFinished:
    """What became of one drive, when that has just been decided."""
    assert load.drive_index is not None, "a load that comes to its end was matched"
    kept = state.step == "close" or (state.step == "verdict" and job.keep_on_failure)
    return LoadFinished(
        load_id=load.load_id,
        job_id=job.job_id,
        job_version=job.version,
        tenant=job.tenant,
        drive_index=load.drive_index,
        drives=len(job.drives),
        bay=load.bay,
        drive=load.drive,
        outcome=state.outcome,
        text=state.text,
        receipt=load.receipt if state.outcome is Outcome.LOADED else None,
        items=load.items,
        findings=requirements.told(load.findings),
        observations=state.observations,
        refused_by=state.refused_by,
        data_kept=kept and state.outcome is not Outcome.LOADED,
    )


def finished(turn: Turn, said: LoadFinished, station: str | None, *, own: bool) -> None:
    """The outcome of one drive has its place in the log."""
    record = turn.record_of(said.job_id)
    claim = record.claim_of(said.drive_index)
    mine = claim is None or claim.load_id == said.load_id
    if mine or (said.outcome is Outcome.LOADED and claim is not None and claim.outcome is not Outcome.LOADED):
        turn.claim(said.job_id, _ended(said, station, over=_is_over(claim, said.load_id)))
    elif claim is not None and claim.outcome is Outcome.LOADED and said.outcome is Outcome.FAILED:
        # Another load has brought this drive's data home: that this one could not says nothing of the job.
        _judge(turn, said, keep=True)
        return
    if said.data_kept:
        record = turn.station.jobs[said.job_id]
        turn.put_job(replace(record, kept=(*record.kept, said.load_id)))
    if said.outcome is Outcome.LOADED:
        _perhaps_loaded(turn, said, station, own=own)
    elif said.outcome is Outcome.FAILED:
        _failed(turn, said, own=own)


def _is_over(claim: DriveClaim | None, load_id: LoadId) -> bool:
    return claim is not None and claim.load_id == load_id and claim.over


def _ended(said: LoadFinished, station: str | None, *, over: bool) -> DriveClaim:
    return DriveClaim(
        drive_index=said.drive_index,
        load_id=said.load_id,
        station=station,
        bay=said.bay,
        surveyed=True,
        outcome=said.outcome,
        receipt=said.receipt,
        findings=said.findings if said.outcome is Outcome.LOADED else (),
        items=said.items,
        over=over,
    )


def _perhaps_loaded(turn: Turn, said: LoadFinished, station: str | None, *, own: bool) -> None:
    record = turn.station.jobs[said.job_id]
    done = {c.drive_index for c in record.claims if c.outcome is Outcome.LOADED}
    if not record.is_open_for(said.job_version) or done != set(range(said.drives)):
        return
    turn.put_job(replace(record, status=JobStatus.LOADED))
    claims = sorted(record.claims, key=lambda claim: claim.drive_index)
    turn.say_once(
        said.job_id,
        said.job_version,
        JobLoaded(
            job_id=said.job_id,
            tenant=said.tenant,
            receipts=tuple(claim.receipt for claim in claims if claim.receipt is not None),
            findings=requirements.told(tuple(finding for claim in claims for finding in claim.findings)),
        ),
        wait_s=turn.wait_s(own=own, key=said.job_id),
    )
    where = f" at {station}" if station is not None else ""
    _end_the_others(turn, said, f"the job is loaded (the last of it by load {said.load_id}{where})")


def _end_the_others(turn: Turn, said: LoadFinished, why: str) -> None:
    """The job is loaded; what still holds a place in it has no work left."""
    for load in turn.station.loads_of(said.job_id):
        if isinstance(load.state, Releasing | Released):
            turn.forget_if_over(load)
        elif isinstance(load.state, Held) and load.bay is not None:
            turn.apply(load, Unmatched(reason=HoldReason.ALREADY_DONE, text=why, tried=()))
        else:
            turn.apply(load, Withdrawn(reason=why, keep=True))


def _failed(turn: Turn, said: LoadFinished, *, own: bool) -> None:
    """One drive's failure is the job's: the others stop, and what they stored is taken back."""
    record = turn.station.jobs[said.job_id]
    amended = record.job is not None and record.job.version > said.job_version
    if record.is_open_for(said.job_version) and said.job_version > record.failed_version:
        if requirements.blocking(said.findings):
            wait_s = turn.wait_s(own=own, key=said.job_id)
            turn.say_once(said.job_id, said.job_version, job_failed(said), wait_s=wait_s)
        status = JobStatus.PENDING if amended else JobStatus.FAILED
        kept = record.unsettled if not said.data_kept else tuple(_without_loaded(record))
        turn.put_job(replace(record, status=status, failed_version=said.job_version, unsettled=kept))
    _judge(turn, said, keep=said.data_kept)
    old = {left.load_id for left in record.unsettled if left.version <= said.job_version}
    stop = Withdrawn(reason=f"another drive of the job failed ({said.load_id})", keep=said.data_kept)
    for other in turn.station.loads_of(said.job_id):
        if other.load_id != said.load_id and (other.load_id in old or not amended):
            turn.apply(other, stop)


def _without_loaded(record: JobRecord) -> Iterator[Unsettled]:
    """The unsettled loads but for those that were loaded: the job demands that their data stays."""
    loaded = {claim.load_id for claim in record.claims if claim.outcome is Outcome.LOADED}
    return (left for left in record.unsettled if left.load_id not in loaded)


def _judge(turn: Turn, said: LoadFinished, *, keep: bool) -> None:
    load = turn.station.loads.get(said.load_id)
    if load is not None and said.outcome is Outcome.FAILED:
        turn.apply(load, Judged(keep=keep))


def job_failed(said: LoadFinished) -> JobFailed:
    """What the failure of one drive means for its job."""
    worst = requirements.blocking(said.findings)
    assert worst, "a job fails for a blocking finding"
    return JobFailed(
        load_id=said.load_id,
        job_id=said.job_id,
        tenant=said.tenant,
        bay=said.bay,
        drive=said.drive,
        cause=worst[0].cause,
        text=said.text,
        findings=said.findings,
        observations=said.observations,
        refused_by=said.refused_by,
        data_kept=said.data_kept,
    )


def released(turn: Turn, job_id: JobId, load_id: LoadId, outcome: Outcome, *, own: bool) -> None:
    """A load has let go of its drive, and of what it does not leave in the store."""
    record = turn.station.jobs.get(job_id)
    if record is None:
        return
    claim = next((c for c in record.claims if c.load_id == load_id), None)
    if claim is not None and not claim.over:
        turn.claim(job_id, replace(claim, over=True, outcome=claim.outcome or outcome))
    record = turn.station.jobs[job_id]
    left = tuple(other for other in record.unsettled if other.load_id != load_id)
    if outcome is not Outcome.LOADED and left != record.unsettled:
        abandoned = (*record.abandoned, load_id) if outcome is Outcome.UNCLAIMED else record.abandoned
        turn.put_job(replace(record, unsettled=left, abandoned=abandoned))
    answer_withdrawal(turn, job_id, own=own)


def withdrawal(turn: Turn, job_id: JobId, reason: str, number: int, *, own: bool) -> None:
    """A withdrawal has its place in the log."""
    record = turn.record_of(job_id)
    if number in record.noted:
        return
    record = replace(record, noted=(*record.noted, number))
    if record.status is JobStatus.LOADED:
        turn.put_job(record)
        text = "the job is loaded already; nothing was taken back"
        say_withdrawal(turn, job_id, number, taken_back=False, text=text, own=own)
        return
    turn.put_job(replace(record, status=JobStatus.WITHDRAWN, asked=number))
    for load in turn.station.loads_of(job_id):
        turn.apply(load, Withdrawn(reason=reason))
    answer_withdrawal(turn, job_id, own=own)


def answer_withdrawal(turn: Turn, job_id: JobId, *, own: bool) -> None:
    """Say what became of a withdrawn job, unless some load of it has yet to let go."""
    record = turn.station.jobs[job_id]
    busy = [x for x in turn.station.loads_of(job_id) if not isinstance(x.state, Released)]
    if record.asked is None or record.status is not JobStatus.WITHDRAWN or record.unsettled or busy:
        return
    taken_back, text = _what_is_left(record)
    turn.put_job(replace(record, asked=None))
    say_withdrawal(turn, job_id, record.asked, taken_back=taken_back, text=text, own=own)


def say_withdrawal(turn: Turn, job_id: JobId, number: int, *, taken_back: bool, text: str, own: bool) -> None:
    body = JobWithdrawalCompleted(job_id=job_id, taken_back=taken_back, text=text)
    turn.say_once(job_id, number, body, wait_s=turn.wait_s(own=own, key=job_id))


def _what_is_left(record: JobRecord) -> tuple[bool, str]:
    """Whether what a withdrawn job had stored is gone, and in words what became of it."""
    if record.abandoned:
        names = ", ".join(record.abandoned)
        return False, f"the journal that knew load {names} is lost; remove what it stored by hand"
    if record.kept:
        return False, f"kept, as the job demanded: what load {', '.join(record.kept)} stored"
    if record.claims:
        return True, "what was stored has been taken back"
    return False, "no load had begun"


def is_left_in_store(record: JobRecord, load: Load) -> bool:
    """Whether a released load's data may yet have to be taken back, because its job comes to nothing."""
    if record.status not in (JobStatus.PENDING, JobStatus.FAILED):
        return False
    if not isinstance(load.state, Released) or load.state.outcome is not Outcome.LOADED:
        return False
    return any(left.load_id == load.load_id for left in record.unsettled)
