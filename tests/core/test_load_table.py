"""Every pair of phase and event is either served by the table or known to be impossible, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import product
from typing import Any, get_args

import pytest

from ingestd.core import load as life
from ingestd.core.load import ROWS, is_stale
from ingestd.core.load_events import (
    Admitted,
    Amended,
    Context,
    Doubled,
    Expired,
    Freed,
    Judged,
    Lifted,
    LoadEvent,
    Matched,
    Outbid,
    ReportHeard,
    Restarted,
    Returned,
    TimeUp,
    Unheard,
    Unmatched,
    Unplugged,
    Withdrawn,
    Won,
)
from ingestd.core.load_moves import Unlisted
from ingestd.core.load_turns import why_not
from ingestd.core.messages import (
    Closed,
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
from ingestd.core.model import Attempt, BayName, Decision, FailureKind, HoldReason, Outcome, Phase
from ingestd.core.phases import Away, Load, Loading, Proving, Released, Releasing, Surveying, Waiting
from tests.support import values as v
from tests.support.life import Life, fresh
from tests.support.wellformed import complaints_of_step

_HAS_ITS_JOB = "its job is known already"
_HAS_BEGUN = "only a load that waits is let in"
_NOT_HELD = "the station refuses a word about a hold where there is none"

IMPOSSIBLE: Mapping[tuple[Phase, type], str] = {
    (Phase.WAITING, Lifted): _NOT_HELD,
    (Phase.SURVEYING, Matched): _HAS_ITS_JOB,
    (Phase.SURVEYING, Unmatched): _HAS_ITS_JOB,
    (Phase.SURVEYING, Admitted): _HAS_BEGUN,
    (Phase.SURVEYING, Lifted): _NOT_HELD,
    (Phase.LOADING, Matched): _HAS_ITS_JOB,
    (Phase.LOADING, Unmatched): _HAS_ITS_JOB,
    (Phase.LOADING, Admitted): _HAS_BEGUN,
    (Phase.LOADING, Lifted): _NOT_HELD,
    (Phase.PROVING, Matched): _HAS_ITS_JOB,
    (Phase.PROVING, Unmatched): _HAS_ITS_JOB,
    (Phase.PROVING, Admitted): _HAS_BEGUN,
    (Phase.PROVING, Lifted): _NOT_HELD,
    (Phase.RELEASING, Matched): "the outcome is decided",
    (Phase.RELEASING, Unmatched): "the outcome is decided",
    (Phase.RELEASING, Admitted): _HAS_BEGUN,
    (Phase.RELEASING, Lifted): _NOT_HELD,
    (Phase.RELEASED, Matched): "a load that is over is not matched again; its drive begins a new one",
    (Phase.RELEASED, Unmatched): "a load that is over is not matched again; its drive begins a new one",
    (Phase.RELEASED, Admitted): _HAS_BEGUN,
    (Phase.RELEASED, Lifted): _NOT_HELD,
    (Phase.HELD, Admitted): "a load that is held is not in the queue",
    (Phase.AWAY, Matched): "a drive that is pulled before its job is known ends its load",
    (Phase.AWAY, Unmatched): "a drive that is pulled before its job is known ends its load",
    (Phase.AWAY, Admitted): "a drive that is away cannot be read",
    (Phase.AWAY, Lifted): _NOT_HELD,
}

EVENTS = get_args(LoadEvent)
COMPLETIONS = (
    Surveyed,
    Transferred,
    Rechecked,
    Proved,
    ProofFailed,
    TakenBack,
    Closed,
    EffectFailed,
    EffectCancelled,
)
PAIRS = list(product(Phase, EVENTS))
LISTED = [(phase, kind) for phase, kind in PAIRS if kind in ROWS[phase]]

JOB = v.job()


def _name(pair: object) -> str:
    return getattr(pair, "__name__", str(pair))


# -- plausible loads and events --------------------------------------------------------------------


def _paused(phase: Phase, kind: FailureKind = FailureKind.STORE_UNREACHABLE) -> Life:
    return Life().to(phase).failed(kind)


def _sharing() -> Life:
    """A load of a station that shares its jobs, of which this one has several drives."""
    job = v.job(v.SONAR, v.SERIAL, "HQ7K2M9B", items=(v.item(),))
    return Life(job, limits=v.SHARED, elsewhere=None)


PLAIN = v.survey(secrecy=(v.plain(),))

LIVES: Mapping[Phase, tuple[Callable[[], Life], ...]] = {
    Phase.WAITING: (Life, lambda: Life().to(Phase.WAITING), lambda: _sharing().matched()),
    Phase.SURVEYING: (
        lambda: _sharing().reported(),
        lambda: Life().to(Phase.SURVEYING),
        lambda: Life().to(Phase.SURVEYING).surveyed(v.survey(secrecy=(v.plain(),))),
        lambda: _paused(Phase.SURVEYING),
    ),
    Phase.LOADING: (
        lambda: Life().to(Phase.LOADING),
        lambda: Life().to(Phase.LOADING).transferred(v.fault()),
        lambda: _paused(Phase.LOADING),
    ),
    Phase.PROVING: (
        lambda: Life().to(Phase.PROVING),
        lambda: Life().to(Phase.PROVING).pulled(),
        lambda: _paused(Phase.PROVING),
    ),
    Phase.RELEASING: (
        lambda: Life().to(Phase.RELEASING),
        lambda: Life().to(Phase.LOADING).take(Withdrawn(reason="not wanted")),
        lambda: Life().to(Phase.HELD).expired(),
        lambda: _paused(Phase.RELEASING),
        lambda: _sharing().begun().surveyed(PLAIN).surveyed(PLAIN),
    ),
    Phase.RELEASED: (
        lambda: Life().to(Phase.RELEASED),
        lambda: Life().to(Phase.RELEASED).pulled(),
    ),
    Phase.HELD: (
        lambda: Life().to(Phase.HELD),
        lambda: Life().to(Phase.LOADING).failed(FailureKind.STORE_REFUSED),
        lambda: Life().to(Phase.SURVEYING).surveyed(v.survey(secrecy=(v.doubtful(),))),
        lambda: Life().to(Phase.PROVING).pulled().failed(FailureKind.STORE_REFUSED),
        lambda: _sharing().begun().take(Outbid(text="another station has it")),
    ),
    Phase.AWAY: (
        lambda: Life().to(Phase.AWAY),
        lambda: Life().to(Phase.LOADING).take(Restarted()),
    ),
}


def _of_attempt(attempt: Attempt) -> Iterator[LoadEvent]:
    known: dict[str, Any] = {"at": v.AT, "load_id": fresh().load_id, "attempt": attempt}
    yield Surveyed(**known, facts=v.survey())
    yield Surveyed(**known, facts=v.survey(secrecy=(v.plain(), v.doubtful("vol-1/other.bin"))))
    yield Progressed(**known, ledger=v.ledger(stored=1, pending=2), rate_bytes_per_second=5e6)
    yield Transferred(**known, ledger=v.ledger(stored=3), faults=())
    yield Transferred(**known, ledger=v.ledger(stored=2, failed=1), faults=(v.fault(),))
    yield Rechecked(**known, ledger=v.ledger(stored=2, pending=1), confirmed=())
    yield Rechecked(**known, ledger=v.ledger(stored=2, failed=1), confirmed=(v.fault(),))
    yield Proved(**known, receipt=v.receipt(fresh().load_id, JOB))
    yield ProofFailed(**known, ledger=v.ledger(stored=2, pending=1), paths=("vol-1/a.age",))
    yield ProofFailed(**known, ledger=v.ledger(stored=2, pending=1), paths=())
    yield TakenBack(**known, files=3, size_bytes=3000)
    yield Closed(**known, powered_down=False)
    yield from (EffectFailed(**known, failure=v.failure(kind)) for kind in FailureKind)
    yield EffectCancelled(**known)
    yield TimeUp(attempt=attempt)
    yield Expired(attempt=attempt)
    yield Won(attempt=attempt)
    yield ReportHeard(attempt=attempt, complete=True)
    yield ReportHeard(attempt=attempt, complete=False)


def _from_outside() -> Iterator[LoadEvent]:
    yield Matched(job_id=JOB.job_id, drive_index=0, by="label KELP of vol-1")
    yield Doubled(text="the drive in bay-2 gives the same identity")
    yield Unmatched(reason=HoldReason.SEVERAL_JOBS, text="several jobs claim this drive", tried=("serial",))
    yield Admitted()
    yield Outbid(text="load quay-05.bay-1.20310517T082003000Z of station quay-05 has this drive")
    yield Freed()
    yield Unheard()
    yield Judged(keep=False)
    yield Judged(keep=True)
    yield Unplugged()
    yield Returned(bay=BayName("bay-2"), handle=v.handle("bay-2", 7), facts=v.facts())
    yield Withdrawn(reason="the order was cancelled")
    yield from (Lifted(decision=decision, by="m.okafor") for decision in Decision)
    yield Amended(again=True)
    yield Amended(again=False)
    yield Restarted()


def _plausible(load: Load, event: LoadEvent) -> bool:
    """Whether the station would put this event to this load."""
    match event:
        case Matched() | Unmatched():
            return load.job_id is None and load.bay is not None
        case Admitted() | Withdrawn() | Amended() | Outbid() | Freed() | Judged() | Unheard():
            return load.job_id is not None
        case Unplugged():
            return load.bay is not None
        case Lifted(decision=decision):
            return load.bay is not None and why_not(load, decision) is None
        case _:
            return True


_ANSWERS: Mapping[type, tuple[type, ...]] = {
    Surveying: (Surveyed,),
    Loading: (Progressed, Transferred, Rechecked),
    Proving: (Proved, ProofFailed),
    Releasing: (TakenBack, Closed),
}


def _answers(load: Load, event: LoadEvent) -> bool:
    """Whether the effect that the load waits for can say this."""
    state = load.state
    if isinstance(event, Expired):
        return True
    if isinstance(event, Won):
        return isinstance(state, Waiting) and state.claiming is not None
    if isinstance(event, ReportHeard):
        return isinstance(state, Surveying) and state.reported
    if isinstance(state, Surveying) and state.reported:
        return False
    if isinstance(state, Releasing) and state.step == "verdict":
        return False
    if getattr(state, "pause", None) is not None:
        return isinstance(event, TimeUp)
    if isinstance(event, EffectFailed | EffectCancelled):
        return type(state) in _ANSWERS
    if isinstance(state, Loading) and isinstance(event, Transferred | Rechecked):
        return isinstance(event, Rechecked) == (state.suspects is not None)
    if isinstance(state, Releasing):
        return isinstance(event, TakenBack if state.step == "take-back" else Closed)
    return isinstance(event, _ANSWERS.get(type(state), ()))


def _events(load: Load, kind: type) -> Iterator[LoadEvent]:
    """Every event of this kind that can come to this load: from outside, in answer, or too late."""
    attempt = getattr(load.state, "attempt", load.attempt)
    for event in (*_from_outside(), *_of_attempt(attempt)):
        carries = hasattr(event, "attempt")
        if type(event) is kind and (_answers(load, event) if carries else _plausible(load, event)):
            yield event
    yield from (event for event in _of_attempt(Attempt(-1)) if type(event) is kind)


# -- the tests -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("phase", "kind"), PAIRS, ids=_name)
def test_each_pair_is_listed_or_impossible_and_never_both(phase: Phase, kind: type) -> None:
    assert (kind in ROWS[phase]) != ((phase, kind) in IMPOSSIBLE)


def test_both_lists_name_nothing_else() -> None:
    assert set(IMPOSSIBLE) <= set(PAIRS)
    assert set(ROWS) == set(Phase)
    assert all(set(row) <= set(EVENTS) for row in ROWS.values())
    assert all(IMPOSSIBLE.values())


@pytest.mark.parametrize("phase", Phase)
def test_the_loads_of_these_tests_are_in_their_phases(phase: Phase) -> None:
    assert {make().load.phase for make in LIVES[phase]} == {phase}


@pytest.mark.parametrize(("phase", "kind"), LISTED, ids=_name)
def test_each_listed_pair_gives_a_well_formed_load(phase: Phase, kind: type) -> None:
    executed = 0
    for make in LIVES[phase]:
        before = make().load
        for event in _events(before, kind):
            context = Context(at=v.AT + 60.0, limits=v.LIMITS, job=JOB)
            step = life.step(before, event, context)
            assert list(complaints_of_step(before, step)) == [], event
            executed += 1
    assert executed


@pytest.mark.parametrize(("phase", "kind"), list(IMPOSSIBLE), ids=_name)
def test_an_impossible_pair_raises(phase: Phase, kind: type) -> None:
    load = LIVES[phase][0]().load
    (event, *_) = [e for e in (*_from_outside(), *_of_attempt(load.attempt)) if type(e) is kind]
    with pytest.raises(Unlisted, match=f"{kind.__name__} while {phase}"):
        life.step(load, event, Context(at=v.AT, limits=v.LIMITS, job=JOB))


@pytest.mark.parametrize("phase", Phase)
def test_a_stale_attempt_changes_nothing(phase: Phase) -> None:
    for make in LIVES[phase]:
        load = make().load
        for event in _of_attempt(Attempt(load.attempt + 1)):
            assert is_stale(load, event)
            step = life.step(load, event, Context(at=v.AT, limits=v.LIMITS, job=JOB))
            assert (step.load, step.messages, step.commands) == (load, (), ())


@pytest.mark.parametrize("phase", [Phase.SURVEYING, Phase.LOADING, Phase.PROVING, Phase.RELEASING])
def test_an_answer_that_the_awaited_effect_cannot_give_is_a_bug_and_raises(phase: Phase) -> None:
    load = LIVES[phase][0]().load
    wrong = [
        event
        for event in _of_attempt(load.attempt)
        if type(event) in COMPLETIONS and type(event) not in (*_ANSWERS[type(load.state)], EffectFailed)
    ]
    for event in wrong:
        if not isinstance(event, EffectCancelled):
            with pytest.raises(Unlisted):
                life.step(load, event, Context(at=v.AT, limits=v.LIMITS, job=JOB))


def test_a_timer_without_a_pause_is_stale() -> None:
    working = Life().to(Phase.LOADING)
    assert working.time_up().commands == ()


def test_a_released_load_moves_for_a_withdrawal_only() -> None:
    for kind in ROWS[Phase.RELEASED]:
        for make in LIVES[Phase.RELEASED]:
            load = make().load
            for event in _events(load, kind):
                step = life.step(load, event, Context(at=v.AT, limits=v.LIMITS, job=JOB))
                moves = isinstance(event, Withdrawn)
                assert (step.load.phase is not Phase.RELEASED) == moves, event
                assert bool(step.commands) == moves, event


@pytest.mark.parametrize("outcome", [o for o in Outcome if o is not Outcome.LOADED])
def test_what_was_not_loaded_is_not_taken_back_a_second_time(outcome: Outcome) -> None:
    released = Life().to(Phase.RELEASED)
    assert isinstance(released.load.state, Released)
    released.put(state=replace(released.load.state, outcome=outcome))
    assert released.take(Withdrawn(reason="the order was cancelled")).commands == ()


def test_the_first_state_of_a_load_waits_for_a_job() -> None:
    assert isinstance(fresh().state, Waiting)
    assert isinstance(LIVES[Phase.AWAY][1]().load.state, Away)
