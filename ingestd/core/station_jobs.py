"""Notices: jobs are announced, amended and withdrawn; people assign drives and lift holds."""

from __future__ import annotations

from dataclasses import replace

from ingestd.core import custody_deeds, outcomes, station_bays, station_log
from ingestd.core.job import Job
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.limits import Limits
from ingestd.core.load_events import Amended, Lifted
from ingestd.core.load_turns import why_not
from ingestd.core.matching import contradiction, is_free
from ingestd.core.messages import (
    DriveAssigned,
    HoldLifted,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
)
from ingestd.core.model import BayName, Decision, JobId, LoadId, Outcome
from ingestd.core.outgoing import JobWithdrawalNoted, NoticeRefused
from ingestd.core.phases import Away, Load, Released, Releasing
from ingestd.core.requirements import may_be_changed
from ingestd.core.station_turn import Turn


def on_announced(turn: Turn, event: JobAnnounced) -> None:
    """A job is taken once, whatever number of times it is announced."""
    known = turn.station.jobs.get(event.job.job_id)
    if known is None or (known.job is None and known.status is not JobStatus.WITHDRAWN):
        _take(turn, known, event.job, event.offset)
    elif known.job is not None and event.job.version > known.job.version:
        _change(turn, known, known.job, event.job, event.offset)
    elif known.job is not None and event.job.version == known.job.version and event.job != known.job:
        again = (
            f"data.version: job {event.job.job_id} version {event.job.version} is known with other content"
        )
        problem = f"{again}; give it version {known.job.version + 1}"
        _refuse(turn, _name(event.job), (problem,), event.offset)


def _name(job: Job) -> str:
    return f"job {job.job_id} version {job.version}"


def on_amended(turn: Turn, event: JobAmended) -> None:
    """An amendment carries the whole job, so one that comes first is as good as the announcement."""
    on_announced(turn, JobAnnounced(at=event.at, job=event.job, offset=event.offset))


def _take(turn: Turn, record: JobRecord | None, job: Job, offset: int | None) -> None:
    """`record`: what other stations' words about this job, heard before its notice, have made of it."""
    problems = why_not_takeable(job, turn.station.limits) + _why_not_there(turn, job)
    if problems:
        _refuse(turn, _name(job), problems, offset)
        return
    if record is None:
        turn.put_job(JobRecord(job_id=job.job_id, job=job))
        return
    again = record.status is JobStatus.FAILED and job.version > record.failed_version
    heard_of = bool(record.claims or record.status is not JobStatus.PENDING)
    status = JobStatus.PENDING if again else record.status
    turn.put_job(
        replace(record, job=job, status=status) if heard_of else JobRecord(job_id=job.job_id, job=job)
    )


def why_not_takeable(job: Job, limits: Limits) -> tuple[str, ...]:
    """What in a well-formed notice this station cannot do."""
    problems = []
    store, prefix = job.destination.store, job.destination.prefix
    if store not in limits.stores:
        known = ", ".join(limits.stores) or "none"
        problems.append(f"data.destination.store: no store named {store!r} here; configured: {known}")
    if store not in limits.stores_shared and prefix != job.tenant and not prefix.startswith(job.tenant + "/"):
        problems.append(
            f"data.destination.prefix: must begin with the tenant's name, {job.tenant + '/'!r}, in store "
            f"{store!r}; set tenant_in_prefix = false for that store to allow others"
        )
    problems.extend(
        f"data.requirements.{change.requirement}: not a requirement that a job may change"
        for change in job.requirements
        if not may_be_changed(change.requirement)
    )
    return tuple(problems)


def _why_not_there(turn: Turn, job: Job) -> tuple[str, ...]:
    found = turn.station.destinations.overlapping(job.destination, apart_from=job.job_id)
    if found is None:
        return ()
    other = turn.station.jobs[found].job
    assert other is not None, "a job whose folder is in use was announced"
    prefix, others = job.destination.prefix, other.destination.prefix
    return (
        f"data.destination.prefix: {prefix!r} overlaps with {others!r} of job {found}, which may still be "
        "taken back; give each job a folder of its own, or wait for that job's end",
    )


def _change(turn: Turn, record: JobRecord, old: Job, new: Job, offset: int | None) -> None:
    problems = (
        why_not_takeable(new, turn.station.limits)
        + _why_not_changeable(turn, record, old, new)
        + _why_not_there(turn, new)
    )
    if problems:
        _refuse(turn, _name(new), problems, offset)
        return
    claims = record.claims if old.drives == new.drives else ()
    status = JobStatus.PENDING if new.version > record.failed_version else record.status
    turn.put_job(replace(record, job=new, status=status, claims=claims))
    for load in turn.station.loads_of(new.job_id):
        turn.apply(load, Amended(again=_demands(old) != _demands(new)))
        # What had been claimed for the version before may be open for this one.
        station_log.free_again(turn, new.job_id, load.drive_index)


def _demands(job: Job) -> tuple[object, ...]:
    """What a load is judged by: when it changes, the survey begins again."""
    return (job.items, job.requirements, job.proof)


