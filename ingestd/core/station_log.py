"""What stations that share jobs hear of each other, and of themselves, in the log.

Every station hears the same records in the same order, and rules by them alone: neither its own clock
nor what it knows beside the log may make it see a claim differently than its neighbours do.

Of several claims to one drive of a job the first holds. It ends when its load comes to its end, when the
drive is pulled (`ingest.load.away`), or when its station falls silent: another station that has heard
nothing from there for the lease claims with the last word that it knows, and has the place if that is
the last one in the log before its claim, too. So no clock is compared with another. How long a station
has been silent, each counts by its own reports, as long as it hears them come back: neither a clock that
is put right nor a log that does not reach it makes others silent. Who had the place before and is still
at work stops.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from immutables import Map

from ingestd.core import outcomes
from ingestd.core.drive import DriveIdentity
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus, Unsettled
from ingestd.core.load_events import Freed, Outbid, ReportHeard, Unheard, Won
from ingestd.core.matching import FREE_AGAIN, still_in_the_way
from ingestd.core.messages import Heard, SaveSeen, Unsay
from ingestd.core.model import HoldReason, JobId, LoadId, Outcome, Phase
from ingestd.core.outgoing import (
    DriveReleased,
    JobFailed,
    JobLoaded,
    JobWithdrawalCompleted,
    JobWithdrawalNoted,
    LoadAway,
    LoadClaimed,
    LoadFinished,
    LoadSurveyed,
    NoticeRefused,
    StationReported,
)
from ingestd.core.phases import Held, Load, Releasing, Surveying, Waiting
from ingestd.core.station_state import is_open
from ingestd.core.station_turn import Turn

HEARD_MAX = 8192
"""Messages that any station may say: so many of the latest are known by their ids."""

_AT_WORK = (Phase.WAITING, Phase.SURVEYING, Phase.LOADING, Phase.PROVING)


def on_heard(turn: Turn, event: Heard) -> None:
    handler = _HANDLERS.get(type(event.body))
    if handler is not None:
        handler(turn, event, event.body)
    # Only now: a claim is measured by what its rival had said before it.
    _saw(turn, event.station, event.said_at)


def _is_own(turn: Turn, event: Heard) -> bool:
    return event.station == turn.station.limits.station


def _saw(turn: Turn, station: str, at: float) -> None:
    if station in turn.station.quiet:
        silent, quiet = turn.station.silent - {station}, turn.station.quiet.delete(station)
        turn.station = replace(turn.station, silent=silent, quiet=quiet)
    if at != turn.station.seen.get(station):
        turn.station = replace(turn.station, seen=turn.station.seen.set(station, at))
        turn.record(SaveSeen(station=station, at=at))


# -- claims ----------------------------------------------------------------------------------------


def _on_claimed(turn: Turn, event: Heard, said: LoadClaimed) -> None:
    record = turn.record_of(said.job_id)
    load = turn.station.loads.get(said.load_id) if _is_own(turn, event) else None
    against = _what_stands_against(turn, record, event, said)
    if against is not None:
        if load is not None and load.attempt == said.attempt and load.phase is Phase.WAITING:
            amended = record.job is not None and record.job.version > said.job_version
            turn.apply(load, Unheard() if amended else Outbid(text=against))
        return
    _take(turn, event, said)
    for other in _rivals(turn, said):
        where = f"load {said.load_id} of station {event.station} has this drive of job {said.job_id}"
        turn.apply(other, Outbid(text=f"{where}: its claim came first"))
    if load is not None:
        turn.apply(load, Won(attempt=said.attempt))


def _what_stands_against(turn: Turn, record: JobRecord, event: Heard, said: LoadClaimed) -> str | None:
    """Why a claim does not hold, in words; None when it does. By the log alone."""
    if record.status in (JobStatus.LOADED, JobStatus.WITHDRAWN):
        return f"job {said.job_id} is {record.status} already"
    if said.job_version <= record.failed_version:
        return f"job {said.job_id} version {said.job_version} has failed already"
    left = record.in_the_way()
    if left is not None:
        return still_in_the_way(said.job_id, left)
    claim = record.claim_of(said.drive_index)
    if claim is None or claim.load_id == said.load_id:
        return None
    if claim.lapsed or claim.outcome in FREE_AGAIN or _has_gone_silent(turn, claim, event, said):
        return None
    if claim.outcome is Outcome.LOADED:
        return f"this drive of job {said.job_id} is loaded already (load {claim.load_id})"
    return f"load {claim.load_id} of station {claim.station} has this drive of job {said.job_id}"


def _has_gone_silent(turn: Turn, claim: DriveClaim, event: Heard, said: LoadClaimed) -> bool:
    """Whether who claims holds the holder of a place for silent, and nothing has come from there since the
    last word that it knew. A station that claims anew what it had claimed itself, for another load, has given
    the old one up."""
    if claim.station is None or claim.outcome is not None:
        return False
    if claim.station == event.station:
        return True
    known = said.unheard_since_at
    return known is not None and known == turn.station.seen.get(claim.station)


def _take(turn: Turn, event: Heard, said: LoadClaimed) -> None:
    before = turn.record_of(said.job_id).claim_of(said.drive_index)
    claim = DriveClaim(
        drive_index=said.drive_index, load_id=said.load_id, station=event.station, bay=said.bay
    )
    if before is not None and before.load_id == said.load_id:
        claim = replace(before, lapsed=False, station=event.station, bay=said.bay)
    turn.claim(said.job_id, claim)
    turn.settle_later(
        said.job_id,
        Unsettled(load_id=said.load_id, station=event.station, version=said.job_version),
    )


def _rivals(turn: Turn, said: LoadClaimed) -> list[Load]:
    """Loads of this station that work for the place that another one has taken."""
    return [
        load
        for load in turn.station.loads_of(said.job_id)
        if load.drive_index == said.drive_index
        and load.load_id != said.load_id
        and (load.phase in _AT_WORK or load.phase in (Phase.AWAY, Phase.HELD))
    ]


def free_again(turn: Turn, job_id: JobId, drive_index: int | None) -> None:
    """Nobody has this place any more: a load that was held for it claims it."""
    for load in turn.station.loads_of(job_id):
        held = isinstance(load.state, Held) and load.state.reason is HoldReason.CLAIMED_ELSEWHERE
        if held and load.drive_index == drive_index:
            turn.apply(load, Freed())


def _on_away(turn: Turn, event: Heard, said: LoadAway) -> None:
    if said.job_id is None:
        return
    claim = _claim_of_load(turn, said.job_id, said.load_id)
    if claim is not None and claim.outcome is None:
        turn.claim(said.job_id, replace(claim, lapsed=True, custody=said.custody))
        free_again(turn, said.job_id, claim.drive_index)


def _claim_of_load(turn: Turn, job_id: JobId, load_id: LoadId) -> DriveClaim | None:
    return next((c for c in turn.record_of(job_id).claims if c.load_id == load_id), None)


def _on_surveyed(turn: Turn, event: Heard, said: LoadSurveyed) -> None:
    claim = _claim_of_load(turn, said.job_id, said.load_id)
    if claim is not None:
        turn.claim(said.job_id, replace(claim, surveyed=True, items=said.items))
    load = turn.station.loads.get(said.load_id)
    if load is not None and _is_own(turn, event):
        turn.apply(load, ReportHeard(attempt=said.attempt, complete=_is_complete(turn, load, said)))


def _is_complete(turn: Turn, load: Load, said: LoadSurveyed) -> bool:
    job, elsewhere = turn.station.job_of(load), turn.elsewhere(load)
    if job is None or elsewhere is None:
        return True
    return {item.name for item in job.items} <= elsewhere | set(said.items)


# -- ends ------------------------------------------------------------------------------------------


def _on_finished(turn: Turn, event: Heard, said: LoadFinished) -> None:
    outcomes.finished(turn, said, event.station, own=_is_own(turn, event))


def _on_released(turn: Turn, event: Heard, said: DriveReleased) -> None:
    if said.job_id is None:
        return
    claim = _claim_of_load(turn, said.job_id, said.load_id)
    was_in_the_way = turn.record_of(said.job_id).in_the_way() is not None
    outcomes.released(turn, said.job_id, said.load_id, said.outcome, own=_is_own(turn, event))
    record = turn.record_of(said.job_id)
    if was_in_the_way and record.in_the_way() is None:
        for load in turn.station.loads_of(said.job_id):
            free_again(turn, said.job_id, load.drive_index)
    elif claim is not None and said.outcome is not Outcome.LOADED:
        free_again(turn, said.job_id, claim.drive_index)


def _on_withdrawal_noted(turn: Turn, event: Heard, said: JobWithdrawalNoted) -> None:
    _remember(turn, event.event_id)
    outcomes.withdrawal(turn, said.job_id, said.reason, said.number, own=_is_own(turn, event))


def _on_withdrawal_completed(turn: Turn, event: Heard, said: JobWithdrawalCompleted) -> None:
    _remember(turn, event.event_id)
    record = turn.station.jobs.get(said.job_id)
    if record is not None and record.asked is not None and not _is_own(turn, event):
        turn.put_job(replace(record, asked=None))


def _on_loaded(turn: Turn, event: Heard, said: JobLoaded) -> None:
    """Told by itself where the log no longer reaches back to what made it so, or a record of it could not be
    read."""
    _remember(turn, event.event_id)
    record = turn.record_of(said.job_id)
    if record.status is JobStatus.PENDING:
        turn.put_job(replace(record, status=JobStatus.LOADED))


def _on_told(turn: Turn, event: Heard, said: JobFailed | NoticeRefused) -> None:
    _remember(turn, event.event_id)


def _remember(turn: Turn, event_id: str) -> None:
    """Somebody has said it: nobody else needs to."""
    station = turn.station
    heard = station.heard.set(event_id, len(station.heard))
    if len(heard) > HEARD_MAX:
        kept = sorted(heard.items(), key=lambda item: item[1])[HEARD_MAX // 2 :]
        heard = type(heard)({name: number for number, (name, _) in enumerate(kept)})
    turn.station = replace(station, heard=heard)
    if event_id in station.unsaid:
        turn.station = replace(turn.station, unsaid=station.unsaid.delete(event_id))
        turn.record(Unsay(event_id=event_id))


# -- the process -----------------------------------------------------------------------------------


def _on_reported(turn: Turn, event: Heard, said: StationReported) -> None:
    if event.event_id == turn.station.unheard_report:
        turn.station = replace(turn.station, unheard_report="")
    if event.event_id != turn.station.mark or turn.station.caught_up:
        return
    turn.station = replace(turn.station, caught_up=True)
    _disown(turn)
    for event_id, due_at in sorted(turn.station.unsaid.items(), key=lambda item: item[1]):
        if due_at <= turn.at:
            turn.say_now(event_id)


def _disown(turn: Turn) -> None:
    """Claims of this station that its journal knows nothing of are those of a journal that was lost."""
    own = turn.station.limits.station
    for record in sorted(turn.station.jobs.begun(), key=lambda record: record.job_id):
        if record.status is JobStatus.LOADED:
            continue
        for left in record.unsettled:
            if left.station == own and left.load_id not in turn.station.loads:
                turn.say(left.load_id, _disowned(record.job_id, left.load_id))


def _disowned(job_id: JobId, load_id: LoadId) -> DriveReleased:
    return DriveReleased(
        load_id=load_id,
        job_id=job_id,
        bay=None,
        drive=DriveIdentity(),
        outcome=Outcome.UNCLAIMED,
        disposition=None,
        powered_down=False,
        text="the journal that knew this load is lost: what it had stored is found by the next load of the "
        "drive; if the job is withdrawn instead, it has to be removed by hand",
    )


def say_again(turn: Turn) -> None:
    """What was said and has not been heard for as long as the lease, although what was said after it has,
    is lost: a broker's power cut can take the last moments of a stream."""
    station = turn.station
    heard_at = station.seen.get(station.limits.station, 0.0)
    for load in station.in_order():
        asked_at = _asked_at(load)
        if asked_at is None or heard_at - asked_at <= station.limits.lease_s:
            continue
        if isinstance(load.state, Releasing):
            job = station.job_of(load)
            assert job is not None, "a load that fails has a job"
            turn.put_load(replace(load, state=replace(load.state, since=turn.at)))
            turn.say_of_load(load.load_id, outcomes.report_of(load, load.state, job))
        else:
            turn.apply(load, Unheard())


