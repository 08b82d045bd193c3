"""The loop: take events, step the core, commit, perform, acknowledge. In that order, always.

Events that are waiting are taken together, each stepped on the state that the one before left, and
committed in one transaction: a thousand notices cost one sync of the disk, not a thousand. Nothing is
performed or acknowledged before the commit has returned; if it fails, nothing is, and the daemon stops.
"""

from __future__ import annotations

import heapq
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from ingestd.core import station as core
from ingestd.core.line import SITE
from ingestd.core.messages import (
    Cancel,
    Command,
    EffectFailed,
    Event,
    NoticeMalformed,
    Record,
    SaveLoad,
    SaveUnsaid,
    StartTimer,
    StationStarted,
    StopRequested,
    Timer,
    TimerFired,
)
from ingestd.core.model import Failure, FailureKind, Outcome
from ingestd.core.outgoing import NoticeRefused, Publish
from ingestd.core.phases import Held, Load, Releasing
from ingestd.core.plan import Plan, plan_at
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError, Position
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Effects
from ingestd.telemetry import logs, tally
from ingestd.telemetry.counts import Counts
from ingestd.transfer.governor import Governor

BATCH = 512
"""Events that share one commit at most."""


@dataclass(frozen=True, slots=True)
class Noticed:
    """A message from the bus; `done` is called once what it changed is committed, with the problems for
    which it was refused."""

    event: Event | None
    """None: nothing follows from it but that it has been read."""
    identity: str | None
    """By which a repeat is known; None for a record of a log, which is known by its position alone."""
    done: Callable[[Sequence[str]], None]
    known_as: str | None = None
    """Source and id, as its sender knows it."""
    position: Position | None = None
    """Committed with what the message changes: what is not behind it is a repeat."""


_REFUSED_BEFORE = (
    "notice: was refused before, under the same source and id; ingest.notice.refused has told why. "
    "Mend it and send it under another id",
)


def _refusal_of(identity: str) -> str:
    """What is remembered, beside the identity of a notice, of one that was refused."""
    return f"refused {identity}"


@dataclass(slots=True)
class _Made:
    """What the events of one batch have brought forth."""

    records: list[Record] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    known: set[str] = field(default_factory=set)
    """Identities of this batch that were acted on before it."""
    identities: dict[str, None] = field(default_factory=dict)
    """Those that this batch acts on, in order."""
    positions: dict[str, int] = field(default_factory=dict)
    done: list[Callable[[], None]] = field(default_factory=list)


Inbox = queue.SimpleQueue[Event | Noticed]
"""Bounded by what can put into it: effects by their number, notices by the bus thread's window."""


@dataclass(order=True, slots=True)
class _Due:
    at: float
    number: int
    timer: Timer = field(compare=False)


