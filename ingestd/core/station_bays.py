"""Drives come and go: seen, identified, taken for the load they belong to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from ingestd.core import retry
from ingestd.core.load_events import Returned, Unmatched, Unplugged
from ingestd.core.messages import (
    DriveAppeared,
    DriveGone,
    Identified,
    Identify,
    IdentifyFailed,
    StartTimer,
    Timer,
)
from ingestd.core.model import Attempt, BayName, DriveFacts, HoldReason, LoadId, Sighting
from ingestd.core.phases import Away, Held, Load, Released, Waiting
from ingestd.core.station_turn import Bay, Turn


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
    return [load for load in turn.station.loads.values() if load.bay == name]


def see(turn: Turn, sighting: Sighting) -> None:
    """A drive is in a bay: find out who it is, unless it has just been released there."""
    for load in _loads_at(turn, sighting.bay):
        if isinstance(load.state, Released) and load.handle == sighting.handle:
            bay = Bay(sighting=sighting, attempt=_next_attempt(turn), load_id=load.load_id)
            turn.station = turn.station.with_bay(sighting.bay, bay)
            return
    _identify(turn, Bay(sighting=sighting, attempt=Attempt(0)))


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
    bay = turn.station.bays.get(event.bay)
    if bay is None or bay.attempt != event.attempt:
        return
    same = _load_of_drive(turn, bay, event.facts)
    for load in _loads_at(turn, event.bay):
        if same is None or load.load_id != same.load_id:
            turn.apply(load, Unplugged())
    if same is None:
        _begin(turn, bay, event.facts)
    elif _is_elsewhere(turn, same, event.bay):
        _refuse_double(turn, bay, event.facts, same)
    else:
        _give_back(turn, bay, event.facts, same)


def _load_of_drive(turn: Turn, bay: Bay, facts: DriveFacts) -> Load | None:
    """The load that this drive belongs to already: the one in this bay first, then the latest."""
    if bay.load_id is not None and bay.load_id in turn.station.loads:
        return turn.station.loads[bay.load_id]
    same = [
        load
        for load in turn.station.loads.values()
        if not isinstance(load.state, Released) and load.drive.agrees_with(facts.identity)
    ]
    return max(same, key=lambda load: (load.bay == bay.sighting.bay, load.started_at), default=None)


def _is_elsewhere(turn: Turn, load: Load, name: BayName) -> bool:
    return any(other != name and bay.load_id == load.load_id for other, bay in turn.station.bays.items())


def _give_back(turn: Turn, bay: Bay, facts: DriveFacts, load: Load) -> None:
    _occupy(turn, bay, load.load_id)
    back = Returned(bay=bay.sighting.bay, handle=bay.sighting.handle, facts=facts)
    load = turn.apply(load, back)
    if isinstance(load.state, Held) and load.job_id is None:
        turn.find_job(load)


def _occupy(turn: Turn, bay: Bay, load_id: LoadId) -> None:
    turn.station = turn.station.with_bay(bay.sighting.bay, replace(bay, load_id=load_id))


def _begin(turn: Turn, bay: Bay, facts: DriveFacts) -> None:
    turn.find_job(_new_load(turn, bay, facts))


def _new_load(turn: Turn, bay: Bay, facts: DriveFacts) -> Load:
    load = Load(
        load_id=_load_id(turn, bay.sighting.bay),
        facts=facts,
        bay=bay.sighting.bay,
        handle=bay.sighting.handle,
        state=Waiting(since=turn.at, reason="no job has been looked for yet"),
        started_at=turn.at,
    )
    turn.station = turn.station.with_load(load)
    _occupy(turn, bay, load.load_id)
    return load


def _load_id(turn: Turn, name: BayName) -> LoadId:
    """Unique, since a bay begins at most one load in a millisecond, and legible."""
    moment = datetime.fromtimestamp(turn.at, UTC)
    stamp = f"{moment:%Y%m%dT%H%M%S}{moment.microsecond // 1000:03d}Z"
    return LoadId(f"{turn.station.limits.station}.{name}.{stamp}")


def _refuse_double(turn: Turn, bay: Bay, facts: DriveFacts, other: Load) -> None:
    text = f"the drive in {other.bay} gives the same identity ({facts.identity.label}); pull one of them"
    load = _new_load(turn, bay, facts)
    turn.apply(load, Unmatched(reason=HoldReason.DUPLICATE_IDENTITY, text=text, tried=()))


def on_identify_failed(turn: Turn, event: IdentifyFailed) -> None:
    bay = turn.station.bays.get(event.bay)
    if bay is None or bay.attempt != event.attempt:
        return
    tries = bay.tries + 1
    turn.station = turn.station.with_bay(event.bay, replace(bay, tries=tries, failure=event.failure))
    verdict = retry.after(event.failure, tries, event.bay)
    if isinstance(verdict, retry.TryAgain):
        timer = Timer(purpose="identify", owner=event.bay, attempt=event.attempt)
        turn.do(StartTimer(timer=timer, after_s=verdict.after_s))
        return
    _begin_unidentified(turn, bay, event)


def _begin_unidentified(turn: Turn, bay: Bay, event: IdentifyFailed) -> None:
    """What the watch knows of the drive may be enough to find its job, whose survey then judges it."""
    facts = DriveFacts(identity=bay.sighting.identity, interface=bay.sighting.interface)
    away = _load_of_drive(turn, bay, facts)
    if away is not None and isinstance(away.state, Away):
        _give_back(turn, bay, facts, away)
        return
    load = turn.find_job(_new_load(turn, bay, facts))
    if load.job_id is None:
        text = f"the drive could not be identified: {event.failure.text}"
        turn.apply(load, Unmatched(reason=HoldReason.NOT_IDENTIFIED, text=text, tried=()))
