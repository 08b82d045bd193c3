"""Several stations, one log, one store: simulated, with what happens next drawn by the test.

A station is its core and what it has committed. Its outbox reaches the log, and the log the stations, as
late as the test likes; a station may be cut off from both, or killed and begun anew from what it has
committed. The store knows whose an object is: what a load takes back is gone, also for those who found
it there. The stations' clocks differ.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from ingestd.core import station as core
from ingestd.core.custody import Entry
from ingestd.core.drive import DriveFacts, Sighting
from ingestd.core.found import SurveyFacts
from ingestd.core.job import Item, Job
from ingestd.core.job_record import JobRecord
from ingestd.core.messages import (
    Cancel,
    Close,
    Closed,
    Command,
    DriveAppeared,
    DriveGone,
    Effect,
    EffectCancelled,
    Event,
    Heard,
    Identified,
    Identify,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    ProofFailed,
    Prove,
    Proved,
    SaveCustody,
    SaveJob,
    SaveLoad,
    SaveSeen,
    SaveUnsaid,
    Say,
    StartTimer,
    StationStarted,
    Survey,
    Surveyed,
    TakeBack,
    TakenBack,
    Timer,
    TimerFired,
    Transfer,
    Transferred,
    Unsay,
)
from ingestd.core.model import BayName, HoldReason, JobId, LoadId
from ingestd.core.outgoing import JobFailed, JobLoaded, JobWithdrawalCompleted, Publish
from ingestd.core.phases import Held, Load
from ingestd.core.station_log import HEEDED
from tests.support import values as v

LEASE_S = 300.0
BAYS = ("bay-1", "bay-2")

Place = tuple[JobId, int]


@dataclass(slots=True)
class Drive:
    """One of a job's drives, and what is wrong with it."""

    place: Place
    facts: DriveFacts
    has: tuple[str, ...]
    plain: bool = False


@dataclass(slots=True)
class Log:
    """What all stations hear, in one order, and what the order system hears beside it."""

    records: list[tuple[str, Publish]] = field(default_factory=list)
    told: list[tuple[str, Publish]] = field(default_factory=list)
    notices: list[JobAnnounced | JobAmended | JobWithdrawn] = field(default_factory=list)

    def publish(self, station: str, message: Publish) -> None:
        self.told.append((station, message))
        if message.body.TYPE in HEEDED:
            self.records.append((station, message))

    def ids(self, kind: type, job_id: JobId) -> set[str]:
        """Ids of the events of this kind about this job: repeats have one."""
        return {
            m.event_id
            for _, m in self.told
            if isinstance(m.body, kind) and getattr(m.body, "job_id", None) == job_id
        }

    def answers(self, job_id: JobId) -> list[JobWithdrawalCompleted]:
        found = {
            m.event_id: m.body
            for _, m in self.told
            if isinstance(m.body, JobWithdrawalCompleted) and m.body.job_id == job_id
        }
        return list(found.values())


class Store:
    """Whose the data of each drive is; None once it was taken back."""

    def __init__(self) -> None:
        self.owner: dict[Place, LoadId] = {}

    def put(self, place: Place, load_id: LoadId) -> None:
        self.owner.setdefault(place, load_id)

    def take_back(self, load_id: LoadId) -> None:
        self.owner = {place: owner for place, owner in self.owner.items() if owner != load_id}


