"""Effects: one completion for every command, whatever becomes of the work."""

from __future__ import annotations

import threading
from collections import Counter
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.found import Ledger
from ingestd.core.messages import (
    Closed,
    Effect,
    EffectCancelled,
    EffectFailed,
    Event,
    IdentifyFailed,
    Surveyed,
)
from ingestd.core.model import Attempt, FailureKind
from ingestd.ports import Cancelled, DriveGoneError, JournalError, Manifest, StoreFull
from ingestd.runtime.effects import Token
from ingestd.runtime.uncounted import uncounted
from tests.support.at_work import (
    SOON_S,
    STALL_S,
    Bench,
    Gate,
    close,
    done,
    identify,
    prove,
    raising,
    survey,
    take_back,
)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def kind_of(event: Event) -> FailureKind:
    assert isinstance(event, EffectFailed | IdentifyFailed), event
    return event.failure.kind


# -- what a handler may do -------------------------------------------------------------------------


def test_what_a_handler_returns_is_told(bench: Bench) -> None:
    bench.perform(survey(), done)
    assert isinstance(bench.wait_told(1)[0], Surveyed)
    bench.wait_idle()


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (DriveGoneError("pulled"), FailureKind.DRIVE_GONE),
        (StoreFull("no room"), FailureKind.STORE_FULL),
        (MemoryError(), FailureKind.RESOURCES),
        (BlockingIOError("no more threads"), FailureKind.RESOURCES),
        (ZeroDivisionError("division by zero"), FailureKind.UNKNOWN),
        (RecursionError(), FailureKind.UNKNOWN),
        (SystemExit(3), FailureKind.UNKNOWN),
        (KeyboardInterrupt(), FailureKind.UNKNOWN),
        (GeneratorExit(), FailureKind.UNKNOWN),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else str(value),
)
@pytest.mark.parametrize("command", [survey(), close(), identify()], ids=lambda c: type(c).__name__)
def test_whatever_a_handler_raises_is_told_as_a_failure(
    bench: Bench, command: Effect, error: BaseException, kind: FailureKind
) -> None:
    bench.perform(command, raising(error))
    bench.wait_idle()
    (event,) = bench.told
    assert kind_of(event) is kind
    assert event.attempt == command.attempt  # type: ignore[union-attr]


def test_a_handler_that_stopped_when_asked_is_told_as_cancelled(bench: Bench) -> None:
    bench.perform(survey(), raising(Cancelled()))
    bench.wait_idle()
    assert [type(event) for event in bench.told] == [EffectCancelled]


def test_a_journal_that_broke_stops_the_daemon_instead(bench: Bench) -> None:
    bench.perform(survey(), raising(JournalError("the disk is full")))
    bench.wait_idle()
    assert [str(error) for error in bench.broken] == ["the disk is full"]
    assert bench.told == []


