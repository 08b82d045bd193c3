"""What a decision of the core adds to the counts."""

from __future__ import annotations

from ingestd.core import station as core
from ingestd.core.messages import (
    DriveAppeared,
    EffectFailed,
    Event,
    IdentifyFailed,
    SaveLoad,
    StationStarted,
)
from ingestd.core.model import LoadId, Phase
from ingestd.core.phases import Released
from ingestd.telemetry.counts import Counts


def decided(counts: Counts, event: Event, before: core.Station, decision: core.Decision) -> None:
    """Counters only ever rise: data that is taken back was stored all the same."""
    if isinstance(event, EffectFailed | IdentifyFailed):
        counts.retries.labels(event.failure.kind).inc()
    if isinstance(event, DriveAppeared):
        counts.begin_bay(event.sighting.bay)
    elif isinstance(event, StationStarted):
        for sighting in event.sightings:
            counts.begin_bay(sighting.bay)
    _stored(counts, getattr(event, "load_id", None), before, decision.station)
    _ended(counts, event.at, before, decision)


def _stored(counts: Counts, load_id: LoadId | None, before: core.Station, after: core.Station) -> None:
    old, load = (station.loads.get(load_id or LoadId("")) for station in (before, after))
    if load is None or old is None:
        return
    risen = load.ledger.stored_bytes + load.ledger.arrived_bytes
    risen -= old.ledger.stored_bytes + old.ledger.arrived_bytes
    if risen > 0:
        counts.stored_bytes.labels(load.bay or load.last_bay or "").inc(risen)


def _ended(counts: Counts, at: float, before: core.Station, decision: core.Decision) -> None:
    released = {load_id for load_id, load in before.loads.items() if load.phase is Phase.RELEASED}
    for record in decision.records:
        if not isinstance(record, SaveLoad) or record.load.load_id in released:
            continue
        load = record.load
        if isinstance(load.state, Released):
            released.add(load.load_id)
            reasons = core.code_of(load).split()[1:]
            counts.load_ended(load.state.outcome, reasons[0] if reasons else "", at - load.started_at, at)
