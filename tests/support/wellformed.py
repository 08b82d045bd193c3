"""What holds for every load at every moment."""

from __future__ import annotations

from collections.abc import Iterator

from ingestd.core.load import Step
from ingestd.core.messages import Close, Prove, Recheck, StartTimer, Survey, TakeBack, Transfer
from ingestd.core.model import Phase
from ingestd.core.outgoing import LoadClaimed, LoadSurveyed
from ingestd.core.phases import Away, Held, Load, Loading, Proving, Released, Releasing, Surveying, Waiting
from ingestd.core.station import reason_of

AT_THE_DRIVE = (Phase.WAITING, Phase.SURVEYING, Phase.LOADING)
EFFECTS = (Survey, Transfer, Recheck, Prove, TakeBack, Close)


def complaints(load: Load) -> Iterator[str]:
    """What is wrong with a load, as sentences; nothing when it is well-formed."""
    state = load.state
    if not load.ledger.balanced:
        yield "the ledger does not balance"
    if (load.job_id is None) != (load.drive_index is None):
        yield "a job without a drive of it, or the other way round"
    if load.phase in AT_THE_DRIVE and (load.bay is None or load.handle is None):
        yield f"{load.phase} without a bay or a handle"
    if isinstance(state, Surveying | Loading | Proving) and load.job_id is None:
        yield f"{load.phase} for no job"
    if isinstance(state, Held) and load.job_id is None and load.bay is None:
        yield "held without a job and without a drive: nothing can ever move it"
    if isinstance(state, Away) and state.told and (load.bay is not None or load.handle is not None):
        yield "away and in a bay"
    if isinstance(state, Surveying | Loading | Proving | Releasing) and state.attempt > load.attempt:
        yield "waits for an attempt that was never given out"
    if load.rate_bytes_per_second and not isinstance(state, Loading):
        yield f"a rate while {load.phase}"
    if isinstance(state, Held | Away | Waiting | Released) and not reason_of(load):
        yield f"{load.phase} without a reason"
    if getattr(state, "pause", None) is not None and not reason_of(load):
        yield "a pause without a reason"


def complaints_of_step(before: Load, step: Step) -> Iterator[str]:
    """What is wrong with one step in the life of a load."""
    yield from complaints(step.load)
    begun = [c.attempt for c in step.commands if isinstance(c, EFFECTS)]
    begun += [m.attempt for m in step.messages if isinstance(m, LoadClaimed | LoadSurveyed)]
    if isinstance(step.load.state, Releasing) and step.load.state.step == "verdict":
        begun += [step.load.attempt] if step.load.state != before.state else []
    timers = [c.timer.attempt for c in step.commands if isinstance(c, StartTimer)]
    if any(attempt <= before.attempt for attempt in begun) or len(set(begun)) != len(begun):
        yield "a command under an attempt that was given out before"
    if step.load.attempt != max([before.attempt, *begun]):
        yield "the last attempt is not that of the last command"
    after = step.load.state
    if isinstance(after, Surveying | Loading | Proving | Releasing):
        if after.pause is not None and after != before.state and after.attempt not in timers:
            yield "a pause that no timer ends"
        if after.attempt != getattr(before.state, "attempt", None) and after.attempt not in begun:
            yield "waits for an attempt whose command was lost"
    if step.load.messages != before.messages:
        yield "only the station numbers messages"
