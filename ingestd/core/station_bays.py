"""Drives come and go: seen, identified, taken for the load they belong to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from ingestd.core import custody_deeds, retry
from ingestd.core.drive import DriveFacts, Sighting, VolumeFlaw
from ingestd.core.load_events import Doubled, Returned, Unmatched, Unplugged
from ingestd.core.messages import (
    BayReport,
    DriveAppeared,
    DriveGone,
    Identified,
    Identify,
    IdentifyFailed,
    StartTimer,
    Timer,
)
from ingestd.core.model import Attempt, BayName, HoldReason, LoadId
from ingestd.core.phases import Held, Load, Released, Releasing, Waiting
from ingestd.core.station_state import Bay
from ingestd.core.station_turn import Turn


def on_appeared(turn: Turn, event: DriveAppeared) -> None:
    bay = turn.station.bays.get(event.sighting.bay)
    if bay is not None and bay.sighting.handle == event.sighting.handle:
        return
    if bay is not None:
        _empty(turn, event.sighting.bay)
    see(turn, event.sighting)


def on_gone(turn: Turn, event: DriveGone) -> None:
    _empty(turn, event.bay)


def _empty(turn: Turn, name: BayName) -> None:
    if name in turn.station.bays:
        turn.station = replace(turn.station, bays=turn.station.bays.delete(name))
    for load in _loads_at(turn, name):
        turn.apply(load, Unplugged())


def _loads_at(turn: Turn, name: BayName) -> list[Load]:
    return [load for load in turn.station.in_order() if load.bay == name]


def see(turn: Turn, sighting: Sighting) -> None:
    """A drive is in a bay: find out who it is, unless it has been, or is being, released there."""
    for load in _loads_at(turn, sighting.bay):
        if _is_being_released(load, sighting):
            bay = Bay(sighting=sighting, attempt=_next_attempt(turn), seen_at=turn.at, load_id=load.load_id)
            turn.station = turn.station.with_bay(sighting.bay, bay)
            return
    _identify(turn, Bay(sighting=sighting, attempt=Attempt(0), seen_at=turn.at))


def _is_being_released(load: Load, sighting: Sighting) -> bool:
    """The node and its number alone do not tell: after the station was switched off they begin anew."""
    ending = isinstance(load.state, Releasing | Released) and load.handle == sighting.handle
    return ending and not load.drive.contradicts(sighting.identity)


def _next_attempt(turn: Turn) -> Attempt:
    number = turn.station.identifications + 1
    turn.station = replace(turn.station, identifications=number)
    return Attempt(number)


def _identify(turn: Turn, bay: Bay) -> None:
    name, attempt = bay.sighting.bay, _next_attempt(turn)
    turn.station = turn.station.with_bay(name, replace(bay, attempt=attempt, failure=None))
    turn.do(Identify(bay=name, attempt=attempt, sighting=bay.sighting))


def identify_again(turn: Turn, name: BayName, attempt: Attempt) -> None:
    """The pause after a failed try is over; stale when the bay has moved on."""
    bay = turn.station.bays.get(name)
    if bay is not None and bay.attempt == attempt:
        _identify(turn, bay)


def look_again(turn: Turn, name: BayName) -> None:
    """A person wants the drive in this bay identified anew."""
    bay = turn.station.bays.get(name)
    if bay is not None:
        _identify(turn, replace(bay, tries=0))


def on_identified(turn: Turn, event: Identified) -> None:
    bay = _awaiting(turn, event)
    if bay is not None:
        _recognise(turn, bay, event.facts)


def on_identify_failed(turn: Turn, event: IdentifyFailed) -> None:
    """Try again for a while; then make do with what the watch knows of the drive."""
    bay = _awaiting(turn, event)
    if bay is None or turn.station.draining:
        return
    bay = replace(bay, tries=bay.tries + 1, failure=event.failure)
    turn.station = turn.station.with_bay(event.bay, bay)
    verdict = retry.after(event.failure, bay.tries, event.bay)
    if isinstance(verdict, retry.TryAgain):
        timer = Timer(purpose="identify", owner=event.bay, attempt=event.attempt)
        turn.do(StartTimer(timer=timer, after_s=verdict.after_s))
        return
    little = DriveFacts(identity=bay.sighting.identity, interface=bay.sighting.interface)
    _recognise(turn, bay, little, unidentified=event.failure.text)


def _awaiting(turn: Turn, event: BayReport) -> Bay | None:
    """The bay that this report is about; None when it has moved on."""
    bay = turn.station.bays.get(event.bay)
    return bay if bay is not None and bay.attempt == event.attempt else None


def _recognise(turn: Turn, bay: Bay, facts: DriveFacts, unidentified: str | None = None) -> None:
    """Give the drive to the load that it belongs to, or begin one."""
    load = _load_of_drive(turn, bay, facts)
    for other in _loads_at(turn, bay.sighting.bay):
        if load is None or other.load_id != load.load_id:
            turn.apply(other, _displaced(bay, load))
    if load is None:
        load = _new_load(turn, bay, facts, identified=unidentified is None)
    else:
        load = _give_back(turn, bay, load.facts if unidentified is not None else facts, load)
    if load.job_id is None and isinstance(load.state, Waiting | Held) and not _is_left_to_a_person(bay, load):
        _look_for_job(turn, load, unidentified or _not_looked_into(load.facts))


def _is_left_to_a_person(bay: Bay, load: Load) -> bool:
    """Whether a new process finds it held already, for a drive that it may be mistaken for. A person may have
    decided for that one since; only their word has this one looked at again."""
    is_double = isinstance(load.state, Held) and load.state.reason is HoldReason.DUPLICATE_IDENTITY
    return is_double and bay.load_id is None


def _not_looked_into(facts: DriveFacts) -> str | None:
    """A volume that could not be mounted, perhaps by the station's fault: it may say whose the drive is."""
    return next((f"{v.name}: {v.problem}" for v in facts.volumes if v.flaw is VolumeFlaw.IN_DOUBT), None)