class Loop:
    """Owns the station's state. Runs in the main thread; everyone else puts events into `inbox`."""

    def __init__(
        self,
        station: core.Station,
        *,
        inbox: Inbox,
        journal: Journal,
        effects: Effects,
        governor: Governor,
        clock: Clock,
        tick: Callable[[], Event | None],
        counts: Counts | None = None,
    ) -> None:
        self.station = station
        self.turns = 0
        self.moved_at: float | None = None
        """Monotonic, in seconds; None until it runs: a start may have to wait, and says what for."""
        self._inbox = inbox
        self._journal = journal
        self._effects = effects
        self._governor = governor
        self._clock = clock
        self._tick = tick
        self._counts = counts or Counts()
        self._timers: list[_Due] = []
        self._timer_number = 0
        self._stop_by: float | None = None
        self._broken: JournalError | None = None
        self._positions = journal.positions()
        self._plan = Plan()

    def work_moved(self) -> dict[str, float]:
        """By load, the monotonic time at which the work on it last moved on."""
        return self._effects.moved()

    def broken(self, error: JournalError) -> None:
        """Called by any thread that could not write the journal: the loop ends with this error."""
        self._broken = error

    def run(self, first: Event, stop_within_s: Callable[[], float]) -> bool:
        """Work until a stop is asked for and all effects have ended; whether they did in time."""
        self.moved_at = self._clock.monotonic()
        self._handle([first])
        while True:
            if self._broken is not None:
                raise self._broken
            batch = self._gather()
            if batch:
                self._handle(batch)
            self._pace()
            self._effects.give_up_stalled()
            self.moved_at = self._clock.monotonic()
            asked = self._tick()
            if asked is not None:
                if isinstance(asked, StopRequested):
                    self._stop_by = self._stop_by or self._clock.monotonic() + stop_within_s()
                self._handle([asked])
                if isinstance(asked, StopRequested):
                    self._effects.stop()
            if self._stop_by is not None:
                if self._effects.busy == 0 and self._inbox.empty():
                    return True
                if self._clock.monotonic() > self._stop_by:
                    return False

    # -- taking events --

    def _gather(self) -> list[Event | Noticed]:
        batch: list[Event | Noticed] = list(self._due_timers())
        try:
            if not batch:
                batch.append(self._inbox.get(timeout=self._patience_s()))
            while len(batch) < BATCH:
                batch.append(self._inbox.get_nowait())
        except queue.Empty:
            pass
        return batch

    def _patience_s(self) -> float:
        """Until the next timer, but never so long that a signal would have to wait."""
        if not self._timers:
            return 0.1
        return min(0.1, max(0.0, self._timers[0].at - self._clock.monotonic()))

    def _due_timers(self) -> list[Event]:
        due: list[Event] = []
        while self._timers and self._timers[0].at <= self._clock.monotonic():
            due.append(TimerFired(at=self._clock.now(), timer=heapq.heappop(self._timers).timer))
        return due

    # -- one batch --

    def _handle(self, batch: list[Event | Noticed]) -> None:
        before, made = self.station, _Made()
        with self._counts.turn_seconds.time():
            self._act(batch, before, made)
        self._counts.events.inc(len(batch))

    def _act(self, batch: list[Event | Noticed], before: core.Station, made: _Made) -> None:
        asked = [item.identity for item in batch if isinstance(item, Noticed) and item.identity is not None]
        made.known = self._journal.known(asked)
        for item in batch:
            self._decide(item, made)
        with self._counts.commit_seconds.time():
            self._journal.commit(
                made.records, at=self._clock.now(), identities=list(made.identities), positions=made.positions
            )
        self._positions.update(made.positions)
        self.turns += len(batch)
        self._tell(before, made.records)
        self._pace()
        for command in made.commands:
            self._perform(command)
        for acknowledge in made.done:
            acknowledge()

    def _pace(self) -> None:
        """Have the line shared as it is to be at this moment: what was decided and what the clock says."""
        plan = plan_at(self.station, self._clock.now())
        if plan == self._plan:
            return
        self._governor.follow(plan)
        if plan.caps != self._plan.caps:
            _log_caps(plan)
        self._plan = plan

    def _decide(self, item: Event | Noticed, made: _Made) -> None:
        """Step the core, unless it is a message that has been acted on before."""
        if not isinstance(item, Noticed):
            self._keep(self._step(item), made)
            return
        refused: Sequence[str] = ()
        if item.event is not None and not self._is_behind(item.position, made):
            if item.identity is None:
                self._keep(self._step(item.event), made)
            else:
                refused = self._act_on(item, item.event, item.identity, made)
        if item.position is not None:
            stream, offset = item.position.stream, item.position.offset
            made.positions[stream] = max(offset, self._position(stream, made))
        made.done.append(partial(item.done, refused))

    def _keep(self, decision: core.Decision, made: _Made) -> None:
        made.records.extend(decision.records)
        made.commands.extend(decision.commands)

    def _act_on(self, item: Noticed, event: Event, identity: str, made: _Made) -> Sequence[str]:
        """What a notice changes, once; the problems for which it is, or was, refused."""
        if identity in made.known or identity in made.identities:
            # It was told once already; what is left is to set it aside where it belongs.
            refusal = _refusal_of(identity)
            return _REFUSED_BEFORE if refusal in made.identities or self._journal.knows(refusal) else ()
        decision = self._step(event)
        refused = [problem for body in _refusals(decision.records) for problem in body.problems]
        made.records.extend(_with_identity(record, item.known_as) for record in decision.records)
        made.commands.extend(decision.commands)
        made.identities.update(dict.fromkeys([identity, _refusal_of(identity)] if refused else [identity]))
        return refused

    def _is_behind(self, position: Position | None, made: _Made) -> bool:
        """Whether a message stands where everything has been acted on: the bus has delivered it again."""
        return position is not None and position.offset <= self._position(position.stream, made)

    def _position(self, stream: str, made: _Made) -> int:
        return made.positions.get(stream, self._positions.get(stream, -1))

    def _step(self, event: Event) -> core.Decision:
        """Step the core; a bug in it costs the one load or notice concerned, not the daemon."""
        try:
            decision = core.step(self.station, event)
        except Exception as error:  # noqa: BLE001 - see above
            logs.broke("core_broke", error, on=type(event).__name__, **_load_of(event))
            decision = self._after_bug(event)
        tally.decided(self._counts, event, self.station, decision)
        self.station = decision.station
        return decision

    def _after_bug(self, event: Event) -> core.Decision:
        if isinstance(event, StationStarted):
            raise JournalError("the station cannot begin from what its journal holds; see the log above")
        text = f"internal error while handling {type(event).__name__}; see the log"
        load_id, attempt = getattr(event, "load_id", None), getattr(event, "attempt", None)
        substitute: Event = NoticeMalformed(at=event.at, name=type(event).__name__, problems=(text,))
        if load_id is not None and attempt is not None:
            failure = Failure(kind=FailureKind.UNKNOWN, text=text)
            substitute = EffectFailed(at=event.at, load_id=load_id, attempt=attempt, failure=failure)
        try:
            return core.step(self.station, substitute)
        except Exception as error:  # noqa: BLE001 - nothing more can be done about this event
            logs.broke("core_broke_again", error, on=type(event).__name__, **_load_of(event))
            return core.Decision(self.station, (), ())

    def _perform(self, command: Command) -> None:
        if isinstance(command, StartTimer):
            self._timer_number += 1
            at = self._clock.monotonic() + command.after_s
            heapq.heappush(self._timers, _Due(at, self._timer_number, command.timer))
        elif isinstance(command, Cancel):
            self._effects.cancel(command.load_id, command.attempt)
        else:
            self._effects.perform(command)

    # -- telling people --

    def _tell(self, before: core.Station, records: list[Record]) -> None:
        phases = {load_id: load.phase for load_id, load in before.loads.items()}
        for record in records:
            if isinstance(record, SaveLoad) and phases.get(record.load.load_id) != record.load.phase:
                _log_phase(record.load, phases.get(record.load.load_id))
                phases[record.load.load_id] = record.load.phase
            elif isinstance(record, Publish):
                logs.get().debug(
                    "event_decided", type=record.body.TYPE, subject=record.subject, **_load_of(record.body)
                )


