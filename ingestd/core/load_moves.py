"""The moves that handlers are made of: begin work, let go, fail, hold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import assert_never

from ingestd.core import requirements
from ingestd.core.drive import DriveHandle
from ingestd.core.found import FileFault, Finding, FindingCode
from ingestd.core.job import Job
from ingestd.core.layout import folder_of, has_several_volumes
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
from ingestd.core.model import Attempt, FailureClass, HoldReason, Outcome, Phase
from ingestd.core.names import counted
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    LoadAway,
    LoadClaimed,
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
    Working,
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


def _folder(load: Load, out: Out) -> str:
    assert load.drive_index is not None, "a matched load has a drive index"
    return folder_of(out.job, load.drive_index)


def _handle(load: Load) -> DriveHandle:
    assert load.handle is not None, "this phase has a drive"
    return load.handle


def begin_survey(
    load: Load, out: Out, *, suspects: tuple[Finding, ...] | None = None, fresh: bool = False
) -> Load:
    """The first look, or with `suspects` the second. `fresh`: the drive is opened anew for it."""
    attempt = next_attempt(load)
    out.do(
        Survey(
            load_id=load.load_id,
            attempt=attempt,
            handle=_handle(load),
            job=out.job,
            folder=_folder(load, out),
            fresh=fresh or suspects is not None,
            sniff=requirements.wants_encryption(out.job, out.context.limits),
        )
    )
    state = Surveying(attempt=attempt, suspects=suspects)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_transfer(load: Load, out: Out, *, passes: int = 1) -> Load:
    attempt = next_attempt(load)
    out.do(
        Transfer(
            load_id=load.load_id,
            attempt=attempt,
            handle=_handle(load),
            job=out.job,
            folder=_folder(load, out),
            sniff=requirements.refuses_plain(out.job, out.context.limits),
            without=tuple(subject for code, subject in load.waived if code == FindingCode.FILE_IN_DOUBT),
        )
    )
    return replace(load, attempt=attempt, state=Loading(attempt=attempt, passes=passes))


def begin_recheck(load: Load, out: Out, faults: tuple[FileFault, ...], *, passes: int) -> Load:
    attempt = next_attempt(load)
    out.do(Recheck(load_id=load.load_id, attempt=attempt, handle=_handle(load), job=out.job, faults=faults))
    state = Loading(attempt=attempt, passes=passes, suspects=faults)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_proof(load: Load, out: Out, *, passes: int) -> Load:
    attempt = next_attempt(load)
    out.do(
        Prove(
            load_id=load.load_id,
            attempt=attempt,
            job=out.job,
            folder=_folder(load, out),
            facts=load.facts,
            level=out.job.proof,
        )
    )
    state = Proving(attempt=attempt, passes=passes)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_take_back(load: Load, out: Out, outcome: Outcome, text: str) -> Load:
    attempt = next_attempt(load)
    out.do(
        TakeBack(
            load_id=load.load_id,
            attempt=attempt,
            destination=out.job.destination,
            folder=_folder(load, out),
            several_volumes=has_several_volumes(load.facts),
        )
    )
    state = Releasing(attempt=attempt, outcome=outcome, step="take-back", text=text)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_close(load: Load, out: Out, outcome: Outcome, text: str) -> Load:
    attempt = next_attempt(load)
    out.do(Close(load_id=load.load_id, attempt=attempt, handle=load.handle, power_down=load.bay is not None))
    state = Releasing(attempt=attempt, outcome=outcome, step="close", text=text)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def begin_again(load: Load, state: Working, out: Out) -> Load:
    """The same piece of work once more, under a new attempt; what went wrong before still counts."""
    after = _begin_same(load, state, out)
    assert isinstance(after.state, Surveying | Loading | Proving | Releasing), "work was begun"
    return replace(after, state=replace(after.state, tries=state.tries, failures=state.failures))


def _begin_same(load: Load, state: Working, out: Out) -> Load:
    match state:
        case Surveying(suspects=suspects):
            return begin_survey(load, out, suspects=suspects, fresh=True)
        case Loading(suspects=None, passes=passes):
            return begin_transfer(load, out, passes=passes)
        case Loading(suspects=suspects, passes=passes):
            return begin_recheck(load, out, suspects or (), passes=passes)
        case Proving(passes=passes):
            return begin_proof(load, out, passes=passes)
        case Releasing(step="verdict", text=text):
            return await_verdict(load, text, out.at)
        case Releasing(step="take-back", outcome=outcome, text=text):
            return begin_take_back(load, out, outcome, text)
        case Releasing(outcome=outcome, text=text):
            return begin_close(load, out, outcome, text)
        case _:
            assert_never(state)


def interrupt(load: Load, out: Out) -> None:
    """Stop the effect that the load waits for, if one is running; its completion will be stale."""
    state = load.state
    if isinstance(state, Surveying | Loading | Proving | Releasing) and state.pause is None:
        out.do(Cancel(load_id=load.load_id, attempt=state.attempt))


def let_go(load: Load, out: Out) -> Load:
    """Close the drive, without waiting for it."""
    attempt = next_attempt(load)
    out.do(Close(load_id=load.load_id, attempt=attempt, handle=load.handle, power_down=False))
    return replace(load, attempt=attempt, rate_bytes_per_second=0.0)


# -- ends and stops --------------------------------------------------------------------------------


def fail(
    load: Load,
    out: Out,
    findings: tuple[Finding, ...],
    observations: int = 2,
    *,
    refused_by: str | None = None,
) -> Load:
    """Two observations agree, or a person has decided: the job fails, with everything that was found."""
    worst = requirements.blocking(findings)
    assert worst, "a job fails for a blocking finding"
    assert all(f.cause.may_fail_a_job for f in worst), "only drive, data and requirement fail a job"
    text = worst[0].sentence
    if len(worst) > 1:
        text = f"{text.rstrip('.')}; and {counted(len(worst) - 1, 'more finding', 'more findings')}."
    if refused_by is not None:
        text = f"Refused by {refused_by}: {text}"
    load = replace(load, findings=findings)
    if out.context.limits.shared:
        load = await_verdict(load, text, out.at)
    else:
        load = let_go_failed(load, out, text, keep=out.job.keep_on_failure)
    assert isinstance(load.state, Releasing), "a load that fails lets go"
    return replace(load, state=replace(load.state, observations=observations, refused_by=refused_by))


def await_verdict(load: Load, text: str, at: float) -> Load:
    """Nothing is taken back before the failure has its place in the log: another station may have proved
    the same data just before."""
    attempt = next_attempt(load)
    state = Releasing(attempt=attempt, outcome=Outcome.FAILED, step="verdict", text=text, since=at)
    return replace(load, attempt=attempt, state=state, rate_bytes_per_second=0.0)


def let_go_failed(load: Load, out: Out, text: str, *, keep: bool) -> Load:
    begin = begin_close if keep else begin_take_back
    return begin(load, out, Outcome.FAILED, text)


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
    since = load.state.since if isinstance(load.state, Held) else out.at
    if isinstance(load.state, Surveying | Loading | Proving):
        load = let_go(load, out)
    state = Held(reason=reason, cause=cause, text=text, since=since, tried=tried, findings=findings)
    load = replace(load, state=state)
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
            findings=requirements.told(findings),
        )
    )
    return load


def start_unclaimed_timer(load: Load, out: Out) -> None:
    """For a drive that no job asks for, and for no other: what else is held waits until a person decides."""
    assert isinstance(load.state, Held), "it waits for a job"
    left = max(0.0, load.state.since + out.context.limits.unclaimed_after_s - out.at)
    timer = Timer(purpose="unclaimed", owner=load.load_id, attempt=load.attempt)
    out.do(StartTimer(timer=timer, after_s=left))


def queued(load: Load, out: Out) -> Load:
    """In line for the survey; a drive that has yet to be identified by this process is waited for first,
    and where stations share jobs its claim. One that was pulled has to come back."""
    if load.bay is None:
        return go_away(load, out)
    if load.handle is None:
        return replace(load, state=Away(since=out.at, told=False))
    if out.context.limits.shared and not load.claimed:
        return claim(load, out, "")
    return replace(load, state=Waiting(since=out.at, reason="waits for a free place among the running loads"))


def claim(load: Load, out: Out, how: str) -> Load:
    """Ask for the drive's place in its job, for all stations to hear."""
    assert load.drive_index is not None, "a load that claims has been matched"
    assert load.bay is not None, "a drive that is claimed is in a bay"
    attempt = next_attempt(load)
    out.say(
        LoadClaimed(
            load_id=load.load_id,
            job_id=out.job.job_id,
            job_version=out.job.version,
            drive_index=load.drive_index,
            attempt=attempt,
            bay=load.bay,
            drive=load.drive,
            continues=load.continues,
        )
    )
    waits = Waiting(since=out.at, reason="waits for its claim to be heard", attempt=attempt, claiming=how)
    return replace(load, attempt=attempt, state=waits)


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
            text=_instruction(load, outcome, job, text),
        )
    )
    return replace(load, state=Released(outcome=outcome, since=out.at, text=text))