class Pier:
    """One station, and what it has committed."""

    def __init__(self, name: str, skew_s: float, harbour: Harbour) -> None:
        self.name = name
        self.harbour = harbour
        self.skew_s = skew_s
        self.limits = replace(v.SHARED, station=name, loads_max=2, lease_s=LEASE_S)
        self.jobs: dict[JobId, JobRecord] = {}
        self.loads: dict[LoadId, Load] = {}
        self.seen: dict[str, float] = {}
        self.unsaid: dict[str, tuple[Publish, float]] = {}
        self.said: set[str] = set()
        self.outbox: deque[Publish] = deque()
        self.custody: list[Entry] = []
        self.heard = self.noticed = 0
        self.plugged: dict[BayName, tuple[Sighting, Drive]] = {}
        self.cut_off = False
        self.begin()

    @property
    def at(self) -> float:
        return self.harbour.at + self.skew_s

    # -- the process --

    def begin(self) -> None:
        """A new process, from what was committed."""
        self.effects: list[Effect] = []
        self.timers: list[tuple[float, Timer]] = []
        self.station = core.restored(
            self.limits,
            tuple(self.jobs.values()),
            tuple(self.loads.values()),
            None,
            {event_id: due_at for event_id, (_, due_at) in self.unsaid.items()},
            self.seen,
        )
        sightings = tuple(sighting for sighting, _ in self.plugged.values())
        self.take(StationStarted(at=self.at, sightings=sightings))

    def take(self, event: Event) -> None:
        decision = core.step(self.station, event)
        self.station = decision.station
        for record in decision.records:
            self._commit(record)
        for command in decision.commands:
            self._perform(command)

    def _commit(self, record: object) -> None:
        match record:
            case SaveJob():
                self.jobs[record.record.job_id] = record.record
            case SaveLoad():
                self.loads[record.load.load_id] = record.load
            case SaveCustody():
                self.custody.append(record.entry)
            case SaveSeen():
                self.seen[record.station] = record.at
            case SaveUnsaid():
                self.unsaid[record.message.event_id] = (record.message, record.due_at)
            case Say():
                message, _ = self.unsaid.pop(record.event_id)
                if message.event_id not in self.said:
                    self._send(message)
            case Unsay():
                del self.unsaid[record.event_id]
            case Publish():
                self._send(record)

    def _send(self, message: Publish) -> None:
        assert message.event_id not in self.said, f"{self.name} says twice: {message}"
        self.said.add(message.event_id)
        self.outbox.append(message)

    def _perform(self, command: Command) -> None:
        match command:
            case StartTimer():
                self.timers.append((self.harbour.at + command.after_s, command.timer))
            case Cancel():
                self._cancel(command)
            case Identify() | Survey() | Transfer() | Prove() | TakeBack() | Close():
                self.effects.append(command)

    def _cancel(self, command: Cancel) -> None:
        for effect in [e for e in self.effects if getattr(e, "load_id", None) == command.load_id]:
            if effect.attempt == command.attempt:
                self.effects.remove(effect)
                done = EffectCancelled(at=self.at, load_id=command.load_id, attempt=command.attempt)
                self.harbour.later.append((self, done))

    # -- what can happen next --

    def moves(self) -> Iterator[str]:
        if not self.cut_off:
            if self.outbox:
                yield "publish"
            if self.heard < len(self.harbour.log.records):
                yield "hear"
            if self.noticed < len(self.harbour.log.notices):
                yield "notice"
        if self.effects:
            yield "work"

    def move(self, what: str, rng: random.Random) -> None:
        match what:
            case "publish":
                self.harbour.log.publish(self.name, self.outbox.popleft())
            case "hear":
                station, message = self.harbour.log.records[self.heard]
                self.heard += 1
                self.take(self._heard(station, message))
            case "notice":
                offset, self.noticed = self.noticed, self.noticed + 1
                notice = self.harbour.log.notices[offset]
                self.take(replace(notice, at=self.at, offset=offset))
            case "work":
                self.work(rng.choice(self._first_of_each()))

    def _heard(self, station: str, message: Publish) -> Heard:
        return Heard(
            at=self.at, station=station, said_at=message.at, event_id=message.event_id, body=message.body
        )

    def _first_of_each(self) -> list[Effect]:
        firsts: dict[str, Effect] = {}
        for effect in self.effects:
            firsts.setdefault(effect.bay if isinstance(effect, Identify) else effect.load_id, effect)
        return list(firsts.values())

    # -- what effects do --

    def work(self, effect: Effect) -> None:
        self.effects.remove(effect)
        at, attempt = self.at, effect.attempt
        if isinstance(effect, Identify):
            there = self.plugged.get(effect.bay)
            if there is not None and there[0] == effect.sighting:
                self.take(Identified(at=at, bay=effect.bay, attempt=attempt, facts=there[1].facts))
            return
        known: dict[str, Any] = {"at": at, "load_id": effect.load_id, "attempt": attempt}
        load = self.loads[effect.load_id]
        place = _place(load)
        match effect:
            case Survey():
                self.take(Surveyed(**known, facts=self._survey(effect)))
            case Transfer():
                self.harbour.store.put(place, effect.load_id)
                self.take(Transferred(**known, ledger=v.ledger(stored=3), faults=()))
            case Prove() if place in self.harbour.store.owner:
                self.take(Proved(**known, receipt=v.receipt(effect.load_id, effect.job)))
            case Prove():
                self.take(ProofFailed(**known, ledger=v.ledger(stored=2, pending=1), paths=("a.age",)))
            case TakeBack():
                self.harbour.store.take_back(effect.load_id)
                self.take(TakenBack(**known, files=3, size_bytes=3000))
            case Close():
                self.take(Closed(**known, powered_down=True))

    def _survey(self, effect: Survey) -> SurveyFacts:
        (drive,) = [d for s, d in self.plugged.values() if s.handle == effect.handle]
        names = {item.name for item in effect.job.items}
        here = [name for name in drive.has if name in names]
        gone = sorted(names - set(here))
        secrecy = (v.plain(),) if drive.plain else ()
        return v.survey(items=(*v.found(*here), *v.missing(*gone)), secrecy=secrecy)

    # -- the floor --

    def free_bays(self) -> list[BayName]:
        return [BayName(bay) for bay in BAYS if BayName(bay) not in self.plugged]

    def plug(self, bay: BayName, drive: Drive) -> None:
        sighting = v.sighting(bay, drive.facts, self.harbour.next_generation())
        self.plugged[bay] = (sighting, drive)
        self.take(DriveAppeared(at=self.at, sighting=sighting))

    def pull(self, bay: BayName) -> Drive:
        _, drive = self.plugged.pop(bay)
        self.effects = [e for e in self.effects if not self._needs(e, bay)]
        self.take(DriveGone(at=self.at, bay=bay))
        return drive

    def _needs(self, effect: Effect, bay: BayName) -> bool:
        """A survey or a transfer of a drive that is pulled ends in a failure that is stale by then."""
        if isinstance(effect, Identify):
            return effect.bay == bay
        return isinstance(effect, Survey | Transfer) and self.loads[effect.load_id].bay == bay

    def held_as_done(self) -> list[BayName]:
        """Bays with a drive that is held because its place, or its job, has come to its end."""
        return [
            load.bay
            for load in self.station.in_order()
            if isinstance(load.state, Held)
            and load.state.reason is HoldReason.ALREADY_DONE
            and load.bay is not None
        ]

    def release_ready(self) -> list[BayName]:
        """Bays whose drive may be pulled."""
        bays = self.station.bays
        return [
            bay
            for bay in self.plugged
            if bay in bays
            and bays[bay].load_id is not None
            and self.loads[_some(bays[bay].load_id)].phase.value == "released"
        ]