def _asked_at(load: Load) -> float | None:
    """Since when a load waits to hear in the log what it has said; None when it does not."""
    match load.state:
        case Waiting(claiming=str()):
            return load.state.since
        case Surveying(reported=True) | Releasing(step="verdict"):
            return load.state.since
        case _:
            return None


def look_for_silence(turn: Turn) -> None:
    """Another while is over. Note which stations have not said a word for so long that others may go on with
    their drives."""
    station = turn.station
    if station.unheard_report:
        return
    others = [name for name, jobs in station.claimants.items() if jobs and name != station.limits.station]
    quiet = Map((name, station.quiet.get(name, 0.0) + station.limits.report_every_s) for name in others)
    silent = frozenset(name for name, seconds in quiet.items() if seconds > station.limits.lease_s)
    turn.station = replace(station, quiet=quiet, silent=silent)
    for name in sorted(silent - station.silent):
        for job_id in sorted(station.claimants[name]):
            _free_what_it_claimed(turn, job_id, name)


def _free_what_it_claimed(turn: Turn, job_id: JobId, name: str) -> None:
    for claim in turn.station.jobs[job_id].claims:
        if claim.station == name and is_open(claim):
            free_again(turn, job_id, claim.drive_index)
    turn.jobs_changed = True


_HANDLERS: Mapping[type, Callable[[Turn, Heard, Any], None]] = {
    LoadClaimed: _on_claimed,
    LoadSurveyed: _on_surveyed,
    LoadAway: _on_away,
    LoadFinished: _on_finished,
    DriveReleased: _on_released,
    JobLoaded: _on_loaded,
    JobFailed: _on_told,
    JobWithdrawalNoted: _on_withdrawal_noted,
    JobWithdrawalCompleted: _on_withdrawal_completed,
    NoticeRefused: _on_told,
    StationReported: _on_reported,
}

HEEDED = tuple(sorted(kind.TYPE for kind in _HANDLERS))  # type: ignore[attr-defined]
"""Types of the records that stations heed of each other: what the log has to carry."""
