"""What follows from the reports of a load's effects: survey, transfer, proof, release, failures."""

from __future__ import annotations

from dataclasses import replace

from ingestd.core import requirements, retry
from ingestd.core.found import Evidence, FileFault, Finding, FindingCode, Ledger, Presence
from ingestd.core.load_events import (
    Admitted,
    Doubled,
    Expired,
    Freed,
    Judged,
    Matched,
    Outbid,
    ReportHeard,
    TimeUp,
    Unheard,
    Unmatched,
    Won,
)
from ingestd.core.load_moves import (
    Out,
    begin_again,
    begin_close,
    begin_proof,
    begin_recheck,
    begin_survey,
    begin_transfer,
    claim,
    fail,
    go_away,
    hold,
    interrupt,
    let_go_failed,
    next_attempt,
    queued,
    release,
    resumed,
    start_unclaimed_timer,
    unclaimed,
)
from ingestd.core.messages import (
    Closed,
    EffectCancelled,
    EffectFailed,
    Progressed,
    ProofFailed,
    Proved,
    Rechecked,
    StartTimer,
    Surveyed,
    TakenBack,
    Timer,
    Transferred,
)
from ingestd.core.model import Failure, FailureClass, FailureKind, HoldReason, Outcome, Phase, Severity
from ingestd.core.names import counted
from ingestd.core.outgoing import (
    LoadHeld,
    LoadProgressed,
    LoadStarted,
    LoadSurveyed,
)
from ingestd.core.phases import (
    Away,
    Held,
    Load,
    Loading,
    Pause,
    Proving,
    Releasing,
    Surveying,
    Tally,
    Waiting,
    Working,
)

_TOLD_AT_TRY = 10
"""How often letting go fails, in some ten minutes, before people hear of it."""

_ONCE = "Seen in one look only:"

# -- handlers: matching ----------------------------------------------------------------------------


def on_matched(load: Load, state: Waiting | Held, event: Matched, out: Out) -> Load:
    load = replace(
        load, job_id=event.job_id, drive_index=event.drive_index, continues=event.continues, claimed=False
    )
    if isinstance(state, Held):
        out.say(resumed(load, Phase.HELD, event.by))
    if out.context.limits.shared:
        return claim(load, out, event.by)
    return _started(load, event.by, out)


def _started(load: Load, how: str, out: Out) -> Load:
    assert load.bay is not None, "a drive that is matched is in a bay"
    out.say(
        LoadStarted(
            load_id=load.load_id,
            job_id=out.job.job_id,
            tenant=out.job.tenant,
            bay=load.bay,
            drive=load.drive,
            matched_by=how,
        )
    )
    return queued(load, out)


# -- handlers: claims that stations share ----------------------------------------------------------


def on_won(load: Load, state: Waiting, event: Won, out: Out) -> Load:
    load = replace(load, claimed=True)
    return _started(load, state.claiming, out) if state.claiming else queued(load, out)


def on_unheard(load: Load, state: Waiting | Surveying, event: Unheard, out: Out) -> Load:
    """Said once more, under another attempt: should the first come after all, it is stale."""
    if isinstance(state, Waiting) and state.claiming is not None:
        return claim(load, out, state.claiming)
    if isinstance(state, Surveying) and state.reported:
        return _reported(load, out)
    return load


def on_won_while_held(load: Load, state: Held, event: Won, out: Out) -> Load:
    """Whose claim came first had fallen silent when this one was made."""
    if state.reason is not HoldReason.CLAIMED_ELSEWHERE:
        return load
    load = replace(load, claimed=True)
    out.say(resumed(load, Phase.HELD, "who had this drive's place has fallen silent"))
    return queued(load, out)


def on_outbid(load: Load, state: Waiting | Surveying | Loading | Proving, event: Outbid, out: Out) -> Load:
    """What was stored is known still: should the job come to nothing, it is taken back."""
    interrupt(load, out)
    load = replace(load, claimed=False)
    return hold(load, out, HoldReason.CLAIMED_ELSEWHERE, FailureClass.STATION, event.text)


def on_outbid_without_drive(load: Load, state: Away | Held, event: Outbid, out: Out) -> Load:
    return replace(load, claimed=False)


def on_freed(load: Load, state: Held, event: Freed, out: Out) -> Load:
    if state.reason is not HoldReason.CLAIMED_ELSEWHERE:
        return load
    out.say(resumed(load, Phase.HELD, "nobody else has this drive's place any more"))
    return queued(load, out)


def on_judged(load: Load, state: Releasing, event: Judged, out: Out) -> Load:
    return let_go_failed(load, out, state.text, keep=event.keep) if state.step == "verdict" else load