def _why_not_changeable(turn: Turn, record: JobRecord, old: Job, new: Job) -> tuple[str, ...]:
    if record.status in (JobStatus.LOADED, JobStatus.WITHDRAWN):
        return (f"data.job_id: job {new.job_id} is {record.status} already; announce a new job",)
    loaded = any(claim.outcome is Outcome.LOADED for claim in record.claims)
    # Where stations share jobs, all of them must come to the same answer: by what they have heard alone.
    busy = bool(record.unsettled) if turn.shared else bool(turn.station.loads_of(new.job_id))
    begun = loaded or busy
    problems = []
    if loaded and _demands(old) != _demands(new):
        problems.append(
            "data: items, requirements and proof cannot change once a drive of the job is loaded; "
            "withdraw the job instead"
        )
    here = any(load.ledger.stored_files for load in turn.station.loads_of(new.job_id))
    stored = busy if turn.shared else here
    if stored and _checksums(old) != _checksums(new):
        problems.append(
            "data.items: checksums cannot change once files have been stored; withdraw the job instead"
        )
    if begun and old.destination != new.destination:
        problems.append("data.destination: cannot change once a load has begun; withdraw the job instead")
    if begun and old.drives != new.drives:
        problems.append("data.drives: cannot change once a load has begun; withdraw the job instead")
    return tuple(problems)


def _checksums(job: Job) -> dict[str, str]:
    return {item.name: item.sha256 for item in job.items if item.sha256 is not None}


def on_withdrawn(turn: Turn, event: JobWithdrawn) -> None:
    """Where stations share jobs, it takes effect with its place in their log: one of them puts it there,
    one with a load of the job before the others."""
    number = event.offset if event.offset is not None else turn.next_number()
    if not turn.shared:
        outcomes.withdrawal(turn, event.job_id, event.reason, number, own=True)
        return
    body = JobWithdrawalNoted(job_id=event.job_id, reason=event.reason, number=number)
    busy = bool(turn.station.loads_of(event.job_id))
    wait_s = 0.0 if busy or event.offset is None else turn.short_wait_s(event.job_id)
    turn.say_once(event.job_id, number, body, wait_s=wait_s)


def on_assigned(turn: Turn, event: DriveAssigned) -> None:
    load = _load_in(turn, event.bay, event.load_id)
    problem = load if isinstance(load, str) else _assign(turn, event, load)
    if problem is not None:
        _refuse(turn, f"assignment of {event.bay} to job {event.job_id}", (problem,))


def _assign(turn: Turn, event: DriveAssigned, load: Load) -> str | None:
    """Give the drive of a load to a job; what is in the way, if it cannot be."""
    record = turn.station.jobs.get(event.job_id)
    if load.job_id is not None:
        owned = f"data.bay: the drive in {event.bay} is that of job {load.job_id} already"
        return f"{owned}; withdraw that job to free it"
    if record is None or record.job is None:
        return f"data.job_id: no job {event.job_id} is known here; announce it first"
    free = [n for n in range(len(record.job.drives)) if is_free(record, n, turn.station.silent)]
    against = [contradiction(load.facts, record.job, n) for n in free]
    fitting = [n for n, words in zip(free, against, strict=True) if words is None]
    away = _away_for(turn, event.job_id, load)
    assigned = custody_deeds.assigned(event.by, event.job_id)
    if fitting:
        load = turn.witness(load, assigned)
        turn.take_job(load, event.job_id, fitting[0], f"assigned by {event.by}")
    elif away is not None:
        station_bays.hand_over(turn, event.bay, load, turn.witness(away, assigned))
    elif free:
        return f"data.job_id: {against[0]}; if this is its drive, have the job amended"
    else:
        return f"data.job_id: job {event.job_id} has no drive left to load; amend it to expect another"
    return None


def _away_for(turn: Turn, job_id: JobId, load: Load) -> Load | None:
    """A load of the job that waits for its drive, which this one may be for all that is known of it."""
    away = (x for x in turn.station.loads_of(job_id) if isinstance(x.state, Away))
    return next((x for x in away if not x.drive.contradicts(load.drive)), None)


def on_lifted(turn: Turn, event: HoldLifted) -> None:
    name = f"lifting the hold of {event.bay or f'load {event.load_id}'}"
    load = _load_meant(turn, event)
    if isinstance(load, str):
        _refuse(turn, name, (load,))
        return
    problem = why_not(load, event.decision)
    if problem is not None:
        _refuse(turn, name, (f"data.decision: {problem}",))
        return
    load = turn.witness(load, custody_deeds.decided(event.by, event.decision))
    if load.job_id is None and load.bay is not None and event.decision is Decision.AGAIN:
        station_bays.look_again(turn, load.bay)
    else:
        turn.apply(load, Lifted(decision=event.decision, by=event.by))


def _load_meant(turn: Turn, event: HoldLifted) -> Load | str:
    """The load in the bay that is named, or else that of the id, wherever its drive is."""
    if event.bay is not None:
        return _load_in(turn, event.bay, event.load_id)
    load = turn.station.loads.get(event.load_id) if event.load_id is not None else None
    if load is None:
        return f"data.load_id: no load {event.load_id} is known here"
    if isinstance(load.state, Releasing | Released):
        again = "pull its drive and plug it in again to begin anew"
        return f"data.load_id: load {load.load_id} is over ({load.state.outcome}); {again}"
    return load


def _load_in(turn: Turn, name: BayName, meant: LoadId | None) -> Load | str:
    """The load of the drive in a bay, as long as its outcome is open; else what is in the way."""
    bay = turn.station.bays.get(name)
    if bay is None:
        return f"data.bay: there is no drive in {name}"
    if bay.load_id is None:
        return f"data.bay: the drive in {name} is still being identified; say it again in a moment"
    if meant is not None and bay.load_id != meant:
        return f"data.load_id: the drive in {name} is another one by now; look again"
    load = turn.station.loads[bay.load_id]
    if isinstance(load.state, Releasing | Released):
        outcome = load.state.outcome
        return (
            f"data.bay: the drive in {name} is let go ({outcome}); pull it and plug it in again to begin anew"
        )
    return load


def _refuse(turn: Turn, notice: str, problems: tuple[str, ...], offset: int | None = None) -> None:
    turn.refuse(NoticeRefused(notice=notice, problems=problems), offset)