def _some(load_id: LoadId | None) -> LoadId:
    assert load_id is not None
    return load_id


def _place(load: Load) -> Place:
    return (load.job_id or JobId("nobody"), load.drive_index or 0)


class Harbour:
    """Three stations at work on a few jobs."""

    def __init__(self, seed: int, *, stations: int = 3, jobs: int = 3) -> None:
        self.rng = random.Random(seed)
        self.at = v.AT
        self.log = Log()
        self.store = Store()
        self.later: list[tuple[Pier, Event]] = []
        self._generation = 0
        self.jobs: dict[JobId, Job] = {}
        self.shelf: list[Drive] = []
        self.withdrawn: set[JobId] = set()
        self.bad: set[JobId] = set()
        self.pulled: list[Drive] = []
        """Drives that were released."""
        self.piers: list[Pier] = []
        for number in range(stations):
            self.piers.append(Pier(f"quay-{number:02}", self._skew_s(), self))
        for number in range(jobs):
            self._order(number)

    def _skew_s(self) -> float:
        """Most clocks are about right, some are off by more than the lease."""
        return self.rng.choice((2.0, 2.0, 10 * LEASE_S)) * self.rng.uniform(-1, 1)

    def next_generation(self) -> int:
        self._generation += 1
        return self._generation

    def _order(self, number: int) -> None:
        job_id = JobId(f"kelp-{number:04}")
        count = self.rng.choice((1, 2, 2, 3))
        serials = [f"HQ{number:04}{place}" for place in range(count)]
        names = [f"part-{place}.age" for place in range(count)]
        job = v.job(job_id, *serials, items=tuple(Item(name=name) for name in names))
        self.jobs[job_id] = job
        fate = self.rng.random()
        for place, serial in enumerate(serials):
            has: tuple[str, ...] = (names[place],)
            plain = False
            if place == count - 1 and fate < 0.15:
                has = ()
                self.bad.add(job_id)
            elif place == count - 1 and fate < 0.3:
                plain = True
                self.bad.add(job_id)
            drive = Drive((job_id, place), v.facts(serial), has, plain)
            self.shelf.append(drive)
        self.log.notices.append(JobAnnounced(at=self.at, job=job))

    # -- one thing happens --

    def happen(self, mischief: float) -> None:
        """Something happens: mostly work, now and then mischief."""
        self._settle_cancelled()
        self.at += self.rng.uniform(0.0, 2.0)
        if self.rng.random() < mischief:
            self._mischief()
        elif self.shelf and self.rng.random() < 0.2:
            self._plug_one()
        else:
            self._work()
        self._fire_due()

    def _settle_cancelled(self) -> None:
        while self.later:
            pier, event = self.later.pop()
            pier.take(event)

    def _work(self) -> None:
        moves = [(pier, what) for pier in self.piers for what in pier.moves()]
        if moves:
            pier, what = self.rng.choice(moves)
            pier.move(what, self.rng)
            self._settle_cancelled()

    def _plug_one(self) -> None:
        free = [(pier, bay) for pier in self.piers for bay in pier.free_bays()]
        if free:
            pier, bay = self.rng.choice(free)
            pier.plug(bay, self.shelf.pop(self.rng.randrange(len(self.shelf))))

    def _mischief(self) -> None:
        what = self.rng.choice(
            ("cut", "cut", "kill", "pull", "pull", "time", "clock", "move", "withdraw", "amend")
        )
        pier = self.rng.choice(self.piers)
        match what:
            case "cut":
                pier.cut_off = not pier.cut_off
            case "kill":
                self.later = [(p, e) for p, e in self.later if p is not pier]
                pier.begin()
            case "pull" if pier.plugged:
                self.shelf.append(pier.pull(self.rng.choice(sorted(pier.plugged))))
            case "time":
                self._pass_time(self.rng.choice((30.0, LEASE_S / 2, LEASE_S * 1.5)))
            case "move" if pier.plugged:
                self._move(pier)
            case "clock":
                pier.skew_s = self._skew_s()
            case "amend":
                self._amend()
            case "withdraw" if self.rng.random() < 0.3:
                job_id = self.rng.choice(sorted(self.jobs))
                self.withdrawn.add(job_id)
                self.log.notices.append(JobWithdrawn(at=self.at, job_id=job_id, reason="cancelled"))

    def _move(self, pier: Pier) -> None:
        """A station dies, and a drive of its is brought to another one, where it waits."""
        pier.cut_off = True
        drive = pier.pull(self.rng.choice(sorted(pier.plugged)))
        free = [(other, bay) for other in self.piers if not other.cut_off for bay in other.free_bays()]
        if not free:
            self.shelf.append(drive)
            return
        other, bay = self.rng.choice(free)
        other.plug(bay, drive)
        for _ in range(20):
            self._work()
        self._pass_time(LEASE_S * self.rng.uniform(0.5, 2.0))

    def _pass_time(self, seconds: float) -> None:
        """Stations that are not cut off hear each other's reports meanwhile."""
        until = self.at + seconds
        while self.at < until:
            self.at += min(60.0, until - self.at)
            self._fire_due()
            for what in ("publish", "hear"):
                for pier in self.piers:
                    while what in pier.moves():
                        pier.move(what, self.rng)
                        self._settle_cancelled()

    def _amend(self) -> None:
        """A job that failed gets another chance, with drives in which nothing is wrong."""
        failed = [job_id for job_id in self.jobs if self.log.ids(JobFailed, job_id)]
        again = [
            job_id for job_id in failed if self.jobs[job_id].version == 1 and job_id not in self.withdrawn
        ]
        if not again:
            return
        job = replace(self.jobs[self.rng.choice(again)], version=2)
        self.jobs[job.job_id] = job
        self.bad.discard(job.job_id)
        self.log.notices.append(JobAmended(at=self.at, job=job))
        for drive in self._drives():
            if drive.place[0] == job.job_id:
                drive.plain = False
                drive.has = (f"part-{drive.place[1]}.age",)

    def _drives(self) -> Iterator[Drive]:
        yield from self.shelf
        yield from self.pulled
        for pier in self.piers:
            yield from (drive for _, drive in pier.plugged.values())

    def _fire_due(self) -> None:
        for pier in self.piers:
            due = sorted((t for t in pier.timers if t[0] <= self.at), key=lambda timer: timer[0])
            for timer in due:
                if timer in pier.timers:
                    pier.timers.remove(timer)
                    pier.take(TimerFired(at=pier.at, timer=timer[1]))
                    self._settle_cancelled()

    # -- the end of the day --

    def settle(self) -> None:
        """Everything heals, all drives are plugged in somewhere, and time passes until nothing moves."""
        for pier in self.piers:
            pier.cut_off = False
        for _ in range(60):
            self._work_until_quiet()
            for pier in self.piers:
                for bay in pier.release_ready():
                    self.pulled.append(pier.pull(bay))
            self._make_room()
            self._bring_back()
            while self.shelf and any(pier.free_bays() for pier in self.piers):
                self._plug_one()
            self._work_until_quiet()
            self.at += 45.0
            self._fire_due()
        self._work_until_quiet()

    def _make_room(self) -> None:
        """Drives that nothing is left to do for leave the bays to those that wait."""
        if self.shelf and not any(pier.free_bays() for pier in self.piers):
            for pier in self.piers:
                for bay in pier.held_as_done():
                    self.pulled.append(pier.pull(bay))

    def _bring_back(self) -> None:
        """Drives of jobs that have been amended since are plugged in again, until they are loaded."""
        for drive in [d for d in self.pulled if self.jobs[d.place[0]].version > 1]:
            if not self.log.ids(JobLoaded, drive.place[0]) and drive.place[0] not in self.withdrawn:
                self.pulled.remove(drive)
                self.shelf.append(drive)

    def _work_until_quiet(self) -> None:
        for _ in range(20_000):
            self._settle_cancelled()
            self.at += 0.01
            self._fire_due()
            if not any(True for pier in self.piers for _ in pier.moves()):
                return
            self._work()
        raise AssertionError("the harbour never comes to rest")

    # -- what must hold --

    def check_always(self) -> None:
        for job_id in self.jobs:
            loaded, failed = self.log.ids(JobLoaded, job_id), self.log.ids(JobFailed, job_id)
            assert len(loaded) <= 1, f"{job_id} is loaded under several ids"
            versions = self.jobs[job_id].version
            assert len(failed) <= versions, f"{job_id} failed under several ids"
            assert not (loaded and len(failed) == versions), f"{job_id} is loaded and failed"
            if loaded:
                self._check_data(job_id)

    def _check_data(self, job_id: JobId) -> None:
        for place in range(len(self.jobs[job_id].drives)):
            assert (job_id, place) in self.store.owner, f"{job_id} is loaded and drive {place} is gone"

    def check_end(self) -> None:
        """After `settle`."""
        self.check_always()
        views = [
            {job_id: (r.status, {(c.drive_index, c.load_id, c.outcome) for c in r.claims}) for job_id, r in
             pier.jobs.items()}
            for pier in self.piers
        ]  # fmt: skip
        assert all(view == views[0] for view in views), "stations see the jobs differently"
        for job_id in self.jobs:
            loaded, failed = self.log.ids(JobLoaded, job_id), self.log.ids(JobFailed, job_id)
            if job_id in self.withdrawn:
                assert self.log.answers(job_id), f"the withdrawal of {job_id} is not answered"
                if any(answer.taken_back for answer in self.log.answers(job_id)):
                    assert not any(owned[0] == job_id for owned in self.store.owner), f"{job_id} is left over"
            elif job_id in self.bad:
                assert failed and not loaded, f"{job_id} did not fail"
                assert not any(owned[0] == job_id for owned in self.store.owner), f"{job_id} is left over"
            else:
                assert loaded, f"{job_id} was never loaded"
