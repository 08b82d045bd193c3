"""The station as a value: what it knows of jobs, loads and bays, and what one step leaves behind."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from immutables import Map

from ingestd.core.custody import Surroundings
from ingestd.core.destinations import DestinationIndex, in_use
from ingestd.core.drive import Sighting
from ingestd.core.job import Job
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus
from ingestd.core.jobs import Jobs
from ingestd.core.limits import Limits
from ingestd.core.matching import JobIndex
from ingestd.core.messages import Command, Record, SaveUplink
from ingestd.core.model import Attempt, BayName, Failure, JobId, LoadId, Phase
from ingestd.core.outcomes import is_left_in_store
from ingestd.core.phases import Load, Released
from ingestd.core.uplink import UplinkOrder

ACTIVE = (Phase.SURVEYING, Phase.LOADING, Phase.PROVING)
"""Phases that take one of the station's places."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """A bay with a drive in it. `load_id` is None until the drive has been identified."""

    sighting: Sighting
    attempt: Attempt
    seen_at: float = 0.0
    """When the drive was first seen here."""
    tries: int = 0
    failure: Failure | None = None
    load_id: LoadId | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    limits: Limits
    jobs: Jobs = Jobs()
    index: JobIndex = JobIndex()
    destinations: DestinationIndex = DestinationIndex()
    loads: Map[LoadId, Load] = Map()
    bays: Map[BayName, Bay] = Map()
    uplink: SaveUplink | None = None
    """What a message has set of it."""
    draining: bool = False
    identifications: int = 0
    said: int = 0
    """The last number given to a message that is about no load."""
    jobs_pending: int = 0
    caught_up: bool = False
    """All that was in the log when this process began has been heard."""
    mark: str = ""
    """Id of the first report of this process: once it is heard, all before it has been."""
    seen: Map[str, float] = Map()
    """The last word of each station in the log, by that station's clock; compared with no other clock."""
    quiet: Map[str, float] = Map()
    """Seconds, counted by this station's reports, without a word of a station that has open claims."""
    silent: frozenset[str] = frozenset()
    """Those of them that have not said a word for longer than the lease."""
    unheard_report: str = ""
    """Id of the last report of this station, until it is heard: as long as it is not, nothing can be told of
    others."""
    claimants: Map[str, frozenset[JobId]] = Map()
    """Jobs of which a station has claimed a drive that it has not come to the end of."""
    unsaid: Map[str, float] = Map()
    """Messages that wait, by id, and until when: another station may say them first."""
    surroundings: Surroundings = Surroundings()
    """What runs here, for the records of custody."""
    heard: Map[str, int] = Map()
    """Ids of the latest messages that any station may say, with the number of their coming."""

    @property
    def uplink_order(self) -> UplinkOrder | None:
        return self.uplink.order if self.uplink is not None else None

    def with_jobs(self, records: Iterable[JobRecord]) -> Station:
        station = self
        for record in records:
            station = station.with_job(record)
        return station

    def with_job(self, record: JobRecord) -> Station:
        before = self.jobs.get(record.job_id)
        index, destinations = self.index, self.destinations
        old, new = before.job if before is not None else None, record.job
        if old is not None and old is not new:
            index = index.without_job(old)
        if new is not None and new is not old:
            index = index.with_job(new)
        if old is not None and before is not None and in_use(before):
            destinations = destinations.without_job(old)
        if new is not None and in_use(record):
            destinations = destinations.with_job(new)
        return replace(
            self,
            jobs=self.jobs.put(record),
            index=index,
            destinations=destinations,
            claimants=_changed_claimants(self.claimants, before, record),
            jobs_pending=self.jobs_pending + _pending(record) - _pending(before),
        )

    def with_loads(self, loads: Iterable[Load]) -> Station:
        return replace(self, loads=self.loads.update({load.load_id: load for load in loads}))

    def with_load(self, load: Load) -> Station:
        return replace(self, loads=self.loads.set(load.load_id, load))

    def without_load(self, load_id: LoadId) -> Station:
        return replace(self, loads=self.loads.delete(load_id))

    def with_bay(self, name: BayName, bay: Bay) -> Station:
        return replace(self, bays=self.bays.set(name, bay))

    def in_order(self) -> list[Load]:
        """All loads, the one that began first first: what follows must not hang on a hash."""
        return sorted(self.loads.values(), key=lambda load: (load.started_at, load.load_id))

    def loads_of(self, job_id: JobId) -> list[Load]:
        return [load for load in self.in_order() if load.job_id == job_id]

    def is_over(self, load: Load) -> bool:
        """Whether nothing can come of a load any more: released, its drive pulled, and nothing of it in
        the store that its job might still want to be taken back."""
        return isinstance(load.state, Released) and load.bay is None and not self._may_be_taken_back(load)

    def _may_be_taken_back(self, load: Load) -> bool:
        record = self.jobs.get(load.job_id) if load.job_id is not None else None
        return record is not None and is_left_in_store(record, load)

    def job_of(self, load: Load) -> Job | None:
        record = self.jobs.get(load.job_id) if load.job_id is not None else None
        return record.job if record is not None else None


def _pending(record: JobRecord | None) -> int:
    return int(record is not None and record.job is not None and record.status is JobStatus.PENDING)


def _changed_claimants(
    claimants: Map[str, frozenset[JobId]], before: JobRecord | None, after: JobRecord
) -> Map[str, frozenset[JobId]]:
    if not after.claims and (before is None or not before.claims):
        return claimants
    old, new = _claimants(before), _claimants(after)
    for station in old - new:
        claimants = claimants.set(station, claimants[station] - {after.job_id})
    for station in new - old:
        claimants = claimants.set(station, claimants.get(station, frozenset()) | {after.job_id})
    return claimants


def _claimants(record: JobRecord | None) -> frozenset[str]:
    """The stations whose loads have a drive of this job and have not come to their end."""
    if record is None or not record.claims:
        return frozenset()
    return frozenset(c.station for c in record.claims if c.station is not None and is_open(c))


def is_open(claim: DriveClaim) -> bool:
    """Whether a claim has not ended."""
    return claim.outcome is None and not claim.lapsed


@dataclass(frozen=True, slots=True)
class Decision:
    """`records` are committed in one transaction, in order; then `commands` are performed."""

    station: Station
    records: tuple[Record, ...]
    commands: tuple[Command, ...]
