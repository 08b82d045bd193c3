"""What holds after every step of a station, whatever has happened.

`Watch.see` looks at one decision, `Watch.check` at what it left behind. Both raise AssertionError with
a sentence that names the load, job or bay.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Protocol

from immutables import Map

from ingestd.core import station as core
from ingestd.core.custody import Entry
from ingestd.core.custody_check import check
from ingestd.core.job_record import JobStatus
from ingestd.core.limits import Limits
from ingestd.core.messages import (
    Cancel,
    DriveAssigned,
    Effect,
    Event,
    HoldLifted,
    Identify,
    LimitsChanged,
    Proved,
    SaveCustody,
    SaveJob,
    SaveLoad,
    StartTimer,
    Timer,
)
from ingestd.core.model import Attempt, BayName, Decision, HoldReason, JobId, LoadId, Outcome, Phase, Severity
from ingestd.core.outgoing import DriveReleased, JobFailed, JobLoaded, LoadAway, LoadHeld, Outgoing, Publish
from ingestd.core.phases import Away, Held, Load, Loading, Proving, Releasing, Surveying
from ingestd.core.station_state import ACTIVE
from tests.support.wellformed import EFFECTS, complaints

Effects = Mapping[BayName | LoadId, Sequence[Effect]]


class Remembered(Protocol):
    """A journal as the watch needs it."""

    @property
    def loads(self) -> Mapping[LoadId, Load]: ...

    def restored(self, limits: Limits) -> core.Station: ...


def _is_of_load(body: Outgoing) -> bool:
    return hasattr(body, "load_id") and not isinstance(body, JobFailed)


def owner_of(effect: Effect) -> BayName | LoadId:
    return effect.bay if isinstance(effect, Identify) else effect.load_id


@dataclass(slots=True)
class Watch:
    """Remembers what the station has said and asked for since the beginning of time."""

    numbers: Counter[LoadId] = field(default_factory=Counter)
    event_ids: set[str] = field(default_factory=set)
    attempts: dict[LoadId, Attempt] = field(default_factory=dict)
    proved: set[LoadId] = field(default_factory=set)
    loaded: set[JobId] = field(default_factory=set)
    failed: set[tuple[JobId, int]] = field(default_factory=set)
    custody: dict[LoadId, list[Entry]] = field(default_factory=dict)
    loads_max: int | None = None
    assigned: bool = False
    """Whether a person has ever said whose a drive is; then drives may look alike and have two jobs."""

    # -- one decision --

    def see(self, before: core.Station, event: Event, decision: core.Decision, effects: Effects) -> None:
        """Look at one decision, before its commands are performed."""
        if isinstance(event, Proved):
            self.proved.add(event.load_id)
        self.assigned = self.assigned or isinstance(event, DriveAssigned)
        if isinstance(event, LimitsChanged) or self.loads_max is None:
            active = sum(load.phase in ACTIVE for load in before.loads.values())
            self.loads_max = max(active, decision.station.limits.loads_max)
        self._see_messages(event, decision)
        self._see_custody(decision)
        self._see_commands(decision, effects)

    def _see_custody(self, decision: core.Decision) -> None:
        """Records grow by what is committed with the loads, and what is told of them is where they are."""
        for record in decision.records:
            if isinstance(record, SaveCustody):
                self.custody.setdefault(record.entry.load_id, []).append(record.entry)
            elif isinstance(record, SaveLoad):
                entries = self.custody[record.load.load_id]
                assert record.load.custody == entries[-1].head, f"not where its record is: {record.load}"
            elif isinstance(record, Publish) and isinstance(record.body, LoadAway | DriveReleased):
                entries = self.custody[record.body.load_id]
                assert record.body.custody == entries[-1].head, f"not the end of the record: {record}"
                checked = check([e.line + b"\n" for e in entries], entries[-1].sha256)
                assert checked.problems == (), checked
                assert checked.closed == isinstance(record.body, DriveReleased), checked

    def _see_messages(self, event: Event, decision: core.Decision) -> None:
        saved: dict[LoadId, Load] = {
            record.load.load_id: record.load for record in decision.records if isinstance(record, SaveLoad)
        }
        jobs = {r.record.job_id: r.record for r in decision.records if isinstance(r, SaveJob)}
        for record in decision.records:
            if not isinstance(record, Publish):
                continue
            assert record.event_id not in self.event_ids, f"said twice: {record}"
            self.event_ids.add(record.event_id)
            if record.subject in saved or record.subject in self.numbers or _is_of_load(record.body):
                load_id = LoadId(record.subject)
                self.numbers[load_id] += 1
                assert record.number == self.numbers[load_id], f"out of order: {record}"
                assert load_id in saved, f"said without the state it follows from: {record}"
                assert saved[load_id].messages >= record.number, f"not counted: {record}"
            self._see_state_behind(record, saved)
            if isinstance(record.body, JobFailed):
                self._see_failure(event, record.body, decision, jobs[record.body.job_id].status)
            if isinstance(record.body, JobLoaded):
                self._see_success(record.body, decision, jobs[record.body.job_id].status)

    def _see_state_behind(self, record: Publish, saved: Mapping[LoadId, Load]) -> None:
        body = record.body
        if isinstance(body, LoadHeld | LoadAway):
            state = saved[body.load_id].state
            if isinstance(state, Releasing) and state.tries and isinstance(body, LoadHeld):
                return  # What is stuck is told of in the same way.
            assert isinstance(state, Held if isinstance(body, LoadHeld) else Away), f"{record} but {state}"

    def _see_failure(self, event: Event, body: JobFailed, decision: core.Decision, status: JobStatus) -> None:
        record = decision.station.jobs[body.job_id]
        assert record.job is not None
        refused = isinstance(event, HoldLifted) and event.decision is Decision.REFUSE
        grounds = [f for f in body.findings if f.severity is Severity.BLOCKING and f.cause.may_fail_a_job]
        assert grounds, f"a failure without a ground: {body}"
        assert all(f.cause.may_fail_a_job for f in body.findings if f.severity is Severity.BLOCKING)
        assert refused or body.observations >= 2, f"a failure on one observation: {body}"
        assert status is JobStatus.FAILED
        key = (body.job_id, record.job.version)
        assert key not in self.failed, f"failed twice: {body}"
        assert body.job_id not in self.loaded, f"failed after it was loaded: {body}"
        self.failed.add(key)

    def _see_success(self, body: JobLoaded, decision: core.Decision, status: JobStatus) -> None:
        record = decision.station.jobs[body.job_id]
        assert record.job is not None
        assert body.job_id not in self.loaded, f"loaded twice: {body}"
        assert (body.job_id, record.job.version) not in self.failed, f"loaded after it failed: {body}"
        assert status is JobStatus.LOADED
        assert len(body.receipts) == len(record.job.drives), f"not every drive: {body}"
        assert len({receipt.load_id for receipt in body.receipts}) == len(body.receipts)
        assert {receipt.load_id for receipt in body.receipts} <= self.proved, f"not proved: {body}"
        assert {claim.outcome for claim in record.claims} == {Outcome.LOADED}
        self.loaded.add(body.job_id)

    def _see_commands(self, decision: core.Decision, effects: Effects) -> None:
        under_way = {(owner, effect.attempt) for owner, queue in effects.items() for effect in queue}
        for command in decision.commands:
            if isinstance(command, Cancel):
                key = (command.load_id, command.attempt)
                assert key in under_way, f"cancelled though it is not under way: {command}"
            elif isinstance(command, EFFECTS):
                last = self.attempts.get(command.load_id, Attempt(0))
                assert command.attempt > last, f"an attempt that was given out before: {command}"
                self.attempts[command.load_id] = command.attempt
            if isinstance(command, (*EFFECTS, Identify)):
                under_way.add((owner_of(command), command.attempt))
            if isinstance(command, StartTimer):
                assert command.after_s >= 0.0, f"a timer in the past: {command}"

    # -- the station as it is now --

    def check(
        self, station: core.Station, journal: Remembered, effects: Effects, timers: Iterable[Timer]
    ) -> None:
        """Look at a station, once the commands of the last decision are performed."""
        wrong = [
            *self._of_loads(station),
            *(() if self.assigned else _of_drives(station)),
            *_of_bays(station),
            *_of_jobs(station),
            *_of_waits(station, effects, list(timers)),
            *_of_memory(station, journal),
        ]
        assert wrong == [], "\n".join(wrong)

    def _of_loads(self, station: core.Station) -> Iterator[str]:
        for load in station.loads.values():
            yield from (f"{load.load_id}: {words}" for words in complaints(load))
            if load.messages != self.numbers[load.load_id]:
                yield f"{load.load_id}: has counted {load.messages} messages of {self.numbers[load.load_id]}"
            if load.phase is Phase.WAITING and load.job_id is None:
                yield f"{load.load_id}: waits for nothing"
        # A proof goes on over a restart, and a load that pauses takes no place.
        active = sum(
            load.phase in ACTIVE
            and load.phase is not Phase.PROVING
            and getattr(load.state, "pause", None) is None
            for load in station.loads.values()
        )
        if self.loads_max is not None and active > self.loads_max:
            yield f"{active} loads at once"


def _of_drives(station: core.Station) -> Iterator[str]:
    """A drive is matched to one job at a time; for another it may come again once it was let go."""
    ended = (Phase.RELEASING, Phase.RELEASED)
    taken = [load for load in station.loads.values() if load.job_id is not None and load.phase not in ended]
    for one, other in combinations(taken, 2):
        if one.drive.agrees_with(other.drive) and one.job_id != other.job_id:
            yield f"{one.drive.label}: matched to {one.job_id} and to {other.job_id}"


def _of_bays(station: core.Station) -> Iterator[str]:
    for name, bay in station.bays.items():
        if bay.load_id is not None and station.loads[bay.load_id].bay != name:
            yield f"{name}: its load believes to be in {station.loads[bay.load_id].bay}"
    places = Counter(load.bay for load in station.loads.values() if load.bay is not None)
    yield from (f"{name}: {count} loads in one bay" for name, count in places.items() if count > 1)
    owners = Counter(bay.load_id for bay in station.bays.values() if bay.load_id is not None)
    yield from (f"{load_id}: in {count} bays" for load_id, count in owners.items() if count > 1)


def _of_jobs(station: core.Station) -> Iterator[str]:
    places: Counter[tuple[JobId, int]] = Counter()
    for load in station.loads.values():
        if load.job_id is None or load.drive_index is None or load.phase is Phase.RELEASED:
            continue
        places[load.job_id, load.drive_index] += 1
        claim = station.jobs[load.job_id].claim_of(load.drive_index)
        if claim is None or claim.load_id != load.load_id:
            yield f"{load.load_id}: its job does not know of it"
    yield from (f"{place}: two drives for one place" for place, count in places.items() if count > 1)
    for record in station.jobs.values():
        if record.status is JobStatus.LOADED and any(c.outcome is not Outcome.LOADED for c in record.claims):
            yield f"{record.job_id}: loaded, though not every drive of it is"
    pending = sum(record.status is JobStatus.PENDING for record in station.jobs.values())
    if pending != station.jobs_pending:
        yield f"{station.jobs_pending} jobs counted as pending, {pending} are"


def _of_waits(station: core.Station, effects: Effects, timers: Sequence[Timer]) -> Iterator[str]:
    """Whatever waits has something under way that will move it."""
    under_way = {(owner, effect.attempt) for owner, queue in effects.items() for effect in queue}
    pending = {(timer.purpose, timer.owner, timer.attempt) for timer in timers}
    for load in station.loads.values():
        state = load.state
        if isinstance(state, Surveying | Loading | Proving | Releasing) and not station.draining:
            waits = (load.load_id, state.attempt) in under_way
            paused = ("retry", load.load_id, state.attempt) in pending
            if waits == (state.pause is not None) or paused != (state.pause is not None):
                yield f"{load.load_id}: {load.phase}, and nothing will ever answer it"
        nobodys = isinstance(state, Held) and state.reason is HoldReason.NO_MATCHING_JOB
        if nobodys and ("unclaimed", load.load_id, load.attempt) not in pending:
            yield f"{load.load_id}: nobody's drive, and no timer ends the wait"
        if isinstance(state, Away) and not state.told and load.bay not in station.bays:
            yield f"{load.load_id}: away without a word, though its bay is empty"
    for name, bay in station.bays.items():
        asked = (name, bay.attempt) in under_way or ("identify", name, bay.attempt) in pending
        if bay.load_id is None and not asked and not station.draining:
            yield f"{name}: nobody is finding out whose drive it is"


def _of_memory(station: core.Station, journal: Remembered) -> Iterator[str]:
    """A new process begins where this one is, but for bays, progress and what ends with the process."""
    again = journal.restored(station.limits)
    for name in ("jobs", "index", "destinations", "uplink", "jobs_pending"):
        if getattr(again, name) != getattr(station, name):
            yield f"{name} would not survive: {getattr(station, name)} became {getattr(again, name)}"
    now, then = _without_progress(station.loads), _without_progress(again.loads)
    for load_id in now.keys() | then.keys():
        if now.get(load_id) != then.get(load_id):
            yield f"{load_id} would not survive: {now.get(load_id)} became {then.get(load_id)}"


def _without_progress(loads: Map[LoadId, Load]) -> dict[LoadId, Load]:
    """Figures of a transfer that is running are written down every so often only."""
    plain = {}
    for load_id, load in loads.items():
        if isinstance(load.state, Loading):
            load = replace(load, ledger=type(load.ledger)(), rate_bytes_per_second=0.0)
        plain[load_id] = load
    return plain