def on_report_heard(load: Load, state: Surveying, event: ReportHeard, out: Out) -> Load:
    """Of several drives that are surveyed at once, the one whose report is heard last misses what lies on
    none of them: it is looked at again, with that known."""
    if not state.reported:
        return load
    return begin_transfer(load, out) if event.complete else begin_survey(load, out, fresh=True)


def on_unmatched(load: Load, state: Waiting | Held, event: Unmatched, out: Out) -> Load:
    known = isinstance(state, Held) and (state.reason, state.text, state.tried) == (
        event.reason,
        event.text,
        event.tried,
    )
    if known:
        return load
    load = replace(load, job_id=None, drive_index=None, continues=None, claimed=False)
    load = hold(load, out, event.reason, FailureClass.STATION, event.text, tried=event.tried)
    return _wait_for_a_job(load, state, out) if event.reason is HoldReason.NO_MATCHING_JOB else load


def _wait_for_a_job(load: Load, before: Waiting | Held, out: Out) -> Load:
    """Counted from when no job asked for the drive any more; the timer of a wait before that is stale."""
    assert isinstance(load.state, Held)
    if isinstance(before, Held) and before.reason is not HoldReason.NO_MATCHING_JOB:
        load = replace(load, attempt=next_attempt(load), state=replace(load.state, since=out.at))
    start_unclaimed_timer(load, out)
    return load


def on_doubled(load: Load, state: Waiting | Surveying | Loading, event: Doubled, out: Out) -> Load:
    """Whose job it is was told by what both say of themselves: a person has to tell them apart."""
    interrupt(load, out)
    return hold(load, out, HoldReason.DUPLICATE_IDENTITY, FailureClass.STATION, event.text)


def on_expired(load: Load, state: Held, event: Expired, out: Out) -> Load:
    if state.reason is not HoldReason.NO_MATCHING_JOB:
        return load
    return unclaimed(load, out, state.tried, f"unclaimed: {state.text}")


# -- handlers: surveying ---------------------------------------------------------------------------


def on_admitted(load: Load, state: Waiting, event: Admitted, out: Out) -> Load:
    return begin_survey(load, out)


def on_surveyed(load: Load, state: Surveying, event: Surveyed, out: Out) -> Load:
    index, facts = load.drive_index, event.facts
    assert index is not None, "a load that is surveyed has been matched"
    here = tuple(i.item.name for i in facts.items if i.presence is Presence.FOUND)
    load = replace(
        load, ledger=facts.ledger, items=(*here, *(name for name in facts.begun if name not in here))
    )
    case = requirements.Case(
        job=out.job,
        drive_index=index,
        drive_size_bytes=load.drive.size_bytes,
        facts=facts,
        interfaces_refused=out.context.limits.interfaces_refused,
        elsewhere=out.context.elsewhere,
    )
    findings = requirements.judge_survey(case, out.context.limits)
    blocking = requirements.blocking(findings)
    if state.suspects is None:
        return begin_survey(load, out, suspects=blocking) if blocking else _accepted(load, findings, out)
    return _second_look(load, state.suspects, findings, out)


def _second_look(load: Load, suspects: tuple[Finding, ...], findings: tuple[Finding, ...], out: Out) -> Load:
    blocking = requirements.blocking(findings)
    both = {f.key for f in suspects} & {f.key for f in blocking}
    if both:
        confirmed = tuple(f for f in blocking if f.key in both)
        others = tuple(f for f in findings if f.severity is not Severity.BLOCKING)
        once = (f for f in (*suspects, *blocking) if f.key not in both)
        return fail(load, out, (*confirmed, *others, *requirements.as_noted(once, _ONCE)))
    if blocking:
        text = f"two looks at the drive disagree: {blocking[0].sentence}"
        reason = HoldReason.OBSERVATIONS_DISAGREE
        return hold(load, out, reason, blocking[0].cause, text, findings=blocking)
    return _accepted(load, findings + requirements.as_noted(suspects, _ONCE), out)


def _accepted(load: Load, findings: tuple[Finding, ...], out: Out) -> Load:
    if doubts := _doubts(load, findings):
        return _hold_in_doubt(load, doubts, out)
    load = replace(load, findings=findings)
    if out.context.limits.shared and len(out.job.drives) > 1 and out.job.items:
        return _reported(load, out)
    return begin_transfer(load, out)