def _refusals(records: Sequence[Record]) -> list[NoticeRefused]:
    said = (message.body for record in records if (message := _message(record)) is not None)
    return [body for body in said if isinstance(body, NoticeRefused)]


def _message(record: Record) -> Publish | None:
    """What a record says, be it now or later."""
    if isinstance(record, SaveUnsaid):
        return record.message
    return record if isinstance(record, Publish) else None


def _with_identity(record: Record, identity: str | None) -> Record:
    """A refusal names the notice as its sender knows it."""
    message = _message(record)
    if not identity or message is None or not isinstance(message.body, NoticeRefused):
        return record
    named = replace(message, body=replace(message.body, identity=identity))
    return replace(record, message=named) if isinstance(record, SaveUnsaid) else named


def _load_of(what: object) -> dict[str, object]:
    load_id = getattr(what, "load_id", None)
    return {"load": load_id} if load_id is not None else {}


def _log_caps(plan: Plan) -> None:
    others = {
        f"{link.kind} {link.name}": cap.rate_bytes_per_second
        for link, cap in plan.caps.items()
        if link != SITE
    }
    logs.get().info("uplink_changed", rate_bytes_per_second=plan.site.rate_bytes_per_second, others=others)


def _log_phase(load: Load, before: object) -> None:
    failed = isinstance(load.state, Releasing) and load.state.outcome is Outcome.FAILED
    tell = logs.get().warning if failed or isinstance(load.state, Held) else logs.get().info
    tell(
        "load_phase",
        load=load.load_id,
        job=load.job_id,
        bay=load.bay or load.last_bay,
        drive=load.drive.label,
        phase=load.phase.value,
        before=str(before) if before is not None else "new",
        why=core.code_of(load) or "none",
    )
