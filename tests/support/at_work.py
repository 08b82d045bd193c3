"""Effects for tests: handlers that do as the test says, and a record of what they told."""

from __future__ import annotations

import threading
from collections.abc import Callable

from ingestd.core.messages import (
    Close,
    Closed,
    Effect,
    Event,
    Identified,
    Identify,
    Prove,
    Survey,
    Surveyed,
    TakeBack,
)
from ingestd.core.model import Attempt, BayName, LoadId, ProofLevel
from ingestd.ports import JournalError
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Effects, Token
from tests.support import values
from tests.support.daemon import wait_for

SOON_S = 10.0
STALL_S = 60.0


class FakeClock(Clock):
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.seconds = 1_000.0

    def now(self) -> float:
        return values.AT + self.seconds

    def monotonic(self) -> float:
        return self.seconds


Act = Callable[[Effect, Token], Event]
"""What a handler does."""


class Bench:
    """The effects under test. Each command that is begun does what `act` says for it."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.told: list[Event] = []
        self.begun: list[Effect] = []
        self.broken: list[JournalError] = []
        self.acts: dict[tuple[str, Attempt], Act] = {}
        self.hearing = threading.Event()
        """While it is not set, who tells something waits."""
        self.hearing.set()
        handlers = dict.fromkeys((Survey, Close, Identify, Prove, TakeBack), self._handle)
        self.effects = Effects(handlers, self._tell, self.broken.append, self.clock, STALL_S)

    def _handle(self, command: Effect, token: Token) -> Event:
        self.begun.append(command)
        return self.acts.get(_key(command), done)(command, token)

    def _tell(self, event: Event) -> None:
        self.told.append(event)
        self.hearing.wait(SOON_S)

    def perform(self, command: Effect, act: Act) -> Effect:
        self.acts[_key(command)] = act
        self.effects.perform(command)
        return command

    def pass_time(self, seconds: float) -> None:
        """Let time pass as it does while the loop runs, which comes by all the time."""
        until = self.clock.seconds + seconds
        while self.clock.seconds < until:
            self.clock.seconds = min(until, self.clock.seconds + 1.0)
            self.effects.give_up_stalled()

    def wait_begun(self, command: Effect) -> None:
        wait_for(lambda: command in self.begun, SOON_S, f"the begin of {command}")

    def wait_told(self, count: int) -> list[Event]:
        wait_for(lambda: len(self.told) >= count, SOON_S, f"{count} completions")
        return self.told

    def wait_idle(self) -> None:
        wait_for(lambda: self.effects.busy == 0, SOON_S, "the end of all effects")


def _key(command: Effect) -> tuple[str, Attempt]:
    owner = command.bay if isinstance(command, Identify) else command.load_id
    return owner, command.attempt


def survey(load: str = "load-1", attempt: int = 1) -> Survey:
    return Survey(
        load_id=LoadId(load),
        attempt=Attempt(attempt),
        handle=values.handle(),
        job=values.job(),
        folder="",
        fresh=False,
        sniff=False,
    )


def close(load: str = "load-1", attempt: int = 1) -> Close:
    return Close(load_id=LoadId(load), attempt=Attempt(attempt), handle=None, power_down=False)


def prove(load: str = "load-1", attempt: int = 1) -> Prove:
    return Prove(
        load_id=LoadId(load),
        attempt=Attempt(attempt),
        job=values.job(),
        folder="",
        facts=values.facts(),
        level=ProofLevel.LISTED,
    )


def take_back(load: str = "load-1", attempt: int = 1) -> TakeBack:
    return TakeBack(load_id=LoadId(load), attempt=Attempt(attempt), destination=values.job().destination)


def identify(bay: str = "bay-1", attempt: int = 1) -> Identify:
    return Identify(bay=BayName(bay), attempt=Attempt(attempt), sighting=values.sighting(bay))


def done(command: Effect, _token: Token) -> Event:
    """The completion of a command that went well."""
    if isinstance(command, Identify):
        return Identified(at=1.0, bay=command.bay, attempt=command.attempt, facts=values.facts())
    if isinstance(command, Close):
        return Closed(at=1.0, load_id=command.load_id, attempt=command.attempt, powered_down=False)
    return Surveyed(at=1.0, load_id=command.load_id, attempt=command.attempt, facts=values.survey())


class Gate:
    """Holds a handler until it is opened; deaf to being cancelled unless it is told to listen."""

    def __init__(self, then: Act = done, *, listens: bool = False) -> None:
        self._then = then
        self._listens = listens
        self._opened = threading.Event()

    def open(self) -> None:
        self._opened.set()

    def __call__(self, command: Effect, token: Token) -> Event:
        while not self._opened.wait(0.002):
            if self._listens and token.cancelled:
                token.check()
        return self._then(command, token)


def raising(error: BaseException) -> Act:
    def act(_command: Effect, _token: Token) -> Event:
        raise error

    return act