def _instruction(load: Load, outcome: Outcome, job: Job | None, why: str) -> str:
    """What the hands on the floor are to do, and why; without a drive in a bay there is nothing to do."""
    if load.bay is None:
        return why
    if job is None:
        what = "keep it apart, it was loaded for no job"
    elif outcome is Outcome.FAILED:
        what = f"keep it locked until support has closed the case, then {job.disposition}"
    else:
        what = str(job.disposition)
    return f"Pull it from {load.bay}: {what}. Why: {why.rstrip('.')}."


def unclaimed(load: Load, out: Out, tried: tuple[str, ...], text: str) -> Load:
    out.say(DriveUnclaimed(load_id=load.load_id, bay=load.bay, drive=load.drive, tried=tried))
    return begin_close(load, out, Outcome.UNCLAIMED, text)


def resumed(load: Load, after: Phase, text: str) -> LoadResumed:
    return LoadResumed(load_id=load.load_id, job_id=load.job_id, bay=load.bay, after=after, text=text)


def go_away(load: Load, out: Out) -> Load:
    """The drive is needed and not there."""
    bay = load.bay or load.last_bay
    assert bay is not None, "a drive that is gone was in some bay"
    out.say(LoadAway(load_id=load.load_id, job_id=load.job_id, bay=bay, drive=load.drive, ledger=load.ledger))
    away = Away(since=out.at)
    return replace(pulled(load), handle=None, state=away, claimed=False, rate_bytes_per_second=0.0)


def pulled(load: Load) -> Load:
    """The same load without a bay."""
    return replace(load, bay=None, last_bay=load.bay or load.last_bay)
