"""A simulated floor around a whole station: drives with a hidden truth, a store, time, and crashes.

Everything that an effect finds out follows from what the drives and the store really hold, so that each
message of the station can be compared with the truth. `World.settle` lets everything come to rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from enum import Enum

from ingestd.core.drive import DriveFacts, DriveHandle, VolumeFacts
from ingestd.core.found import (
    FileFault,
    FindingCode,
    ItemFact,
    Ledger,
    Presence,
    Samples,
    Secrecy,
    SecrecyFact,
    SurveyFacts,
)
from ingestd.core.job import Job
from ingestd.core.job_record import JobStatus
from ingestd.core.layout import folder_of
from ingestd.core.limits import Limits
from ingestd.core.messages import (
    BayReport,
    Cancel,
    Close,
    Closed,
    Effect,
    EffectCancelled,
    EffectFailed,
    Event,
    Identified,
    Identify,
    IdentifyFailed,
    LoadEffect,
    LoadReport,
    Progressed,
    ProofFailed,
    Prove,
    Proved,
    Recheck,
    Rechecked,
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
from ingestd.core.model import (
    Attempt,
    BayName,
    Decision,
    FailureKind,
    HoldReason,
    JobId,
    LoadId,
    Outcome,
    Phase,
    Severity,
)
from ingestd.core.outgoing import JobFailed, JobLoaded, JobWithdrawalCompleted
from ingestd.core.phases import Held, Released
from tests.support import values as v
from tests.support.one_station import Owner, Quay

Report = LoadReport | BayReport

Key = tuple[str, str]
"""Store and path of an object."""


class Flaw(Enum):
    """What is really the matter with a drive."""

    SOUND = "nothing"
    PLAIN = "an archive is not encrypted, whenever one looks"
    WRONG = "an archive has another checksum, whenever one reads"
    GLITCH = "the first reading goes wrong, no other does"
    FICKLE = "every first reading goes wrong, no second one does"
    TWO_FACED = "each look finds fault with another archive"
    DOUBTFUL = "nobody can tell whether an archive is encrypted"
    DEAD = "nothing can be read"


AT_FAULT = {
    FindingCode.NOT_ENCRYPTED: Flaw.PLAIN,
    FindingCode.CHECKSUM_MISMATCH: Flaw.WRONG,
    FindingCode.DRIVE_UNREADABLE: Flaw.DEAD,
}
"""The findings that may fail a job in this world, and the truth behind each."""


@dataclass(slots=True)
class Unit:
    """One physical drive."""

    facts: DriveFacts
    files: dict[str, str]
    flaw: Flaw = Flaw.SOUND
    readings: int = 0


class State(Enum):
    PENDING = "pending"
    STORED = "stored"
    FAILED = "failed"


@dataclass(slots=True)
class Row:
    """A file in the manifest of a load."""

    content: str
    state: State = State.PENDING


@dataclass(slots=True)
class Thing:
    """An object in the store, and the load that put it there."""

    content: str
    owner: LoadId


@dataclass(slots=True)
class Truth:
    """What outlives every process: manifests, stores, and who was told what."""

    manifests: dict[LoadId, dict[str, Row]] = field(default_factory=dict)
    store: dict[Key, Thing] = field(default_factory=dict)
    units: dict[LoadId, Unit] = field(default_factory=dict)
    """The drive that was last looked at for a load."""
    promised: dict[Key, str] = field(default_factory=dict)
    """Objects of jobs that were reported loaded."""
    withdrawals: dict[JobId, int] = field(default_factory=dict)
    """How many answers each withdrawn job had when it was last withdrawn."""


class World(Quay):
    """A quay whose effects find out what is true."""

    def __init__(self, units: Iterable[Unit], limits: Limits = v.LIMITS) -> None:
        self.units = list(units)
        self.truth = Truth()
        self.stands: dict[BayName, Unit] = {}
        self.cancelled: set[tuple[Owner, Attempt]] = set()
        self.past: list[Report] = []
        super().__init__(limits)

    def take(self, event: Event) -> World:
        super().take(event)
        for message in self.messages:
            if isinstance(message, JobLoaded):
                self._promise(message)
            elif isinstance(message, JobFailed) and message.observations >= 2:
                self._judge(message)
        for key, content in self.truth.promised.items():
            thing = self.truth.store.get(key)
            assert thing is not None, f"{key} of a loaded job is gone"
            assert thing.content == content, f"{key} of a loaded job has changed"
        return self

    def _new_process(self) -> None:
        super()._new_process()
        self.cancelled = set()
        # The attempts of bays are counted by each process anew.
        self.past = [event for event in self.past if not isinstance(event, BayReport)]

    def cancel(self, command: Cancel) -> Iterable[Event]:
        """What is queued is dropped; what is running is asked to stop, and answers in its time."""
        if self.effects[command.load_id][0].attempt == command.attempt:
            self.cancelled.add((command.load_id, command.attempt))
            return
        yield from super().cancel(command)

    # -- what was said, compared with the truth --

    def _promise(self, message: JobLoaded) -> None:
        job = self.station.jobs[message.job_id].job
        assert job is not None
        claims = {claim.load_id: claim.drive_index for claim in self.station.jobs[message.job_id].claims}
        for receipt in message.receipts:
            folder = folder_of(job, claims[receipt.load_id])
            for name, row in self.truth.manifests[receipt.load_id].items():
                assert row.state is State.STORED, f"{name} is {row.state.value}, though its job is loaded"
                self.truth.promised[_key(job, folder, name)] = row.content

    def _judge(self, message: JobFailed) -> None:
        unit = self.truth.units[message.load_id]
        for finding in message.findings:
            if finding.severity is not Severity.BLOCKING:
                continue
            if finding.code is FindingCode.ITEM_MISSING:
                assert finding.subject not in self._seen_for(message.job_id), f"a false failure: {finding}"
            else:
                assert unit.flaw is AT_FAULT.get(finding.code), f"a false failure: {finding} of {unit}"

    def _seen_for(self, job_id: JobId) -> set[str]:
        """Names on all drives that count for a job now."""
        claims = self.station.jobs[job_id].claims
        counting = [c.load_id for c in claims if c.outcome in (None, Outcome.LOADED)]
        return {name for load_id in counting for name in self.truth.manifests.get(load_id, ())}

    # -- the floor --

    def plug_unit(self, number: int, bay: str) -> None:
        """Put a drive into a bay, out of whichever it is in, in place of what is there."""
        unit = self.units[number]
        for other in [name for name, stands in self.stands.items() if stands is unit]:
            self.unplug_bay(other)
        self.stands[BayName(bay)] = unit
        self.plug(bay, unit.facts, known=False)

    def unplug_bay(self, bay: str) -> None:
        self.stands.pop(BayName(bay), None)
        self.unplug(bay)

    def crash(self, swaps: Iterable[tuple[str, int | None]] = ()) -> None:
        """The process dies between two steps; hands change drives meanwhile; a new process begins."""
        for queue in self.effects.values():
            if isinstance(queue[0], Transfer):
                self._transfer_some(queue[0], 1, recorded=False)
        for bay, number in swaps:
            self._swap(BayName(bay), number)
        self.restart()

    def _swap(self, bay: BayName, number: int | None) -> None:
        unit = self.units[number] if number is not None else None
        for name in [name for name, stands in self.stands.items() if stands is unit or name == bay]:
            del self.stands[name], self.plugged[name]
        if unit is not None:
            self.stands[bay] = unit
            self._stand(bay, unit.facts)

    def halt(self) -> None:
        """Stop in an orderly way, and start again."""
        self.take(StopRequested(at=self.at))
        for owner in list(self.effects):
            while owner in self.effects:
                self.finish(owner, stopped=True)
        self.restart()

    # -- effects --

    def finish(self, owner: Owner, *, kind: FailureKind | None = None, stopped: bool = False) -> None:
        """The effect at the head of a queue ends: with this failure, or with what it finds out."""
        effect = self.effects[owner][0]
        self.done(owner, effect.attempt)
        self.at += 1.0
        asked_to_stop = (owner, effect.attempt) in self.cancelled
        self.cancelled.discard((owner, effect.attempt))
        if kind is not None:
            event = self._failed(effect, kind)
        elif stopped or asked_to_stop:
            event = self._stopped(effect)
        else:
            event = self._found_out(effect)
        self.past.append(event)
        self.take(event)

    def _failed(self, effect: Effect, kind: FailureKind) -> Report:
        failure = v.failure(kind, f"{kind} in the simulation")
        if isinstance(effect, Identify):
            return IdentifyFailed(at=self.at, bay=effect.bay, attempt=effect.attempt, failure=failure)
        return EffectFailed(at=self.at, load_id=effect.load_id, attempt=effect.attempt, failure=failure)

    def _stopped(self, effect: Effect) -> Report:
        if isinstance(effect, Identify):
            return self._failed(effect, FailureKind.UNKNOWN)
        return EffectCancelled(at=self.at, load_id=effect.load_id, attempt=effect.attempt)

    def _found_out(self, effect: Effect) -> Report:
        match effect:
            case Identify():
                return self._identify(effect)
            case Prove():
                return self._prove(effect)
            case TakeBack():
                return self._take_back(effect)
            case Close():
                return Closed(
                    at=self.at, load_id=effect.load_id, attempt=effect.attempt, powered_down=effect.power_down
                )
            case Survey() | Transfer() | Recheck():
                unit = self._unit(effect.handle)
                if unit is None:
                    return self._failed(effect, FailureKind.DRIVE_GONE)
                self.truth.units[effect.load_id] = unit
                if unit.flaw is Flaw.DEAD:
                    return self._failed(effect, FailureKind.DRIVE_UNREADABLE)
                return self._read(effect, unit)

    def _unit(self, handle: DriveHandle) -> Unit | None:
        """The drive behind a handle; None when it is no longer the one in its bay."""
        for bay, sighting in self.plugged.items():
            if sighting.handle == handle:
                return self.stands[bay]
        return None

    def _identify(self, effect: Identify) -> Report:
        unit = self._unit(effect.sighting.handle)
        if unit is None:
            return self._failed(effect, FailureKind.DRIVE_GONE)
        return Identified(at=self.at, bay=effect.bay, attempt=effect.attempt, facts=unit.facts)

    def _read(self, effect: Survey | Transfer | Recheck, unit: Unit) -> Report:
        unit.readings += 1
        match effect:
            case Survey():
                facts = self._survey(effect, unit)
                return Surveyed(at=self.at, load_id=effect.load_id, attempt=effect.attempt, facts=facts)
            case Transfer():
                return self._transfer(effect, unit)
            case Recheck():
                return self._recheck(effect, unit)

    def _survey(self, effect: Survey, unit: Unit) -> SurveyFacts:
        before = self.truth.manifests.get(effect.load_id, {})
        rows = {
            name: before[name] if name in before and before[name].content == content else Row(content)
            for name, content in unit.files.items()
        }
        changed = [n for n, row in before.items() if n not in rows or rows[n] is not row]
        self.truth.manifests[effect.load_id] = rows
        return SurveyFacts(
            volumes=(VolumeFacts(name="vol-1"),),
            ledger=self.ledger(effect.load_id),
            items=tuple(_looked_for(effect.job, unit)),
            changed=Samples(count=len(changed), examples=tuple(changed)),
            secrecy=tuple(_secrets(unit)) if effect.sniff else (),
        )

    def _transfer(self, effect: Transfer, unit: Unit) -> Report:
        faults: list[FileFault] = []
        rows = self.truth.manifests[effect.load_id]
        for name in [name for name, row in rows.items() if row.state is State.PENDING]:
            if _goes_wrong(unit, name, effect):
                rows[name].state = State.FAILED
                faults.append(v.fault(name))
            elif not self._put(effect, name):
                return self._failed(effect, FailureKind.STORE_CONFLICT)
        return Transferred(
            at=self.at,
            load_id=effect.load_id,
            attempt=effect.attempt,
            ledger=self.ledger(effect.load_id),
            faults=tuple(faults),
        )

    def _put(self, effect: Transfer, name: str, *, recorded: bool = True) -> bool:
        """Store one file; whether there is nothing else under its key."""
        row = self.truth.manifests[effect.load_id][name]
        thing = self.truth.store.setdefault(
            _key(effect.job, effect.folder, name), Thing(row.content, effect.load_id)
        )
        if thing.content != row.content:
            return False
        row.state = State.STORED if recorded else row.state
        return True

    def progress(self, load_id: LoadId) -> None:
        """A running transfer stores one more file and says so."""
        effect = self.effects[load_id][0]
        assert isinstance(effect, Transfer)
        self._transfer_some(effect, 1, recorded=True)
        self.at += 1.0
        event = Progressed(
            at=self.at,
            load_id=load_id,
            attempt=effect.attempt,
            ledger=self.ledger(load_id),
            rate_bytes_per_second=1e6,
        )
        self.past.append(event)
        self.take(event)

    def _transfer_some(self, effect: Transfer, count: int, *, recorded: bool) -> None:
        unit = self._unit(effect.handle)
        rows = self.truth.manifests[effect.load_id]
        pending = [name for name, row in rows.items() if row.state is State.PENDING]
        if unit is None or unit.flaw in (Flaw.DEAD, Flaw.WRONG, Flaw.GLITCH, Flaw.FICKLE):
            return
        for name in pending[:count]:
            self._put(effect, name, recorded=recorded)

    def _recheck(self, effect: Recheck, unit: Unit) -> LoadReport:
        confirmed = effect.faults if unit.flaw is Flaw.WRONG else ()
        rows = self.truth.manifests[effect.load_id]
        for fault in effect.faults:
            if not confirmed:
                rows[fault.path].state = State.PENDING
        return Rechecked(
            at=self.at,
            load_id=effect.load_id,
            attempt=effect.attempt,
            ledger=self.ledger(effect.load_id),
            confirmed=confirmed,
        )

    def _prove(self, effect: Prove) -> LoadReport:
        rows = self.truth.manifests[effect.load_id]
        lost = []
        for name, row in rows.items():
            assert row.state is State.STORED, f"a proof is asked for while {name} is {row.state.value}"
            thing = self.truth.store.get(_key(effect.job, effect.folder, name))
            if thing is None or thing.content != row.content:
                row.state = State.PENDING
                lost.append(name)
        if lost:
            return ProofFailed(
                at=self.at,
                load_id=effect.load_id,
                attempt=effect.attempt,
                ledger=self.ledger(effect.load_id),
                paths=tuple(lost),
            )
        receipt = v.receipt(effect.load_id, effect.job, len(rows))
        return Proved(at=self.at, load_id=effect.load_id, attempt=effect.attempt, receipt=receipt)

    def _take_back(self, effect: TakeBack) -> LoadReport:
        mine = [key for key, thing in self.truth.store.items() if thing.owner == effect.load_id]
        for key in mine:
            assert key[0] == effect.destination.store
            assert key[1].startswith(effect.destination.prefix + "/")
            del self.truth.store[key]
        for row in self.truth.manifests.get(effect.load_id, {}).values():
            row.state = State.PENDING
        return TakenBack(
            at=self.at, load_id=effect.load_id, attempt=effect.attempt, files=len(mine), size_bytes=len(mine)
        )

    def ledger(self, load_id: LoadId) -> Ledger:
        states = [row.state for row in self.truth.manifests[load_id].values()]
        return v.ledger(
            pending=states.count(State.PENDING),
            stored=states.count(State.STORED),
            failed=states.count(State.FAILED),
        )

    # -- mishaps --

    def lose(self, key: Key) -> None:
        """Somebody removes an object that has not been proved yet."""
        load_id = self.truth.store[key].owner
        if key not in self.truth.promised and load_id not in self.watch.proved:
            del self.truth.store[key]

    def echo(self, number: int) -> None:
        """A completion of some time ago comes once more."""
        if self.past:
            event = self.past[number % len(self.past)]
            known = event.bay if isinstance(event, BayReport) else event.load_id
            under_way = [effect.attempt for effect in self.effects.get(known, ())]
            paused = [timer.attempt for _, timer in self.timers if timer.owner == known]
            if event.attempt not in (*under_way, *paused):
                self.take(replace(event, at=self.at))

    def fire_next(self, *purposes: str) -> bool:
        """The next timer, of these purposes if any are named, fires; whether there was one."""
        due = [pair for pair in self.timers if not purposes or pair[1].purpose in purposes]
        if not due:
            return False
        moment, timer = min(due, key=_by_time)
        self.timers.remove((moment, timer))
        self.at = max(self.at, moment)
        self.take(TimerFired(at=self.at, timer=timer))
        return True

    def note_withdrawal(self, job_id: JobId) -> None:
        self.truth.withdrawals[job_id] = self._answers(job_id)
        self.withdraw(job_id)

    def _answers(self, job_id: JobId) -> int:
        return sum(message.job_id == job_id for message in self.told(JobWithdrawalCompleted))

    # -- the end --

    def settle(self) -> None:
        """Every drive is plugged in, every effect is answered, every pause is waited for.

        Afterwards every load has reached its end or a hold; and a withdrawal, the end of the wait for a
        job, or a person's word gets it out of that.
        """
        self.restart()
        for number, unit in enumerate(self.units):
            if not any(stands is unit for stands in self.stands.values()):
                bay = next(f"bay-{n}" for n in range(99) if f"bay-{n}" not in self.stands)
                self.plug_unit(number, bay)
        self._come_to_rest()
        for load in self.station.loads.values():
            assert load.phase in (Phase.RELEASED, Phase.HELD), f"stuck: {load}"
        for record in list(self.station.jobs.values()):
            if record.status is JobStatus.PENDING:
                self.note_withdrawal(record.job_id)
        self._come_to_rest()
        while self.fire_next("unclaimed"):
            self._come_to_rest()
        for load in list(self.station.loads.values()):
            if isinstance(load.state, Held):
                assert load.job_id is None, f"a withdrawal does not move it: {load}"
                assert load.state.reason is not HoldReason.NO_MATCHING_JOB, f"it waits for ever: {load}"
                assert load.bay is not None, f"nobody can decide about it: {load}"
                self.lift(load.bay, Decision.REFUSE)
        self._come_to_rest()
        self._check_the_end()

    def _come_to_rest(self) -> None:
        for _ in range(2_000):
            if self.effects:
                self.finish(next(iter(self.effects)))
            elif not self.fire_next("retry", "identify"):
                return
        raise AssertionError("this never comes to rest")

    def _check_the_end(self) -> None:
        for load in self.station.loads.values():
            assert isinstance(load.state, Released), f"nothing can move it: {load}"
        for job_id, before in self.truth.withdrawals.items():
            assert self._answers(job_id) > before, f"the withdrawal of {job_id} was never answered"
        for key, thing in self.truth.store.items():
            load = self.journal.loads[thing.owner]
            assert load.job_id is not None
            record = self.station.jobs[load.job_id]
            loaded = [claim.load_id for claim in record.claims if claim.outcome is Outcome.LOADED]
            assert thing.owner in (*loaded, *record.kept), f"{key} was left behind by {load.load_id}"


def _by_time(pair: tuple[float, Timer]) -> tuple[float, str, str, int]:
    moment, timer = pair
    return (moment, timer.purpose, timer.owner, timer.attempt)


def _key(job: Job, folder: str, name: str) -> Key:
    path = "/".join(part for part in (job.destination.prefix, folder, name) if part)
    return (job.destination.store, path)


def _looked_for(job: Job, unit: Unit) -> Iterator[ItemFact]:
    for item in job.items:
        there = item.name in unit.files
        yield ItemFact(item=item, presence=Presence.FOUND if there else Presence.MISSING)


def _secrets(unit: Unit) -> Iterator[SecrecyFact]:
    names = sorted(unit.files)
    if unit.flaw is Flaw.PLAIN:
        yield v.plain(names[0])
    elif unit.flaw is Flaw.DOUBTFUL:
        yield v.doubtful(names[0])
    elif unit.flaw is Flaw.TWO_FACED:
        yield SecrecyFact(path=f"look {unit.readings}", secrecy=Secrecy.PLAIN, kind="a tar archive")


def _goes_wrong(unit: Unit, name: str, effect: LoadEffect) -> bool:
    if name != min(unit.files):
        return False
    if unit.flaw is Flaw.GLITCH:
        unit.flaw = Flaw.SOUND
        return True
    return unit.flaw in (Flaw.WRONG, Flaw.FICKLE)
