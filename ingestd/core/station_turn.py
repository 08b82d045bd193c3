"""One turn of the station: what several handlers have in common."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from ingestd.core import custody_deeds, namesakes, outcomes
from ingestd.core import load as life
from ingestd.core.custody import About, Deed, entry_after
from ingestd.core.drive import CustodyHead, Health
from ingestd.core.job import Job
from ingestd.core.job_record import DriveClaim, JobRecord, Unsettled
from ingestd.core.load_events import Admitted, Context, Doubled, LoadEvent, Matched, Unmatched
from ingestd.core.matching import FREE_AGAIN, Found, NotFound, contradiction, match
from ingestd.core.messages import (
    Command,
    Progressed,
    Record,
    SaveCustody,
    SaveJob,
    SaveLoad,
    SaveUnsaid,
    Say,
    StartTimer,
    Timer,
)
from ingestd.core.model import Attempt, HoldReason, JobId, LoadId, Outcome, Phase
from ingestd.core.namesakes import Namesake
from ingestd.core.outgoing import DriveReleased, LoadAway, LoadClaimed, NoticeRefused, Outgoing, Publish
from ingestd.core.phases import Held, Load, Released, Releasing, Waiting
from ingestd.core.station_state import ACTIVE, Decision, Station

NOTICES = "ingest.notices"
"""Subject of what is said of a notice that all stations read."""

TURN_S = 2.0
"""Within this time stations take turns at what any of them may say."""


@dataclass(slots=True)
class Turn:
    """One step in the making. Mutable, and gone when the step is."""

    station: Station
    at: float
    records: list[Record] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    jobs_changed: bool = False

    def decision(self) -> Decision:
        return Decision(self.station, tuple(self.records), tuple(self.commands))

    def record(self, record: Record) -> None:
        self.records.append(record)

    def do(self, command: Command) -> None:
        self.commands.append(command)

    @property
    def shared(self) -> bool:
        """Whether other stations work on the same jobs."""
        return self.station.limits.shared

    # -- messages --

    def say_of_station(self, body: Outgoing) -> str:
        """The id of the message."""
        return self.say(self.station.limits.station, body)

    def say(self, subject: str, body: Outgoing) -> str:
        """A message about something that no single load is; its id."""
        message = Publish(subject=subject, number=self.next_number(), at=self.at, body=body)
        self.record(message)
        return message.event_id

    def next_number(self) -> int:
        """The time in microseconds, so that no process gives a number that another gave; within a process
        it rises even when the clock does not."""
        number = max(self.station.said + 1, int(self.at * 1_000_000))
        self.station = replace(self.station, said=number)
        return number

    def say_once(self, subject: str, number: int, body: Outgoing, *, wait_s: float) -> None:
        """A message that any station may say, and one does: the others hear it before their wait is over.

        Should two say it all the same, both carry one id. A station that has not heard all of the log yet
        waits until it has.
        """
        message = Publish(subject=subject, number=number, at=self.at, body=body)
        event_id, due_at = message.event_id, self.at + wait_s
        if not self.shared:
            self.record(message)
        elif event_id not in self.station.unsaid and event_id not in self.station.heard:
            self.station = replace(self.station, unsaid=self.station.unsaid.set(event_id, due_at))
            self.record(SaveUnsaid(message=message, due_at=due_at))
            if wait_s <= 0 and self.station.caught_up:
                self.say_now(event_id)
            else:
                self.start_word_timer(event_id, due_at)

    def say_now(self, event_id: str) -> None:
        """The wait is over and nobody has said it. A station that has not heard all waits until it has."""
        if event_id in self.station.unsaid and self.station.caught_up:
            self.station = replace(self.station, unsaid=self.station.unsaid.delete(event_id))
            self.record(Say(event_id=event_id))

    def start_word_timer(self, event_id: str, due_at: float) -> None:
        # No wait is longer to begin with; by a clock that was put back since, it could be.
        after_s = min(max(0.0, due_at - self.at), 2 * self.station.limits.lease_s)
        self.do(StartTimer(timer=Timer(purpose="word", owner=event_id, attempt=Attempt(0)), after_s=after_s))

    def wait_s(self, *, own: bool, key: str) -> float:
        """How long to wait before saying what another station should: the one whose record it follows from
        says it at once, the others when that one has been silent for long, each a little later."""
        return 0.0 if own else self.station.limits.lease_s * (1.0 + self._fraction(key))

    def short_wait_s(self, key: str) -> float:
        """The same where no station comes before the others."""
        return TURN_S * self._fraction(key)

    def _fraction(self, key: str) -> float:
        return zlib.crc32(f"{self.station.limits.station}\n{key}".encode()) / 2**32

    def say_of_load(self, load_id: LoadId, body: Outgoing) -> None:
        load = self.station.loads[load_id]
        number = load.messages + 1
        self.record(Publish(subject=load_id, number=number, at=self.at, body=body))
        self.put_load(replace(load, messages=number))

    def refuse(self, body: NoticeRefused, offset: int | None) -> None:
        """Say why a notice was set aside: once for all stations that have read it in the same place."""
        if offset is None:
            self.say_of_station(body)
        else:
            self.say_once(NOTICES, offset, body, wait_s=self.short_wait_s(str(offset)))

    # -- jobs --

    def record_of(self, job_id: JobId) -> JobRecord:
        """What is known of a job, be it only that others speak of it."""
        return self.station.jobs.get(job_id) or JobRecord(job_id=job_id, job=None)

    def put_job(self, record: JobRecord) -> None:
        self.station = self.station.with_job(record)
        self.record(SaveJob(record=record))
        self.jobs_changed = True

    def claim(self, job_id: JobId, claim: DriveClaim) -> None:
        record = self.record_of(job_id)
        others = tuple(c for c in record.claims if c.drive_index != claim.drive_index)
        self.put_job(replace(record, claims=(*others, claim)))

    def settle_later(self, job_id: JobId, load: Unsettled) -> None:
        """This load may put something into the store: the job is not over before it has let go."""
        record = self.station.jobs[job_id]
        others = tuple(left for left in record.unsettled if left.load_id != load.load_id)
        self.put_job(replace(record, unsettled=(*others, load)))

    # -- loads --

    def put_load(self, load: Load) -> None:
        self.station = self.station.with_load(load)
        self.record(SaveLoad(load=load))

    def apply(self, load: Load, event: LoadEvent) -> Load:
        """One event in the life of one load, and what the job makes of it."""
        before = load
        result = life.step(load, event, self._context(load, event))
        deeds = custody_deeds.of_step(load, event, result, self.station.surroundings)
        after = self.attest(result.load, deeds)
        for body in result.messages:
            number = after.messages + 1
            after = replace(after, messages=number)
            if isinstance(body, LoadAway | DriveReleased):
                body = replace(body, custody=after.custody)
            elif isinstance(body, LoadClaimed):
                body = replace(body, unheard_since_at=self._unheard_since(body))
            self.record(Publish(subject=after.load_id, number=number, at=self.at, body=body))
        if after is not before:
            self.station = self.station.with_load(after)
            if result.messages or after.state is not before.state or not isinstance(event, Progressed):
                self.record(SaveLoad(load=after))
        self.commands.extend(result.commands)
        self._settle(before, after)
        return self.station.loads.get(load.load_id, after)

    def _unheard_since(self, said: LoadClaimed) -> float | None:
        """The last word of the station that has the place, if it has been silent for long."""
        claim = self.record_of(said.job_id).claim_of(said.drive_index)
        holder = claim.station if claim is not None else None
        return self.station.seen.get(holder) if holder in self.station.silent else None

    def attest(self, load: Load, deeds: Iterable[Deed]) -> Load:
        """The load, with these at the end of its record of custody. Whoever asks saves the load."""
        for deed in deeds:
            about = About(
                load_id=load.load_id,
                drive=load.drive,
                bay=load.bay,
                station=self.station.limits.station,
                surroundings=self.station.surroundings,
            )
            entry = entry_after(load.custody, deed, about, self.at)
            self.record(SaveCustody(entry=entry))
            load = replace(load, custody=entry.head)
        return load

    def witness(self, load: Load, deed: Deed) -> Load:
        """Put something that no step of the load tells into its record of custody."""
        load = self.attest(load, (deed,))
        self.put_load(load)
        return load

    def _context(self, load: Load, event: LoadEvent) -> Context:
        job_id = event.job_id if isinstance(event, Matched) else load.job_id
        record = self.station.jobs.get(job_id) if job_id is not None else None
        return Context(
            at=self.at,
            limits=self.station.limits,
            job=record.job if record is not None else None,
            elsewhere=self.elsewhere(load, record),
        )

    def elsewhere(self, load: Load, record: JobRecord | None = None) -> frozenset[str] | None:
        """Announced items found on the other drives of the job; None while one has yet to be seen."""
        if record is None and load.job_id is not None:
            record = self.station.jobs.get(load.job_id)
        if record is None or record.job is None:
            return frozenset()
        items: set[str] = set()
        for number in range(len(record.job.drives)):
            if number == load.drive_index:
                continue
            claim = record.claim_of(number)
            if claim is None or claim.outcome in FREE_AGAIN:
                return None
            if self.shared:
                if not claim.surveyed:
                    return None
                items.update(claim.items)
                continue
            other = self.station.loads.get(claim.load_id)
            if other is not None and not _surveyed(other):
                return None
            items.update(claim.items)
            items.update(other.items if other is not None else ())
        return frozenset(items)

    # -- what becomes of the job --

    def _settle(self, before: Load, after: Load) -> None:
        if isinstance(after.state, Releasing) and _outcome(after) is not _outcome(before):
            self._decided(after, after.state)
        if isinstance(after.state, Released):
            if not isinstance(before.state, Released):
                self._let_go(after, after.state)
            self.forget_if_over(after)

    def _decided(self, load: Load, state: Releasing) -> None:
        """Report what became of this drive; a station that shares its jobs waits until it hears that."""
        if load.job_id is None or load.drive_index is None:
            return
        job = self.station.job_of(load)
        assert job is not None, "a load that comes to its end has a job"
        said = outcomes.report_of(load, state, job)
        self.say_of_load(load.load_id, said)
        if not self.shared:
            outcomes.finished(self, said, None, own=True)

    def _let_go(self, load: Load, state: Released) -> None:
        if load.job_id is not None and not self.shared:
            outcomes.released(self, load.job_id, load.load_id, state.outcome, own=True)

    def forget_if_over(self, load: Load) -> None:
        if load.load_id in self.station.loads and self.station.is_over(load):
            self.station = self.station.without_load(load.load_id)

    # -- matching and admission --

    def find_job(self, load: Load, unidentified: str | None = None) -> Load:
        """Look for the job of a load that has none. `unidentified` says why little is known of the
        drive; what is known may be enough, and the survey then judges it."""
        if namesake := namesakes.namesake_of(load, self.station.in_order(), self._place_of):
            return self._tell_apart(load, namesake)
        found = self._match(load)
        if isinstance(found, Found):
            return self.take_job(load, found.job_id, found.drive_index, found.by)
        reason, text = found.reason, found.text
        if unidentified is not None:
            reason, text = HoldReason.NOT_IDENTIFIED, f"the drive could not be identified: {unidentified}"
        return self.apply(load, Unmatched(reason=reason, text=text, tried=found.tried))

    def _place_of(self, load: Load) -> tuple[Job, int] | None:
        job = self.station.job_of(load)
        if job is not None and load.drive_index is not None:
            # An amendment may have taken the place away while the claim to it was on its way.
            return (job, load.drive_index) if load.drive_index < len(job.drives) else None
        found = self._match(load)
        if not isinstance(found, Found):
            return None
        job = self.station.jobs[found.job_id].job
        assert job is not None, "only announced jobs are matched"
        return job, found.drive_index

    def _tell_apart(self, load: Load, namesake: Namesake) -> Load:
        """Hold the load for its namesake's sake, and that one too where it may be either."""
        other, reason = namesake.load, HoldReason.DUPLICATE_IDENTITY
        assert load.bay is not None, "a drive whose job is looked for is in a bay"
        assert other.bay is not None, "a namesake is plugged in"
        text = namesakes.in_words(load, namesake, where=other.bay)
        load = self.apply(load, Unmatched(reason=reason, text=text, tried=()))
        if not namesake.is_meant:
            text = namesakes.in_words(other, namesake, where=load.bay or other.bay)
            stop = Doubled(text=text) if other.job_id else Unmatched(reason=reason, text=text, tried=())
            self.apply(other, stop)
        return load

    def _match(self, load: Load) -> Found | NotFound:
        return match(
            load.facts,
            self.station.jobs,
            self.station.index,
            self.station.silent,
            at=self.at,
            unsigned=self.station.limits.unsigned_tickets,
        )

    def take_job(self, load: Load, job_id: JobId, drive_index: int, by: str) -> Load:
        before = self.station.jobs[job_id].claim_of(drive_index)
        unended = before is not None and not before.over and before.load_id != load.load_id
        if not self.shared:
            # Where stations share jobs, a claim counts once it is heard.
            self.claim(job_id, DriveClaim(drive_index=drive_index, load_id=load.load_id, bay=load.bay))
            job = self.station.jobs[job_id].job
            version = job.version if job is not None else 0
            self.settle_later(job_id, Unsettled(load_id=load.load_id, station=None, version=version))
        continues = before.load_id if before is not None and unended else None
        matched = Matched(
            job_id=job_id,
            drive_index=drive_index,
            by=by,
            continues=continues,
            continues_custody=self._custody_of(before) if before is not None and unended else None,
        )
        return self.apply(load, matched)

    def _custody_of(self, claim: DriveClaim) -> CustodyHead | None:
        """How far the record of custody of the load that made a claim is known to go."""
        load = self.station.loads.get(claim.load_id)
        return load.custody if load is not None else claim.custody

    def find_jobs_again(self) -> None:
        """If jobs have changed, look again for the loads that wait for one, until nothing changes."""
        while self.jobs_changed:
            self.jobs_changed = False
            for load_id in [load.load_id for load in self.station.in_order()]:
                load = self.station.loads[load_id]  # what is found for one may hold another
                if isinstance(load.state, Held) and load.job_id is None:
                    self._find_job_again(load, load.state)

    def _find_job_again(self, load: Load, state: Held) -> None:
        match state.reason:
            case HoldReason.DUPLICATE_IDENTITY:
                return  # Which of the two it is, only a person can tell.
            case HoldReason.NOT_IDENTIFIED if not isinstance(self._match(load), Found):
                return
            case _:
                self.find_job(load)

    def admit(self) -> None:
        """Let as many of the waiting loads begin as there are places."""
        if self.station.draining:
            return
        waiting = [
            load
            for load in self.station.loads.values()
            if isinstance(load.state, Waiting) and load.state.claiming is None
        ]
        waiting.sort(key=self._urgency)
        for load in waiting[: max(0, self.places())]:
            changed = self._place_is_another(load)
            self.apply(load, Admitted() if changed is None else Doubled(text=changed))

    def _place_is_another(self, load: Load) -> str | None:
        """What an amendment, heard while the claim was on its way, has made of the load's place: another
        drive's, or nobody's. None where the drive may be the one that is announced."""
        job = self.station.job_of(load)
        assert job is not None and load.drive_index is not None, "a load that waits for a place has a job"
        if load.drive_index >= len(job.drives):
            return f"job {job.job_id} has no drive {load.drive_index + 1} any more since it was amended"
        return contradiction(load.facts, job, load.drive_index)

    def places(self) -> int:
        """How many more loads may be at work. One that pauses takes no place: it may be for long."""
        busy = sum(
            1
            for load in self.station.loads.values()
            if load.phase in ACTIVE and getattr(load.state, "pause", None) is None
        )
        return self.station.limits.loads_max - busy

    def _urgency(self, load: Load) -> tuple[bool, float, int, float, str]:
        """Drives that may not last come first."""
        job = self.station.job_of(load)
        assert job is not None, "a load that waits for a place has a job"
        due = job.due_at if job.due_at is not None else float("inf")
        lasting = load.facts.health.verdict is not Health.SUSPECT
        return (lasting, due, -job.priority, load.started_at, load.load_id)


def _outcome(load: Load) -> Outcome | None:
    return load.state.outcome if isinstance(load.state, Releasing) else None


def _surveyed(load: Load) -> bool:
    return load.phase in (Phase.LOADING, Phase.PROVING, Phase.RELEASING, Phase.RELEASED)