def _displaced(bay: Bay, by: Load | None) -> Unplugged:
    if by is None:
        return Unplugged()
    return Unplugged(text=f"the drive in {bay.sighting.bay} is that of load {by.load_id}, which goes on")


def _load_of_drive(turn: Turn, bay: Bay, facts: DriveFacts) -> Load | None:
    """The load that this drive belongs to already, unless another drive of its identity has that load.

    A load that was begun for this drive while too little was known of it gives way to an older claim. A
    drive that was released in this bay and never pulled is still that: it begins nothing new.
    """
    own = turn.station.loads.get(bay.load_id) if bay.load_id is not None else None
    if own is not None and own.job_id is not None:
        return own
    name = bay.sighting.bay
    same = [
        load
        for load in turn.station.in_order()
        if (load.bay == name or not isinstance(load.state, Released))
        and load.load_id != bay.load_id
        and load.drive.agrees_with(facts.identity)
        and not _is_elsewhere(turn, load, name)
    ]
    return max(same, key=lambda load: (load.bay == name, load.started_at), default=own)


def _is_elsewhere(turn: Turn, load: Load, name: BayName) -> bool:
    return any(other != name and bay.load_id == load.load_id for other, bay in turn.station.bays.items())


def _give_back(turn: Turn, bay: Bay, facts: DriveFacts, load: Load) -> Load:
    _occupy(turn, bay, load.load_id)
    return turn.apply(load, Returned(bay=bay.sighting.bay, handle=bay.sighting.handle, facts=facts))


def hand_over(turn: Turn, name: BayName, load: Load, away: Load) -> None:
    """A person says that the drive in this bay, whose load has no job, is the one `away` waits for."""
    bay = turn.station.bays[name]
    turn.apply(load, _displaced(bay, away))
    _give_back(turn, bay, load.facts, away)


def _occupy(turn: Turn, bay: Bay, load_id: LoadId) -> None:
    turn.station = turn.station.with_bay(bay.sighting.bay, replace(bay, load_id=load_id))


def _look_for_job(turn: Turn, load: Load, unidentified: str | None) -> None:
    twin = _twin(turn, load)
    if twin is None:
        turn.find_job(load, unidentified)
        return
    reason = HoldReason.DUPLICATE_IDENTITY
    turn.apply(load, Unmatched(reason=reason, text=_same_identity(load, twin), tried=()))
    turn.apply(twin, Doubled(text=_same_identity(twin, load)))


def _same_identity(load: Load, twin: Load) -> str:
    return (
        f"the drive in {twin.bay} gives the same identity ({load.drive.label}); pull one of them, and if it "
        "is that one, lift this hold with 'again'"
    )


def _twin(turn: Turn, load: Load) -> Load | None:
    """The load of another drive that is plugged in and says that it is this one."""
    assert load.bay is not None, "a drive whose job is looked for is in a bay"
    for other in turn.station.in_order():
        double = isinstance(other.state, Held) and other.state.reason is HoldReason.DUPLICATE_IDENTITY
        if isinstance(other.state, Released) or double or not other.drive.agrees_with(load.drive):
            continue
        if other.load_id != load.load_id and _is_elsewhere(turn, other, load.bay):
            return other
    return None


def _new_load(turn: Turn, bay: Bay, facts: DriveFacts, *, identified: bool) -> Load:
    load = Load(
        load_id=_load_id(turn, bay.sighting.bay),
        facts=facts,
        bay=bay.sighting.bay,
        handle=bay.sighting.handle,
        state=Waiting(since=turn.at, reason="no job has been looked for yet"),
        started_at=turn.at,
    )
    here, failure = turn.station.surroundings, None if identified else bay.failure
    load = turn.attest(load, custody_deeds.arrived(facts, bay.seen_at, here, failure))
    turn.station = turn.station.with_load(load)
    _occupy(turn, bay, load.load_id)
    return load


def _load_id(turn: Turn, name: BayName) -> LoadId:
    """Unique, since a bay begins at most one load in a millisecond, and legible."""
    milliseconds = int(turn.at * 1000)
    while True:
        moment = datetime.fromtimestamp(milliseconds / 1000, UTC)
        stamp = f"{moment:%Y%m%dT%H%M%S}{milliseconds % 1000:03d}Z"
        load_id = LoadId(f"{turn.station.limits.station}.{name}.{stamp}")
        if load_id not in turn.station.loads:
            return load_id
        milliseconds += 1  # The clock was set back.