def _doubts(load: Load, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """What nobody has decided yet."""
    return tuple(f for f in requirements.doubtful(findings) if f.key not in load.waived)


def _hold_in_doubt(load: Load, doubts: tuple[Finding, ...], out: Out) -> Load:
    text = f"a person has to decide: {doubts[0].sentence}"
    return hold(load, out, HoldReason.DOUBTFUL, doubts[0].cause, text, findings=doubts)


def _reported(load: Load, out: Out) -> Load:
    """Tell the other stations what lies here, and go on when that has its place in the log."""
    assert load.drive_index is not None, "a load that was surveyed has been matched"
    attempt = next_attempt(load)
    out.say(
        LoadSurveyed(
            load_id=load.load_id,
            job_id=out.job.job_id,
            drive_index=load.drive_index,
            attempt=attempt,
            items=load.items,
        )
    )
    return replace(load, attempt=attempt, state=Surveying(attempt=attempt, reported=True, since=out.at))


# -- handlers: loading and proving -----------------------------------------------------------------


def on_progressed(load: Load, state: Loading, event: Progressed, out: Out) -> Load:
    if state.failures and _in_store(event.ledger) > _in_store(load.ledger):
        load = replace(load, state=replace(state, tries=0, failures=()))
    load = replace(load, ledger=event.ledger, rate_bytes_per_second=event.rate_bytes_per_second)
    if out.at - load.progress_told_at < out.context.limits.progress_every_s:
        return load
    out.say(
        LoadProgressed(
            load_id=load.load_id,
            job_id=out.job.job_id,
            bay=load.bay,
            phase=load.phase,
            ledger=load.ledger,
            rate_bytes_per_second=int(load.rate_bytes_per_second),
        )
    )
    return replace(load, progress_told_at=out.at)


def _in_store(ledger: Ledger) -> int:
    return ledger.stored_bytes + ledger.arrived_bytes


def on_transferred(load: Load, state: Loading, event: Transferred, out: Out) -> Load:
    load = replace(load, ledger=event.ledger, findings=_with_worse_health(load, event, out))
    load, faults = _without_accepted(load, event.faults, out)
    if faults:
        return begin_recheck(load, out, faults, passes=state.passes)
    if event.ledger.pending_files or event.ledger.failed_files:
        failure = Failure(
            kind=FailureKind.UNKNOWN, text="the pass ended with files neither stored nor at fault"
        )
        return _try_again_or_hold(load, state, failure, out)
    return begin_proof(load, out, passes=state.passes)


def _with_worse_health(load: Load, event: Transferred, out: Out) -> tuple[Finding, ...]:
    """The findings, with what has become worse since the drive was identified, as last read."""
    if event.health is None:
        return load.findings
    others = tuple(f for f in load.findings if f.code is not FindingCode.HEALTH_WORSENED)
    worse = requirements.judge_health(load.facts.health, event.health, out.job, out.context.limits)
    return (*others, *worse)


def _without_accepted(
    load: Load, faults: tuple[FileFault, ...], out: Out
) -> tuple[Load, tuple[FileFault, ...]]:
    """The load with the findings of files that a person has let it do without, and the other faults.

    Each pass tries those files again and tells of all of them: what the pass before told does not count.
    """
    left_out, others = list[Finding](), list[FileFault]()
    for fault in faults:
        found = requirements.judge_faults([fault], out.job, out.context.limits)
        if found and all(f.key in load.waived for f in found):
            left_out += found
        else:
            others.append(fault)
    before = (f for f in load.findings if not (f.code is FindingCode.FILE_IN_DOUBT and f.key in load.waived))
    return replace(load, findings=(*before, *left_out)), tuple(others)


def on_rechecked(load: Load, state: Loading, event: Rechecked, out: Out) -> Load:
    load = replace(load, ledger=event.ledger)
    if event.confirmed:
        findings = requirements.judge_faults(event.confirmed, out.job, out.context.limits)
        if requirements.blocking(findings):
            return fail(load, out, findings + load.findings)
        if doubts := _doubts(load, findings):
            return _hold_in_doubt(load, doubts, out)
    suspects = requirements.judge_faults(state.suspects or (), out.job, out.context.limits)
    if state.passes >= out.context.limits.passes_max:
        text = f"reading the same files gave different results {state.passes} times"
        cause = suspects[0].cause if suspects else FailureClass.STATION
        return hold(load, out, HoldReason.OBSERVATIONS_DISAGREE, cause, text, findings=suspects)
    noted = requirements.as_noted(suspects, _ONCE)
    return begin_transfer(replace(load, findings=load.findings + noted), out, passes=state.passes + 1)


def on_proved(load: Load, state: Proving, event: Proved, out: Out) -> Load:
    files = counted(event.receipt.files, "file", "files")
    text = f"{files} stored and proved ({event.receipt.proof})"
    return begin_close(replace(load, receipt=event.receipt), out, Outcome.LOADED, text)


def on_proof_failed(load: Load, state: Proving, event: ProofFailed, out: Out) -> Load:
    load = replace(load, ledger=event.ledger)
    example = f", for example {event.paths[0]}" if event.paths else ""
    if state.passes >= out.context.limits.passes_max:
        text = f"the store did not hold what was stored{example}"
        return hold(load, out, HoldReason.RETRIES_EXHAUSTED, FailureClass.DEPENDENCY, text)
    if load.bay is None:
        return go_away(load, out)
    if load.handle is None:
        return queued(load, out)
    return begin_transfer(load, out, passes=state.passes + 1)


# -- handlers: releasing ---------------------------------------------------------------------------


def on_taken_back(load: Load, state: Releasing, event: TakenBack, out: Out) -> Load:
    return begin_close(replace(load, ledger=_emptied(load.ledger)), out, state.outcome, state.text)


def _emptied(ledger: Ledger) -> Ledger:
    """The ledger once nothing is in the store any more."""
    return replace(
        ledger,
        stored_bytes=0,
        stored_files=0,
        arrived_bytes=0,
        pending_bytes=ledger.pending_bytes + ledger.stored_bytes,
        pending_files=ledger.pending_files + ledger.stored_files,
    )


def on_closed(load: Load, state: Releasing, event: Closed, out: Out) -> Load:
    return release(load, state.outcome, state.text, out, powered_down=event.powered_down)


# -- handlers: failures and pauses -----------------------------------------------------------------


def on_failed(load: Load, state: Surveying | Loading | Proving, event: EffectFailed, out: Out) -> Load:
    return _try_again_or_hold(load, state, event.failure, out)


def _try_again_or_hold(load: Load, state: Surveying | Loading | Proving, failure: Failure, out: Out) -> Load:
    failures = retry.counted(state.failures, failure.kind)
    text = f"{failure.kind}: {failure.text}"
    match retry.after(failure, dict(failures)[failure.kind], load.load_id):
        case retry.TryAgain(after_s=after_s):
            return _pause(load, state, failure, failures, after_s, out)
        case retry.HoldNow(reason=reason, cause=cause):
            return hold(load, out, reason, cause, text)
        case retry.Observed() if isinstance(state, Proving):
            # A proof reads the store: whatever it says, it has not seen the drive.
            return hold(load, out, HoldReason.STATION_FAULT, FailureClass.STATION, text)
        case retry.Observed(observations=observations):
            return fail(load, out, (_unreadable(failure), *load.findings), observations)


def _unreadable(failure: Failure) -> Finding:
    return requirements.make(
        FindingCode.DRIVE_UNREADABLE,
        "drive",
        f"The drive cannot be read: {failure.text.rstrip('.')}.",
        Evidence(name="error", value=failure.kind.value),
    )


def on_release_failed(load: Load, state: Releasing, event: EffectFailed, out: Out) -> Load:
    failures = retry.counted(state.failures, event.failure.kind)
    verdict = retry.last_resort(event.failure, dict(failures)[event.failure.kind], load.load_id)
    if state.tries + 1 == _TOLD_AT_TRY and retry.TABLE[event.failure.kind].then is not retry.Then.GO_ON:
        _tell_of_stuck_release(load, state, event.failure, out)
    return _pause(load, state, event.failure, failures, verdict.after_s, out)


def _tell_of_stuck_release(load: Load, state: Releasing, failure: Failure, out: Out) -> None:
    """Somebody has to mend something, or this is tried for ever. It is told as a hold, and is none: there is
    nothing to decide any more."""
    what = (
        "what was stored cannot be taken back" if state.step == "take-back" else "the drive cannot be let go"
    )
    tried = f"{_TOLD_AT_TRY} tries, and on until it works; there is no hold to lift"
    rule = retry.TABLE[failure.kind]
    out.say(
        LoadHeld(
            load_id=load.load_id,
            job_id=load.job_id,
            bay=load.bay,
            drive=load.drive,
            reason=rule.hold,
            cause=rule.cause,
            text=f"{what} ({tried}): {failure.kind}: {failure.text}",
            tried=(),
            findings=(),
        )
    )


def _pause(
    load: Load,
    state: Surveying | Loading | Proving | Releasing,
    failure: Failure,
    failures: Tally,
    after_s: float,
    out: Out,
) -> Load:
    out.do(
        StartTimer(timer=Timer(purpose="retry", owner=load.load_id, attempt=state.attempt), after_s=after_s)
    )
    pause = Pause(failure=failure, until=out.at + after_s)
    state = replace(state, tries=state.tries + 1, failures=failures, pause=pause)
    return replace(load, state=state, rate_bytes_per_second=0.0)


def on_time_up(load: Load, state: Working, event: TimeUp, out: Out) -> Load:
    return begin_again(load, state, out)


def on_cancelled(
    load: Load, state: Surveying | Loading | Proving | Releasing, event: EffectCancelled, out: Out
) -> Load:
    """Only a stopping station cancels work that a load still waits for: a new process begins it again."""
    return load
