"""A whole station, driven by hand: what it decides is committed, performed and checked.

The journal is a few dictionaries, filled from the committed records alone. Effects are kept in the order
in which they were asked for, one queue for each owner, as the daemon does it; nothing in them happens
until the test answers. After every step the invariants of `tests.support.invariants` are checked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from ingestd.core import station as core
from ingestd.core.custody import Entry
from ingestd.core.drive import DriveFacts, Sighting
from ingestd.core.found import FileFault, Ledger, SurveyFacts
from ingestd.core.job import Job
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.limits import Limits
from ingestd.core.messages import (
    Cancel,
    Close,
    Closed,
    Command,
    DriveAppeared,
    DriveAssigned,
    DriveGone,
    Effect,
    EffectCancelled,
    EffectFailed,
    Event,
    HoldLifted,
    Identified,
    Identify,
    IdentifyFailed,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    Progressed,
    ProofFailed,
    Prove,
    Proved,
    Recheck,
    Rechecked,
    SaveCustody,
    SaveJob,
    SaveLoad,
    SaveUplink,
    StartTimer,
    StationStarted,
    StopRequested,
    Survey,
    Surveyed,
    TakeBack,
    TakenBack,
    Timer,
    TimerFired,
    Transfer,
    Transferred,
)
from ingestd.core.model import Attempt, BayName, Decision, FailureKind, JobId, LoadId, Phase
from ingestd.core.outgoing import Outgoing, Publish
from ingestd.core.phases import Load
from tests.support import values as v
from tests.support.invariants import Watch

T = TypeVar("T")

Owner = BayName | LoadId


@dataclass(slots=True)
class Journal:
    """What was committed, and nothing else."""

    jobs: dict[JobId, JobRecord] = field(default_factory=dict)
    loads: dict[LoadId, Load] = field(default_factory=dict)
    uplink: SaveUplink | None = None
    told: list[Publish] = field(default_factory=list)
    custody: list[Entry] = field(default_factory=list)

    def commit(self, decision: core.Decision) -> None:
        for record in decision.records:
            match record:
                case SaveJob():
                    self.jobs[record.record.job_id] = record.record
                case SaveLoad():
                    self.loads[record.load.load_id] = record.load
                case SaveUplink():
                    self.uplink = record
                case SaveCustody():
                    self.custody.append(record.entry)
                case Publish():
                    self.told.append(record)

    def restored(self, limits: Limits) -> core.Station:
        return core.restored(limits, tuple(self.jobs.values()), tuple(self.loads.values()), self.uplink)


class Quay:
    """Station quay-03. `messages` and `commands` are those of the last step."""

    def __init__(self, limits: Limits = v.LIMITS) -> None:
        self.limits = limits
        self.journal = Journal()
        self.watch = Watch()
        self.at = v.AT
        self.generation = 0
        self.plugged: dict[BayName, Sighting] = {}
        self.facts: dict[BayName, DriveFacts] = {}
        self._new_process()

    def _new_process(self) -> None:
        self.station = self.journal.restored(self.limits)
        self.effects: dict[Owner, list[Effect]] = {}
        self.timers: list[tuple[float, Timer]] = []
        self.messages: tuple[Outgoing, ...] = ()
        self.commands: tuple[Command, ...] = ()

    # -- the loop --

    def take(self, event: Event) -> Quay:
        """Step, commit, perform, check; then the completions of what was cancelled on the way."""
        before = self.station
        decision = core.step(self.station, event)
        self.station = decision.station
        self.journal.commit(decision)
        self.messages = tuple(r.body for r in decision.records if isinstance(r, Publish))
        self.commands = decision.commands
        self.watch.see(before, event, decision, self.effects)
        cancelled = [event for command in decision.commands for event in self._perform(command)]
        self.watch.check(self.station, self.journal, self.effects, [timer for _, timer in self.timers])
        for late in cancelled:
            self._aside(late)
        return self

    def _aside(self, event: Event) -> None:
        messages, commands = self.messages, self.commands
        self.take(event)
        self.messages, self.commands = messages + self.messages, commands + self.commands

    def _perform(self, command: Command) -> Iterable[Event]:
        match command:
            case StartTimer():
                self.timers.append((self.at + command.after_s, command.timer))
            case Cancel():
                yield from self.cancel(command)
            case Identify():
                self.effects.setdefault(command.bay, []).append(command)
            case _:
                self.effects.setdefault(command.load_id, []).append(command)

    def cancel(self, command: Cancel) -> Iterable[Event]:
        """Here every effect stops at once when it is asked to."""
        self.done(command.load_id, command.attempt)
        yield EffectCancelled(at=self.at, load_id=command.load_id, attempt=command.attempt)

    def done(self, owner: Owner, attempt: Attempt) -> Effect:
        """Take an effect out of its queue."""
        queue = self.effects[owner]
        (effect,) = [effect for effect in queue if effect.attempt == attempt]
        queue.remove(effect)
        if not queue:
            del self.effects[owner]
        return effect

    def restart(self, *, without: Iterable[str] = (), moved: dict[str, str] | None = None) -> Quay:
        """A new process. `without` names bays whose drives were pulled meanwhile; `moved` maps bays."""
        for bay in without:
            del self.plugged[BayName(bay)]
        for old, new in (moved or {}).items():
            self._stand(new, self.facts[BayName(old)])
            del self.plugged[BayName(old)]
        self.at += 60.0
        self._new_process()
        return self.take(StationStarted(at=self.at, sightings=tuple(self.plugged.values())))

    # -- the floor --

    def plug(self, bay: str, drive: DriveFacts | None = None, *, known: bool = True) -> Quay:
        """Plug a drive into a bay; unless not `known`, it is identified at once."""
        self.at += 1.0
        sighting = self._stand(bay, drive or v.facts())
        self.take(DriveAppeared(at=self.at, sighting=sighting))
        return self.identified(bay) if known else self

    def _stand(self, bay: str, drive: DriveFacts) -> Sighting:
        self.generation += 1
        sighting = v.sighting(bay, drive, self.generation)
        self.plugged[BayName(bay)], self.facts[BayName(bay)] = sighting, drive
        return sighting

    def identified(self, bay: str) -> Quay:
        name = BayName(bay)
        effect = self.done(name, self.station.bays[name].attempt)
        self.at += 1.0
        return self.take(Identified(at=self.at, bay=name, attempt=effect.attempt, facts=self.facts[name]))

    def unidentified(self, bay: str, kind: FailureKind = FailureKind.DRIVE_UNREADABLE) -> Quay:
        """Every try to identify the drive fails, until the station makes the best of it."""
        name = BayName(bay)
        while name in self.effects:
            effect = self.done(name, self.station.bays[name].attempt)
            failure = v.failure(kind, "no answer")
            self.take(IdentifyFailed(at=self.at, bay=name, attempt=effect.attempt, failure=failure))
            if any(timer.purpose == "identify" for _, timer in self.timers):
                self.fire("identify")
        return self

    def unplug(self, bay: str) -> Quay:
        self.at += 1.0
        self.plugged.pop(BayName(bay), None)
        return self.take(DriveGone(at=self.at, bay=BayName(bay)))

    # -- notices --

    def announce(self, job: Job | None = None) -> Quay:
        self.at += 1.0
        return self.take(JobAnnounced(at=self.at, job=job or v.job()))

    def amend(self, job: Job) -> Quay:
        self.at += 1.0
        return self.take(JobAmended(at=self.at, job=job))

    def withdraw(self, job_id: str = v.SONAR) -> Quay:
        self.at += 1.0
        return self.take(JobWithdrawn(at=self.at, job_id=JobId(job_id), reason="the order was cancelled"))

    def assign(self, bay: str, job_id: str = v.SONAR) -> Quay:
        self.at += 1.0
        return self.take(DriveAssigned(at=self.at, bay=BayName(bay), job_id=JobId(job_id), by="m.okafor"))

    def lift(self, bay: str, decision: Decision) -> Quay:
        self.at += 1.0
        return self.take(HoldLifted(at=self.at, bay=BayName(bay), decision=decision, by="m.okafor"))

    def lift_load(self, load: Load, decision: Decision = Decision.AGAIN) -> Quay:
        """By its id: its drive may be in no bay."""
        self.at += 1.0
        return self.take(HoldLifted(at=self.at, load_id=load.load_id, decision=decision, by="m.okafor"))

    def stop(self) -> Quay:
        return self.take(StopRequested(at=self.at))

    # -- what effects say --

    def surveyed(self, bay: str = "bay-1", facts: SurveyFacts | None = None) -> Quay:
        return self._answer(bay, Survey, Surveyed, facts=facts or v.survey())

    def progressed(self, bay: str, ledger: Ledger, rate: float = 1e6) -> Quay:
        self.at += 1.0
        load = self.at_bay(bay)
        return self.take(
            Progressed(
                at=self.at,
                load_id=load.load_id,
                attempt=Attempt(getattr(load.state, "attempt", -1)),
                ledger=ledger,
                rate_bytes_per_second=rate,
            )
        )

    def transferred(self, bay: str = "bay-1", *faults: FileFault, ledger: Ledger | None = None) -> Quay:
        waived = {subject for _, subject in self.at_bay(bay).waived}
        skipped = sum(fault.path in waived for fault in faults)
        ledger = ledger or v.ledger(stored=3 - len(faults), failed=len(faults) - skipped, skipped=skipped)
        return self._answer(bay, Transfer, Transferred, ledger=ledger, faults=faults)

    def rechecked(self, bay: str = "bay-1", *confirmed: FileFault) -> Quay:
        ledger = v.ledger(stored=2, failed=1) if confirmed else v.ledger(stored=2, pending=1)
        return self._answer(bay, Recheck, Rechecked, ledger=ledger, confirmed=confirmed)

    def proved(self, bay: str = "bay-1", load: Load | None = None) -> Quay:
        load = load or self.at_bay(bay)
        job = self.station.job_of(load)
        assert job is not None
        return self._answer(load, Prove, Proved, receipt=v.receipt(load.load_id, job))

    def proof_failed(self, bay: str = "bay-1", load: Load | None = None) -> Quay:
        ledger = v.ledger(stored=2, pending=1)
        paths = ("vol-1/reef-north.tar.age",)
        return self._answer(load or bay, Prove, ProofFailed, ledger=ledger, paths=paths)

    def taken_back(self, bay: str | Load = "bay-1") -> Quay:
        return self._answer(bay, TakeBack, TakenBack, files=3, size_bytes=3 * v.FILE_BYTES)

    def closed(self, bay: str | Load = "bay-1", *, powered_down: bool = True) -> Quay:
        return self._answer(bay, Close, Closed, powered_down=powered_down)

    def failed(self, bay: str | Load = "bay-1", kind: FailureKind = FailureKind.UNKNOWN) -> Quay:
        return self._answer(bay, object, EffectFailed, failure=v.failure(kind))

    def _answer(self, where: str | Load, effect: type, kind: Any, **more: object) -> Quay:
        """The completion of what the load waits for; whatever was queued before it is done first."""
        load = self.station.loads[where.load_id] if isinstance(where, Load) else self.at_bay(where)
        attempt = Attempt(getattr(load.state, "attempt", -1))
        for earlier in [e for e in self.effects[load.load_id] if e.attempt < attempt]:
            assert isinstance(earlier, Close), "only a drive that is let go is not waited for"
            self.done(load.load_id, earlier.attempt)
            self._aside(Closed(at=self.at, load_id=load.load_id, attempt=earlier.attempt, powered_down=False))
        asked = self.done(load.load_id, attempt)
        assert isinstance(asked, effect), f"the load waits for {asked}"
        self.at += 1.0
        return self.take(kind(at=self.at, load_id=load.load_id, attempt=attempt, **more))

    def fire(self, purpose: str) -> Quay:
        """The next timer for this purpose fires, at its time."""
        due, timer = min((pair for pair in self.timers if pair[1].purpose == purpose), key=lambda p: p[0])
        self.timers.remove((due, timer))
        self.at = max(self.at, due)
        return self.take(TimerFired(at=self.at, timer=timer))

    # -- shorthands --

    def loaded(self, bay: str = "bay-1") -> Quay:
        """A load that waits for its survey, taken to its end without fault."""
        return self.surveyed(bay).transferred(bay).proved(bay).closed(bay)

    def looks(self, bay: str, facts: SurveyFacts) -> Quay:
        """Two surveys that see the same."""
        return self.surveyed(bay, facts).surveyed(bay, facts)

    def at_bay(self, bay: str) -> Load:
        """The load whose drive stands in a bay."""
        load_id = self.station.bays[BayName(bay)].load_id
        assert load_id is not None, f"the drive in {bay} is not identified"
        return self.station.loads[load_id]

    def phase(self, bay: str = "bay-1") -> Phase:
        return self.at_bay(bay).phase

    def status(self, job_id: str = v.SONAR) -> JobStatus:
        return self.station.jobs[JobId(job_id)].status

    def says(self, kind: type[T]) -> T:
        """The one message of this kind of the last step."""
        (one,) = [message for message in self.messages if isinstance(message, kind)]
        return one

    def said_one(self, kind: type) -> bool:
        """Whether exactly one message of the last step is of this kind."""
        return sum(isinstance(message, kind) for message in self.messages) == 1

    def does_one(self, kind: type) -> bool:
        """Whether exactly one command of the last step is of this kind."""
        return sum(isinstance(command, kind) for command in self.commands) == 1

    def does(self, kind: type[T]) -> T:
        """The one command of this kind of the last step."""
        (one,) = [command for command in self.commands if isinstance(command, kind)]
        return one

    def told(self, kind: type[T]) -> list[T]:
        """Every message of this kind, ever."""
        return [record.body for record in self.journal.told if isinstance(record.body, kind)]

    @property
    def said(self) -> list[str]:
        return [message.TYPE.removeprefix("ingest.") for message in self.messages]

    @property
    def did(self) -> Counter[str]:
        return Counter(type(command).__name__ for command in self.commands)

    def with_limits(self, **changes: Any) -> Quay:
        """Other limits, as a new process would read them."""
        self.limits = replace(self.limits, **changes)
        return self.restart()
