"""What follows from outside: the drive comes and goes, people and the order system speak, a new process."""

from __future__ import annotations

from dataclasses import replace

from ingestd.core.catalogue import SET_ASIDE
from ingestd.core.found import FindingCode
from ingestd.core.load_events import Amended, Lifted, Restarted, Returned, Unplugged, Withdrawn
from ingestd.core.load_moves import (
    Out,
    begin_again,
    begin_close,
    begin_proof,
    begin_survey,
    begin_take_back,
    fail,
    go_away,
    interrupt,
    let_go,
    pulled,
    queued,
    release,
    resumed,
    start_unclaimed_timer,
    unclaimed,
)
from ingestd.core.model import Decision, HoldReason, Outcome, Phase, Severity
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

# -- handlers: the drive comes and goes ------------------------------------------------------------


def on_unplugged_early(load: Load, state: Waiting | Held, event: Unplugged, out: Out) -> Load:
    """Nothing of the drive is in use."""
    if load.job_id is not None:
        return go_away(load, out)
    return release(replace(pulled(load), handle=None), Outcome.UNCLAIMED, event.text, out)


def on_unplugged_at_work(load: Load, state: Surveying | Loading, event: Unplugged, out: Out) -> Load:
    interrupt(load, out)
    return go_away(let_go(load, out), out)


def on_unplugged_late(load: Load, state: object, event: Unplugged, out: Out) -> Load:
    """Nothing on the drive is needed, unless the proof fails."""
    return pulled(load)


def on_absence_confirmed(load: Load, state: Away, event: Unplugged, out: Out) -> Load:
    """After a restart the drive is not where it was."""
    return load if state.told else go_away(load, out)


def on_returned(load: Load, state: Away, event: Returned, out: Out) -> Load:
    load = _at(load, event)
    if state.told:
        out.say(resumed(load, Phase.AWAY, f"the drive is back in {event.bay}"))
    return queued(load, out)


def on_returned_quietly(load: Load, state: object, event: Returned, out: Out) -> Load:
    return _at(load, event)


def _at(load: Load, event: Returned) -> Load:
    return replace(load, bay=event.bay, handle=event.handle, facts=event.facts)


# -- handlers: people and the order system ---------------------------------------------------------


def on_withdrawn(load: Load, state: object, event: Withdrawn, out: Out) -> Load:
    interrupt(load, out)
    begin = begin_close if event.keep else begin_take_back
    return begin(load, out, Outcome.WITHDRAWN, f"withdrawn: {event.reason}")


def on_withdrawn_late(load: Load, state: Releasing | Released, event: Withdrawn, out: Out) -> Load:
    """One drive of several was loaded before its job was withdrawn or failed: its data goes too."""
    if state.outcome is not Outcome.LOADED or event.keep:
        return load
    interrupt(load, out)
    return begin_take_back(load, out, Outcome.WITHDRAWN, f"withdrawn: {event.reason}")


def on_lifted(load: Load, state: Held, event: Lifted, out: Out) -> Load:
    assert why_not(load, event.decision) is None, "the station has asked first"
    if event.decision is Decision.REFUSE:
        if load.job_id is None:
            return unclaimed(load, out, state.tried, f"let go by {event.by}; {state.text}")
        refused = tuple(
            replace(f, severity=Severity.BLOCKING, remedy_floor=SET_ASIDE) for f in state.findings
        )
        return fail(load, out, refused + load.findings, observations=1, refused_by=event.by)
    if event.decision is Decision.ACCEPT:
        load = replace(load, waived=load.waived + tuple(f.key for f in state.findings))
    words = "accepted by" if event.decision is Decision.ACCEPT else "to be looked at again, says"
    out.say(resumed(load, Phase.HELD, f"{words} {event.by}"))
    return queued(load, out) if load.bay is not None else _on_without_drive(load, out)


def _on_without_drive(load: Load, out: Out) -> Load:
    """Only a load that was being proved is held while its drive is gone: it can do without, as long as all
    is stored that is to be proved."""
    theirs = out.context.limits.shared and not load.claimed
    return go_away(load, out) if theirs or load.ledger.pending_files else begin_proof(load, out, passes=1)


def why_not(load: Load, decision: Decision) -> str | None:
    """Why a person's word cannot be taken here; None when it can."""
    if not isinstance(load.state, Held):
        return f"load {load.load_id} is not held, it is {load.phase}"
    if load.job_id is None and decision is Decision.ACCEPT:
        return "no job is known for this drive; say whose it is: ingestd assign BAY JOB"
    if decision is Decision.ACCEPT and load.state.reason is not HoldReason.DOUBTFUL:
        return f"there is nothing to accept: it is held for {load.state.reason}"
    if decision is Decision.ACCEPT and any(
        f.code is FindingCode.NOTHING_TO_LOAD for f in load.state.findings
    ):
        return "there is nothing to load from this drive as it is: refuse it, or have it looked at again"
    at_fault = bool(load.state.findings) and all(f.cause.may_fail_a_job for f in load.state.findings)
    if decision is Decision.REFUSE and load.job_id is not None and not at_fault:
        return f"the drive is not at fault ({load.state.reason}): withdraw the job instead"
    return None


def on_amended(load: Load, state: Surveying | Loading | Proving, event: Amended, out: Out) -> Load:
    if event.again:
        interrupt(load, out)
        return _begin_anew(load, out)
    return load


def _begin_anew(load: Load, out: Out) -> Load:
    if load.bay is None:
        return go_away(load, out)
    return begin_survey(load, out) if load.handle is not None else queued(load, out)


def on_amended_while_held(load: Load, state: Held, event: Amended, out: Out) -> Load:
    if not event.again or load.job_id is None:
        return load
    if load.bay is None:
        return go_away(load, out)
    out.say(resumed(load, Phase.HELD, "the job was amended"))
    return queued(load, out)


# -- handlers: a new process -----------------------------------------------------------------------


def on_restarted_at_drive(load: Load, state: object, event: Restarted, out: Out) -> Load:
    """The bays have yet to be looked at: until then the drive counts as away, without a word."""
    return replace(load, handle=None, state=Away(since=out.at, told=False), rate_bytes_per_second=0.0)


def on_restarted_while_away(load: Load, state: Away, event: Restarted, out: Out) -> Load:
    return load


def on_restarted_anyway(load: Load, state: Releasing, event: Restarted, out: Out) -> Load:
    return begin_again(load, state, out)


def on_restarted_proving(load: Load, state: Proving, event: Restarted, out: Out) -> Load:
    """The proof does without the drive; should it be needed again, it has to be identified first."""
    return begin_again(replace(load, handle=None), state, out)


def on_restarted_held(load: Load, state: Held, event: Restarted, out: Out) -> Load:
    load = replace(load, handle=None)
    if state.reason is HoldReason.NO_MATCHING_JOB:
        start_unclaimed_timer(load, out)
    return load
