"""One load, taken through its life by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypeVar

from ingestd.core import load as life
from ingestd.core import outcomes
from ingestd.core.drive import HealthFacts
from ingestd.core.found import FileFault, Ledger, SurveyFacts
from ingestd.core.job import Job
from ingestd.core.limits import Limits
from ingestd.core.load_events import (
    Admitted,
    Amended,
    Context,
    Expired,
    Lifted,
    LoadEvent,
    Matched,
    Restarted,
    Returned,
    TimeUp,
    Unmatched,
    Unplugged,
    Withdrawn,
    Won,
)
from ingestd.core.messages import (
    Closed,
    Command,
    EffectCancelled,
    EffectFailed,
    Progressed,
    ProofFailed,
    Proved,
    Rechecked,
    Surveyed,
    TakenBack,
    Transferred,
)
from ingestd.core.model import (
    Attempt,
    BayName,
    Decision,
    Failure,
    FailureKind,
    HoldReason,
    LoadId,
    Outcome,
    Phase,
)
from ingestd.core.outgoing import Outgoing
from ingestd.core.phases import Held, Load, Loading, Released, Releasing, Waiting
from tests.support import values as v

LOAD = LoadId("quay-03.bay-1.20310517T070000000Z")
WORKING = (Phase.SURVEYING, Phase.LOADING, Phase.PROVING)
PLAIN = v.survey(secrecy=(v.plain(),))
DOUBT = v.survey(secrecy=(v.doubtful(),))

T = TypeVar("T")


def fresh(**changes: Any) -> Load:
    """A load whose drive has just been identified."""
    known: dict[str, Any] = {
        "load_id": LOAD,
        "facts": v.facts(),
        "bay": BayName("bay-1"),
        "handle": v.handle(),
        "state": Waiting(since=v.AT, reason="no job has been looked for yet"),
        "started_at": v.AT,
    }
    return Load(**{**known, **changes})


class Life:
    """Steps one load; `messages` and `commands` are those of the last step, `told` of all."""

    def __init__(
        self,
        job: Job | None = None,
        *,
        limits: Limits = v.LIMITS,
        elsewhere: frozenset[str] | None = frozenset(),
        load: Load | None = None,
    ) -> None:
        self.job = job or v.job()
        self.limits = limits
        self.elsewhere = elsewhere
        self.load = load or fresh()
        self.at = v.AT
        self.messages: tuple[Outgoing, ...] = ()
        self.commands: tuple[Command, ...] = ()
        self.told: list[Outgoing] = []

    def take(self, event: LoadEvent) -> Life:
        """Step the load with an event."""
        self.at += 1.0
        known = self.load.job_id is not None or isinstance(event, Matched)
        job = self.job if known else None
        context = Context(at=self.at, limits=self.limits, job=job, elsewhere=self.elsewhere)
        step = life.step(self.load, event, context)
        messages = (*step.messages, *_of_the_job(self.load, step.load, self.job))
        self.load, self.messages, self.commands = step.load, messages, step.commands
        self.told.extend(messages)
        return self

    # -- what effects say, under the attempt that is waited for --

    @property
    def awaited(self) -> Attempt:
        return Attempt(getattr(self.load.state, "attempt", -1))

    def surveyed(self, facts: SurveyFacts | None = None) -> Life:
        return self._report(Surveyed, facts=facts or v.survey())

    def progressed(self, ledger: Ledger, rate: float = 0.0) -> Life:
        return self._report(Progressed, ledger=ledger, rate_bytes_per_second=rate)

    def transferred(
        self, *faults: FileFault, ledger: Ledger | None = None, health: HealthFacts | None = None
    ) -> Life:
        ledger = ledger or v.ledger(stored=3 - len(faults), failed=len(faults))
        return self._report(Transferred, ledger=ledger, faults=faults, health=health)

    def rechecked(self, *confirmed: FileFault, ledger: Ledger | None = None) -> Life:
        ledger = ledger or v.ledger(stored=2, pending=1)
        return self._report(Rechecked, ledger=ledger, confirmed=confirmed)

    def proved(self) -> Life:
        return self._report(Proved, receipt=v.receipt(self.load.load_id, self.job))

    def proof_failed(self, *paths: str) -> Life:
        return self._report(ProofFailed, ledger=v.ledger(stored=2, pending=1), paths=paths)

    def taken_back(self) -> Life:
        return self._report(TakenBack, files=3, size_bytes=3 * v.FILE_BYTES)

    def closed(self, *, powered_down: bool = True) -> Life:
        return self._report(Closed, powered_down=powered_down)

    def failed(self, kind: FailureKind, text: str = "as the test wants it") -> Life:
        return self._report(EffectFailed, failure=Failure(kind=kind, text=text))

    def cancelled(self) -> Life:
        return self._report(EffectCancelled)

    def _report(self, kind: Any, **more: object) -> Life:
        return self.take(kind(at=self.at, load_id=self.load.load_id, attempt=self.awaited, **more))

    def time_up(self) -> Life:
        return self.take(TimeUp(attempt=self.awaited))

    def expired(self) -> Life:
        """Nobody has asked for the drive in time."""
        return self.take(Expired(attempt=self.load.attempt))

    # -- where stations share jobs --

    def begun(self) -> Life:
        """Matched, its claim heard, and admitted."""
        return self.matched().won().take(Admitted())

    def won(self) -> Life:
        return self.take(Won(attempt=self.awaited))

    def reported(self) -> Life:
        """Surveyed without fault; what lies on the drive is told to the other stations."""
        return self.begun().surveyed()

    # -- what comes from outside --

    def matched(self) -> Life:
        return self.take(Matched(job_id=self.job.job_id, drive_index=0, by="serial HQ7K2M9A"))

    def unmatched(self, text: str = "no job is known for this drive") -> Life:
        return self.take(Unmatched(reason=HoldReason.NO_MATCHING_JOB, text=text, tried=("serial: no job",)))

    def pulled(self) -> Life:
        return self.take(Unplugged())

    def withdrawn(self, *, keep: bool = False) -> Life:
        return self.take(Withdrawn(reason="the order was cancelled", keep=keep))

    def amended(self, job: Job, *, again: bool) -> Life:
        self.job = job
        return self.take(Amended(again=again))

    def lifted(self, decision: Decision) -> Life:
        return self.take(Lifted(decision=decision, by="m.okafor"))

    def restarted(self) -> Life:
        return self.take(Restarted())

    def back(self, bay: str = "bay-1", generation: int = 2) -> Life:
        return self.take(Returned(bay=BayName(bay), handle=v.handle(bay, generation), facts=self.load.facts))

    # -- shorthands --

    def to(self, phase: Phase) -> Life:
        """A load without fault, up to this phase; HELD is without a job, AWAY from loading."""
        match phase:
            case Phase.WAITING:
                return self.matched()
            case Phase.HELD:
                return self.unmatched()
            case Phase.SURVEYING:
                return self.to(Phase.WAITING).take(Admitted())
            case Phase.LOADING:
                return self.to(Phase.SURVEYING).surveyed()
            case Phase.AWAY:
                return self.to(Phase.LOADING).pulled()
            case Phase.PROVING:
                return self.to(Phase.LOADING).transferred()
            case Phase.RELEASING:
                return self.to(Phase.PROVING).proved()
            case Phase.RELEASED:
                return self.to(Phase.RELEASING).closed()

    def put(self, **changes: Any) -> Life:
        """The load with some fields as the test wants them."""
        self.load = replace(self.load, **changes)
        return self

    def said_one(self, kind: type) -> bool:
        """Whether exactly one message of the last step is of this kind."""
        return sum(isinstance(message, kind) for message in self.messages) == 1

    def does_one(self, kind: type) -> bool:
        """Whether exactly one command of the last step is of this kind."""
        return sum(isinstance(command, kind) for command in self.commands) == 1

    def does(self, kind: type[T]) -> T:
        """The one command of this kind of the last step."""
        return _only(kind, self.commands)

    def says(self, kind: type[T]) -> T:
        """The one message of this kind of the last step."""
        return _only(kind, self.messages)

    @property
    def did(self) -> list[str]:
        return [type(command).__name__ for command in self.commands]

    @property
    def said(self) -> list[str]:
        return [message.TYPE.removeprefix("ingest.") for message in self.messages]

    @property
    def outcome(self) -> Outcome | None:
        """How it ended; None while it has not."""
        return self.load.state.outcome if isinstance(self.load.state, Released) else None


def _of_the_job(before: Load, after: Load, job: Job) -> list[Outgoing]:
    """What a station that shares its jobs with nobody says of the job when a load fails."""
    failed = isinstance(after.state, Releasing) and after.state.outcome is Outcome.FAILED
    if not failed or isinstance(before.state, Releasing):
        return []
    assert isinstance(after.state, Releasing)
    return [outcomes.job_failed(outcomes.report_of(after, after.state, job))]


def _only(kind: type[T], things: tuple[object, ...]) -> T:
    (one,) = [thing for thing in things if isinstance(thing, kind)]
    return one


def held(life: Life) -> Held:
    assert isinstance(life.load.state, Held), life.load.state
    return life.load.state


def loading(life: Life) -> Loading:
    assert isinstance(life.load.state, Loading), life.load.state
    return life.load.state


def releasing(life: Life) -> Releasing:
    assert isinstance(life.load.state, Releasing), life.load.state
    return life.load.state
