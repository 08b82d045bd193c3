"""All loads and jobs of one station.

Theory of operation
-------------------
`step` takes the station as it is and one event, and gives a `Decision`: the station afterwards, the
records to commit (changed jobs and loads, messages to publish) and the commands to perform once they
are committed. It routes what concerns one load to `load.step` and looks after what concerns several:

* A drive that appears in a bay is identified first. If it is the drive of a load that is away, that
  load goes on; else a new load begins, and a job is looked for. A load without a job is held, and
  looked at again whenever a job is announced, amended or ends. A drive whose identity another one has
  that is plugged in as well is held until a person says which of them it is.
* At most `Limits.loads_max` loads are surveyed, loaded or proved at once; the others wait, those with
  the nearest due time first, then by priority, then by arrival.
* A job is loaded when each of its drives is; the load that completes the set says so. When one fails,
  the job has failed, its other loads stop, and what they stored is taken back unless it is to be kept.
* A withdrawal stops every load of its job and is answered when the last of them has let go.
* Where stations share jobs, what becomes of a job follows from the log that all of them hear, in its
  order (`station_log.py`, `outcomes.py`): a drive is claimed before it is loaded.
* No two jobs have overlapping folders while one of them may still be taken back, and the place of a
  drive in its job is not given to another while its load still takes data back.
* After a restart every load is told so; the bays are identified anew and drives find their loads again.

A load that was released stays known while its drive is in the bay, or what it stored may yet have to be
taken back because the rest of its job comes to nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from immutables import Map

from ingestd.core import station_bays, station_jobs, station_log
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.limits import Limits
from ingestd.core.load_events import Expired, Restarted, TimeUp, Unplugged
from ingestd.core.messages import (
    Cancel,
    Closed,
    DriveAppeared,
    DriveAssigned,
    DriveGone,
    EffectCancelled,
    EffectFailed,
    Event,
    Heard,
    HoldLifted,
    Identified,
    IdentifyFailed,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    LimitsChanged,
    LoadReport,
    NoticeMalformed,
    Progressed,
    ProofFailed,
    Proved,
    Rechecked,
    SaveUplink,
    StartTimer,
    StationStarted,
    StopRequested,
    Surveyed,
    TakenBack,
    Timer,
    TimerFired,
    Transferred,
    UplinkSet,
)
from ingestd.core.model import Attempt, BayName, LoadId, Phase, Severity
from ingestd.core.outgoing import BayReport, NoticeRefused, StationReported
from ingestd.core.phases import Away, Held, Load, Loading, Proving, Released, Releasing, Surveying
from ingestd.core.station_state import ACTIVE, Decision, Station
from ingestd.core.station_turn import Turn
from ingestd.core.uplink import UplinkOrder

_NOTHING: Mapping[str, float] = Map()

PLACE_AGAIN_S = 5.0
"""After this long a load that wants to try again, and found no place, asks once more."""


def empty(limits: Limits) -> Station:
    """A station that knows nothing yet."""
    return Station(limits=limits)


def restored(
    limits: Limits,
    jobs: Iterable[JobRecord],
    loads: tuple[Load, ...],
    uplink: SaveUplink | None,
    unsaid: Mapping[str, float] = _NOTHING,
    seen: Mapping[str, float] = _NOTHING,
) -> Station:
    """A station as the journal remembers it, before `StationStarted`.

    `loads` are all those that were saved; the ones that are over (`Station.is_over`) may be left out.
    `unsaid` are the messages that wait, by id, and until when; `seen` the last word of each station.
    """
    if uplink is not None and not uplink.outlives(limits.uplink):
        uplink = SaveUplink.of(UplinkOrder(), limits.uplink)
    station = Station(limits=limits, uplink=uplink, unsaid=Map(unsaid), seen=Map(seen)).with_jobs(jobs)
    return station.with_loads(load for load in loads if not station.is_over(load))


def step(station: Station, event: Event) -> Decision:
    """What follows from one event. Deterministic; never raises for anything that can happen."""
    turn = Turn(station, event.at)
    _HANDLERS[type(event)](turn, event)
    turn.find_jobs_again()
    turn.admit()
    return turn.decision()


# -- the process -----------------------------------------------------------------------------------


def _on_started(turn: Turn, event: StationStarted) -> None:
    turn.station = replace(turn.station, surroundings=event.surroundings)
    if turn.station.uplink is not None:
        # What has ended meanwhile must not be in force again when the configuration is changed back.
        turn.record(turn.station.uplink)
    for event_id, due_at in turn.station.unsaid.items():
        turn.start_word_timer(event_id, due_at)
    for load in turn.station.in_order():
        turn.apply(load, Restarted())
    plugged = {sighting.bay for sighting in event.sightings}
    for load in turn.station.in_order():
        if load.bay is not None and load.bay not in plugged:
            turn.apply(load, Unplugged())
    for sighting in event.sightings:
        station_bays.see(turn, sighting)
    if turn.shared:
        mark = turn.say_of_station(_report(turn.station))
        turn.station = replace(turn.station, mark=mark, unheard_report=mark)
    _start_report_timer(turn)


def _on_stop(turn: Turn, event: StopRequested) -> None:
    turn.station = replace(turn.station, draining=True)
    for load in turn.station.in_order():
        if isinstance(load.state, Surveying | Loading | Proving | Releasing) and load.state.pause is None:
            turn.do(Cancel(load_id=load.load_id, attempt=load.state.attempt))


def _on_limits(turn: Turn, event: LimitsChanged) -> None:
    turn.station = replace(turn.station, limits=event.limits)
    uplink = turn.station.uplink
    if uplink is not None and not uplink.outlives(event.limits.uplink):
        # Recorded too: or it would be in force again if the configuration is changed back.
        _take_order(turn, UplinkOrder())


def _on_timer(turn: Turn, event: TimerFired) -> None:
    timer = event.timer
    if timer.purpose == "report":
        station_log.look_for_silence(turn)
        report = turn.say_of_station(_report(turn.station))
        if turn.shared:
            turn.station = replace(turn.station, unheard_report=report)
            station_log.say_again(turn)
        _start_report_timer(turn)
        return
    if timer.purpose == "word":
        turn.say_now(timer.owner)
        return
    if timer.purpose == "identify":
        station_bays.identify_again(turn, BayName(timer.owner), timer.attempt)
        return
    load = turn.station.loads.get(LoadId(timer.owner))
    if load is None:
        return
    if timer.purpose == "unclaimed":
        turn.apply(load, Expired(attempt=timer.attempt))
    elif load.phase in ACTIVE and turn.places() <= 0:
        turn.do(StartTimer(timer=timer, after_s=PLACE_AGAIN_S))
    else:
        turn.apply(load, TimeUp(attempt=timer.attempt))


def _start_report_timer(turn: Turn) -> None:
    timer = Timer(purpose="report", owner="", attempt=Attempt(0))
    turn.do(StartTimer(timer=timer, after_s=turn.station.limits.report_every_s))


def _report(station: Station) -> StationReported:
    return StationReported(
        station=station.limits.station,
        bays=tuple(_bay_report(station, bay) for bay in sorted(station.bays)),
        jobs_pending=station.jobs_pending,
        draining=station.draining,
    )


def _bay_report(station: Station, name: BayName) -> BayReport:
    bay = station.bays[name]
    load = station.loads.get(bay.load_id) if bay.load_id is not None else None
    if load is None:
        failure = bay.failure
        reason = f"{failure.kind}: {failure.text}" if failure is not None else "being identified"
        return BayReport(bay=name, phase=Phase.WAITING, load_id=None, reason=reason)
    return BayReport(bay=name, phase=load.phase, load_id=load.load_id, reason=reason_of(load))


def reason_of(load: Load) -> str:
    """Why a load is where it is, in words; empty while it moves on."""
    pause = getattr(load.state, "pause", None)
    if pause is not None:
        return f"{pause.failure.kind}: {pause.failure.text}"
    if isinstance(load.state, Away):
        return "the drive is not plugged in" if load.state.told else "the drive is being looked for"
    if isinstance(load.state, Surveying) and load.state.reported:
        return "what its survey reported has yet to be heard in the log of all stations"
    return str(getattr(load.state, "text", "") or getattr(load.state, "reason", ""))


def code_of(load: Load) -> str:
    """The same as `reason_of` in codes from closed sets: fit for logs, since it names no file."""
    state = load.state
    if isinstance(state, Held):
        return state.reason
    if isinstance(state, Releasing | Released):
        found = sorted({f.code for f in load.findings if f.severity is Severity.BLOCKING})
        return " ".join([state.outcome, *found])
    pause = getattr(state, "pause", None)
    return str(pause.failure.kind) if pause is not None else ""


# -- what effects say ------------------------------------------------------------------------------


def _on_report(turn: Turn, event: LoadReport) -> None:
    load = turn.station.loads.get(event.load_id)
    if load is not None:
        turn.apply(load, event)


def _on_uplink(turn: Turn, event: UplinkSet) -> None:
    _take_order(turn, event.order)


def _take_order(turn: Turn, order: UplinkOrder) -> None:
    saved = SaveUplink.of(order, turn.station.limits.uplink)
    turn.station = replace(turn.station, uplink=saved)
    turn.record(saved)


def _on_malformed(turn: Turn, event: NoticeMalformed) -> None:
    body = NoticeRefused(notice=event.name, problems=event.problems, identity=event.identity)
    turn.refuse(body, event.offset)


_HANDLERS: Mapping[type, Callable[[Turn, Any], None]] = {
    Heard: station_log.on_heard,
    StationStarted: _on_started,
    StopRequested: _on_stop,
    LimitsChanged: _on_limits,
    DriveAppeared: station_bays.on_appeared,
    DriveGone: station_bays.on_gone,
    TimerFired: _on_timer,
    JobAnnounced: station_jobs.on_announced,
    JobAmended: station_jobs.on_amended,
    JobWithdrawn: station_jobs.on_withdrawn,
    DriveAssigned: station_jobs.on_assigned,
    HoldLifted: station_jobs.on_lifted,
    UplinkSet: _on_uplink,
    NoticeMalformed: _on_malformed,
    Identified: station_bays.on_identified,
    IdentifyFailed: station_bays.on_identify_failed,
    Surveyed: _on_report,
    Progressed: _on_report,
    Transferred: _on_report,
    Rechecked: _on_report,
    Proved: _on_report,
    ProofFailed: _on_report,
    TakenBack: _on_report,
    Closed: _on_report,
    EffectFailed: _on_report,
    EffectCancelled: _on_report,
}

__all__ = ["Decision", "JobStatus", "Station", "code_of", "empty", "reason_of", "restored", "step"]
