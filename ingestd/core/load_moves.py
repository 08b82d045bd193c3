"""The moves that handlers are made of: begin work, let go, fail, hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from ingestd.core import requirements
from ingestd.core.layout import folder_of
from ingestd.core.load_events import Context
from ingestd.core.messages import (
    Cancel,
    Close,
    Command,
    Prove,
    Recheck,
    StartTimer,
    Survey,
    TakeBack,
    Timer,
    Transfer,
)
from ingestd.core.model import (
    Attempt,
    DriveHandle,
    FailureClass,
    FileFault,
    Finding,
    HoldReason,
    Job,
    Outcome,
    Phase,
)
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    JobFailed,
    LoadHeld,
    LoadResumed,
    Outgoing,
)
from ingestd.core.phases import (
    Away,
    Held,
    Load,
    Loading,
    Proving,
    Released,
    Releasing,
    Surveying,
    Waiting,
)


class Unlisted(Exception):
    """A pair of phase and event that cannot happen has happened: a bug of ours."""


@dataclass(slots=True)
class Out:
    """Collects what one step brings forth."""

    context: Context
    messages: list[Outgoing] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)

    @property
    def at(self) -> float:
        return self.context.at

    @property
    def job(self) -> Job:
        assert self.context.job is not None, "this phase has a job"
        return self.context.job

    def say(self, message: Outgoing) -> None:
        self.messages.append(message)

    def do(self, command: Command) -> None:
        self.commands.append(command)


# -- beginning a piece of work ---------------------------------------------------------------------


def next_attempt(load: Load) -> Attempt:
    return Attempt(load.attempt + 1)


def _handle(load: Load) -> DriveHandle:
    assert load.handle is not None, "this phase has a drive"
    return load.handle


def begin_survey(
    load: Load, out: Out, *, suspects: tuple[Finding, ...] | None = None, tries: int = 0
) -> Load:
    attempt = next_attempt(load)
    out.do(
        Survey(
            load_id=load.load_id,
            attempt=attempt,
            handle=_handle(load),
            job=out.job,
            fresh=suspects is not None or tries > 0,
            sniff=requirements.wants_encryption(out.job, out.context.limits),
        )
    )
    return replace(load, attempt=attempt, state=Surveying(attempt=attempt, suspects=suspects, tries=tries))


def begin_transfer(load: Load, out: Out, *, passes: int = 1, tries: int = 0) -> Load:
    attempt = next_attempt(load)
    assert load.drive_index is not None, "a matched load has a drive index"
    out.do(
        Transfer(
            load_id=load.load_id,
            attempt=attempt,
            handle=_handle(load),
            job=out.job,
            folder=folder_of(out.job, load.drive_index),
            sniff=requirements.refuses_plain(out.job, out.context.limits),
        )
    )
    return replace(load, attempt=attempt, state=Loading(attempt=attempt, passes=passes, tries=tries))


def begin_recheck(
    load: Load, out: Out, faults: tuple[FileFault, ...], *, passes: int, tries: int = 0
) -> Load:
    attempt = next_attempt(load)
    out.do(Recheck(load_id=load.load_id, attempt=attempt, handle=_handle(load), job=out.job, faults=faults))
    state = Loading(attempt=attempt, passes=passes, suspects=faults, tries=tries)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_proof(load: Load, out: Out, *, passes: int, tries: int = 0) -> Load:
    attempt = next_attempt(load)
    assert load.drive_index is not None, "a matched load has a drive index"
    out.do(
        Prove(
            load_id=load.load_id,
            attempt=attempt,
            job=out.job,
            folder=folder_of(out.job, load.drive_index),
            facts=load.facts,
            level=out.job.proof,
        )
    )
    state = Proving(attempt=attempt, passes=passes, tries=tries)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_take_back(load: Load, out: Out, outcome: Outcome, text: str, *, tries: int = 0) -> Load:
    attempt = next_attempt(load)
    out.do(TakeBack(load_id=load.load_id, attempt=attempt, destination=out.job.destination))
    state = Releasing(attempt=attempt, outcome=outcome, step="take-back", text=text, tries=tries)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_close(load: Load, out: Out, outcome: Outcome, text: str, *, tries: int = 0) -> Load:
    attempt = next_attempt(load)
    out.do(Close(load_id=load.load_id, attempt=attempt, handle=load.handle, power_down=load.bay is not None))
    state = Releasing(attempt=attempt, outcome=outcome, step="close", text=text, tries=tries)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_again(load: Load, out: Out) -> Load:
    """The same piece of work once more, under a new attempt."""
    match load.state:
        case Surveying(suspects=suspects, tries=tries):
            return begin_survey(load, out, suspects=suspects, tries=tries)
        case Loading(suspects=None, passes=passes, tries=tries):
            return begin_transfer(load, out, passes=passes, tries=tries)
        case Loading(suspects=suspects, passes=passes, tries=tries):
            return begin_recheck(load, out, suspects or (), passes=passes, tries=tries)
        case Proving(passes=passes, tries=tries):
            return begin_proof(load, out, passes=passes, tries=tries)
        case Releasing(step="take-back", outcome=outcome, text=text, tries=tries):
            return begin_take_back(load, out, outcome, text, tries=tries)
        case Releasing(outcome=outcome, text=text, tries=tries):
            return begin_close(load, out, outcome, text, tries=tries)
        case _:
            raise Unlisted(f"no work to begin again while {load.phase}")


def let_go(load: Load, out: Out) -> Load:
    """Stop what is running and close the drive, without waiting for either."""
    running = getattr(load.state, "attempt", None)
    if running is not None:
        out.do(Cancel(load_id=load.load_id, attempt=running))
    attempt = next_attempt(load)
    out.do(Close(load_id=load.load_id, attempt=attempt, handle=load.handle, power_down=False))
    return replace(load, attempt=attempt, rate_bytes_per_second=0.0)


# -- ends and stops --------------------------------------------------------------------------------


def fail(load: Load, out: Out, findings: tuple[Finding, ...], observations: int = 2) -> Load:
    """Two observations agree: the job fails, with everything that was found."""
    worst = requirements.blocking(findings)
    assert worst, "a job fails for a blocking finding"
    assert all(f.cause.may_fail_a_job for f in worst), "only drive, data and requirement fail a job"
    more = f" ({len(worst) - 1} more)" if len(worst) > 1 else ""
    text = worst[0].sentence + more
    out.say(
        JobFailed(
            load_id=load.load_id,
            job_id=out.job.job_id,
            tenant=out.job.tenant,
            bay=load.bay,
            drive=load.drive,
            cause=worst[0].cause,
            text=text,
            findings=findings,
            observations=observations,
            data_kept=out.job.keep_on_failure,
        )
    )
    load = replace(load, findings=findings)
    if out.job.keep_on_failure:
        return begin_close(load, out, Outcome.FAILED, text)
    return begin_take_back(load, out, Outcome.FAILED, text)


def hold(
    load: Load,
    out: Out,
    reason: HoldReason,
    cause: FailureClass,
    text: str,
    *,
    tried: tuple[str, ...] = (),
    findings: tuple[Finding, ...] = (),
) -> Load:
    load = replace(let_go(load, out), state=_held_since(load, out, reason, cause, text, tried, findings))
    out.say(
        LoadHeld(
            load_id=load.load_id,
            job_id=load.job_id,
            bay=load.bay,
            drive=load.drive,
            reason=reason,
            cause=cause,
            text=text,
            tried=tried,
            findings=findings,
        )
    )
    return load


def _held_since(
    load: Load,
    out: Out,
    reason: HoldReason,
    cause: FailureClass,
    text: str,
    tried: tuple[str, ...],
    findings: tuple[Finding, ...],
) -> Held:
    since = load.state.since if isinstance(load.state, Held) else out.at
    return Held(reason=reason, cause=cause, text=text, since=since, tried=tried, findings=findings)


def start_unclaimed_timer(load: Load, out: Out, since: float) -> None:
    left = max(0.0, since + out.context.limits.unclaimed_after_s - out.at)
    timer = Timer(purpose="unclaimed", owner=load.load_id, attempt=load.attempt)
    out.do(StartTimer(timer=timer, after_s=left))


def queued(load: Load, out: Out, reason: str = "waits for a free place among the running loads") -> Load:
    return replace(load, state=Waiting(since=out.at, reason=reason))


def release(load: Load, outcome: Outcome, text: str, out: Out, *, powered_down: bool = False) -> Load:
    job = out.context.job
    out.say(
        DriveReleased(
            load_id=load.load_id,
            job_id=load.job_id,
            bay=load.bay,
            drive=load.drive,
            outcome=outcome,
            disposition=job.disposition if job else None,
            powered_down=powered_down,
            text=text,
        )
    )
    return replace(load, state=Released(outcome=outcome, since=out.at, text=text))


def unclaimed(load: Load, out: Out, tried: tuple[str, ...], text: str) -> Load:
    out.say(DriveUnclaimed(load_id=load.load_id, bay=load.bay, drive=load.drive, tried=tried))
    return begin_close(load, out, Outcome.UNCLAIMED, text)


def resumed(load: Load, after: Phase, text: str) -> LoadResumed:
    return LoadResumed(load_id=load.load_id, job_id=load.job_id, bay=load.bay, after=after, text=text)


def go_away(load: Load, out: Out) -> Load:
    return replace(load, bay=None, handle=None, state=Away(since=out.at))