def test_a_thread_that_cannot_be_had_is_told_as_a_failure(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patch:
        patch.setattr(threading.Thread, "start", refuse)
        bench.perform(survey(), done)
    assert [kind_of(event) for event in bench.told] == [FailureKind.RESOURCES]
    bench.perform(survey(attempt=2), done)
    assert isinstance(bench.wait_told(2)[1], Surveyed)


# -- one after the other, and side by side ---------------------------------------------------------


def test_the_effects_of_one_owner_follow_one_another_in_order(bench: Bench) -> None:
    first = Gate()
    commands: list[Effect] = [survey(attempt=1), close(attempt=2), survey(attempt=3)]
    bench.perform(commands[0], first)
    bench.perform(commands[1], done)
    bench.perform(commands[2], done)
    bench.wait_begun(commands[0])
    assert bench.begun == commands[:1]
    assert bench.effects.busy == 3
    first.open()
    bench.wait_idle()
    assert bench.begun == commands
    assert [event.attempt for event in bench.told] == [1, 2, 3]  # type: ignore[union-attr]


def test_owners_do_not_wait_for_one_another(bench: Bench) -> None:
    gates = {name: Gate() for name in ("load-1", "load-2", "bay-1")}
    bench.perform(survey("load-1"), gates["load-1"])
    bench.perform(survey("load-2"), gates["load-2"])
    bench.perform(identify("bay-1"), gates["bay-1"])
    bench.perform(close("load-3"), done)
    assert isinstance(bench.wait_told(1)[0], Closed)
    for gate in gates.values():
        gate.open()
    bench.wait_idle()
    assert len(bench.told) == 4


# -- cancelling ------------------------------------------------------------------------------------


def test_an_effect_that_is_cancelled_before_it_began_never_begins(bench: Bench) -> None:
    gate = Gate()
    bench.perform(survey(attempt=1), gate)
    bench.perform(survey(attempt=2), done)
    bench.effects.cancel("load-1", Attempt(2))
    assert [type(event) for event in bench.told] == [EffectCancelled]
    gate.open()
    bench.wait_idle()
    assert [command.attempt for command in bench.begun] == [1]


def test_an_effect_that_is_cancelled_while_it_runs_is_asked_to_stop(bench: Bench) -> None:
    command = bench.perform(survey(), Gate(listens=True))
    bench.wait_begun(command)
    bench.effects.cancel("load-1", Attempt(1))
    bench.wait_idle()
    assert [type(event) for event in bench.told] == [EffectCancelled]


def test_cancelling_what_is_over_or_another_attempt_changes_nothing(bench: Bench) -> None:
    bench.perform(survey(attempt=1), done)
    bench.wait_idle()
    bench.effects.cancel("load-1", Attempt(1))
    gate = Gate(listens=True)
    command = bench.perform(survey(attempt=2), gate)
    bench.wait_begun(command)
    bench.effects.cancel("load-1", Attempt(1))
    bench.effects.cancel("load-2", Attempt(2))
    gate.open()
    bench.wait_idle()
    assert [type(event) for event in bench.told] == [Surveyed, Surveyed]


def test_a_stop_asks_all_that_runs_and_begins_nothing_more(bench: Bench) -> None:
    running = [bench.perform(survey(f"load-{n}"), Gate(listens=True)) for n in range(3)]
    for command in running:
        bench.wait_begun(command)
    bench.perform(close("load-0", 2), done)
    bench.effects.stop()
    bench.perform(identify(), done)
    bench.wait_idle()
    assert Counter(type(event) for event in bench.told) == {EffectCancelled: 4, IdentifyFailed: 1}
    assert bench.begun == running


# -- stalls ----------------------------------------------------------------------------------------


def test_a_read_that_does_not_move_is_given_up_and_its_owner_goes_on(bench: Bench) -> None:
    hung = Gate()
    bench.perform(survey(attempt=1), hung)
    bench.perform(close(attempt=2), done)
    bench.pass_time(STALL_S + 1)
    first, second = bench.wait_told(2)[:2]
    assert kind_of(first) is FailureKind.READ_STALLED
    assert isinstance(second, Closed)
    hung.open()
    bench.wait_idle()
    assert len(bench.told) == 2


def test_what_moves_is_not_given_up(bench: Bench) -> None:
    moving, tokens = Gate(), list[Token]()

    def work(command: Effect, token: Token) -> Event:
        tokens.append(token)
        return moving(command, token)

    bench.wait_begun(bench.perform(survey("load-1"), work))
    for _ in range(3):
        bench.pass_time(STALL_S - 1)
        tokens[0].beat()
    assert bench.told == []
    moving.open()
    bench.wait_idle()
    assert [type(event) for event in bench.told] == [Surveyed]


@pytest.mark.parametrize("command", [prove(), take_back()], ids=lambda c: type(c).__name__)
def test_a_store_that_does_not_answer_has_more_patience_and_is_given_up_as_unreachable(
    bench: Bench, command: Effect
) -> None:
    hung = Gate()
    bench.wait_begun(bench.perform(command, hung))
    bench.pass_time(10 * STALL_S - 1)
    assert bench.told == []
    bench.pass_time(2)
    assert kind_of(bench.wait_told(1)[0]) is FailureKind.STORE_UNREACHABLE
    hung.open()
    bench.wait_idle()
    assert len(bench.told) == 1


def test_a_drive_that_is_not_let_go_of_is_the_stations_fault(bench: Bench) -> None:
    hung = Gate()
    bench.wait_begun(bench.perform(close(), hung))
    bench.pass_time(STALL_S + 1)
    (event,) = bench.wait_told(1)
    assert kind_of(event) is FailureKind.TOOL_FAILED
    assert isinstance(event, EffectFailed)
    assert "restart the daemon before the drive is unplugged" in event.failure.text
    hung.open()
    bench.wait_idle()


def test_letting_go_in_the_middle_of_a_survey_is_no_read_that_hangs(bench: Bench) -> None:
    hung = Gate()

    def let_go_first(command: Effect, token: Token) -> Event:
        with token.lets_go():
            return hung(command, token)

    bench.wait_begun(bench.perform(survey(), let_go_first))
    bench.pass_time(STALL_S + 1)
    assert kind_of(bench.wait_told(1)[0]) is FailureKind.TOOL_FAILED
    hung.open()
    bench.wait_idle()


def test_time_in_which_the_station_did_not_run_is_not_counted(bench: Bench) -> None:
    """The process was stopped, the machine paused, or the loop waited for the journal's disk."""
    reading = Gate()
    bench.wait_begun(bench.perform(survey(), reading))
    for _ in range(3):
        bench.pass_time(STALL_S - 1)
        bench.clock.seconds += 10 * STALL_S
        bench.effects.give_up_stalled()
    assert bench.told == []
    bench.pass_time(STALL_S + 1)
    assert kind_of(bench.wait_told(1)[0]) is FailureKind.READ_STALLED, "it really hangs, then"
    reading.open()
    bench.wait_idle()


class SlowManifest:
    """A manifest whose journal does not answer until it is let."""

    def __init__(self) -> None:
        self.asked, self.gate = threading.Event(), threading.Event()

    def ledger(self) -> Ledger:
        self.asked.set()
        self.gate.wait(SOON_S)
        return Ledger(discovered_files=7)


def test_waiting_for_the_journal_is_no_read_that_hangs(bench: Bench) -> None:
    manifest, recorded, reading = SlowManifest(), threading.Event(), Gate()

    def record_then_read(command: Effect, token: Token) -> Event:
        assert uncounted(cast(Manifest, manifest), token).ledger().discovered_files == 7
        recorded.set()
        return reading(command, token)

    bench.perform(survey(), record_then_read)
    assert manifest.asked.wait(SOON_S)
    bench.pass_time(5 * STALL_S)
    assert bench.told == []
    manifest.gate.set()
    assert recorded.wait(SOON_S)
    bench.pass_time(STALL_S - 1)
    assert bench.told == []
    bench.pass_time(2)
    assert kind_of(bench.wait_told(1)[0]) is FailureKind.READ_STALLED
    reading.open()
    bench.wait_idle()


def test_a_read_that_comes_back_while_it_is_being_given_up_is_told_once(bench: Bench) -> None:
    bench.hearing.clear()
    bench.perform(survey(), done)
    bench.wait_told(1)
    given_up = threading.Thread(target=bench.pass_time, args=(STALL_S + 1,))
    given_up.start()
    given_up.join(0.2)
    bench.hearing.set()
    given_up.join()
    bench.wait_idle()
    assert [type(event) for event in bench.told] == [Surveyed]


# -- anything, in any order ------------------------------------------------------------------------

_OUTCOMES = {
    "done": done,
    "gone": raising(DriveGoneError("pulled")),
    "bug": raising(ValueError("a bug")),
    "cancelled": raising(Cancelled()),
    "exit": raising(SystemExit()),
}

_COMMANDS = st.tuples(
    st.sampled_from(["survey", "close", "identify"]),
    st.integers(0, 2),
    st.sampled_from(sorted(_OUTCOMES)),
    st.booleans(),
)
_STEPS = st.one_of(
    st.tuples(st.just("perform"), _COMMANDS),
    st.tuples(st.just("open"), st.integers(0, 30)),
    st.tuples(st.just("cancel"), st.integers(0, 30)),
    st.tuples(st.just("stall"), st.just(0)),
    st.tuples(st.just("stop"), st.just(0)),
)


@given(st.lists(_STEPS, max_size=25))
@settings(max_examples=150)
def test_every_command_has_exactly_one_completion(steps: list[tuple[str, Any]]) -> None:
    bench = Bench()
    commands: list[Effect] = []
    gates: list[Gate] = []
    for name, value in steps:
        if name == "perform":
            kind, owner, outcome, listens = value
            gates.append(Gate(_OUTCOMES[outcome], listens=listens))
            commands.append(bench.perform(_command(kind, owner, len(commands) + 1), gates[-1]))
        elif name == "open" and gates:
            gates[value % len(gates)].open()
        elif name == "cancel" and commands:
            chosen = commands[value % len(commands)]
            bench.effects.cancel(*_about(chosen))
        elif name == "stall":
            bench.pass_time(STALL_S + 1)
        elif name == "stop":
            bench.effects.stop()
    for gate in gates:
        gate.open()
    bench.wait_idle()
    assert Counter(map(_about, bench.told)) == {_about(command): 1 for command in commands}


def _command(kind: str, owner: int, attempt: int) -> Effect:
    if kind == "identify":
        return identify(f"bay-{owner}", attempt)
    return (survey if kind == "survey" else close)(f"load-{owner}", attempt)


def _about(what: Any) -> tuple[str, Attempt]:
    """The owner of a command or completion, and its attempt."""
    return (what.load_id if hasattr(what, "load_id") else what.bay), what.attempt
