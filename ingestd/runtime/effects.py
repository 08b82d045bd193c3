"""Effects: work that takes time, each piece of it ending in exactly one event.

One thread works for one owner (a load, or a bay whose drive is being identified), one effect after
the other in the order in which they were asked for; owners do not wait for one another. An effect
that has not moved for too long is given up: its completion is reported at once, its thread is left
to whatever it hangs in, and what that thread says later is not heard.

Only time in which the station itself ran is held against an effect: not what passed while the process
was suspended or its journal stood still.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from structlog.contextvars import bound_contextvars

from ingestd.core.messages import (
    Close,
    EffectCancelled,
    EffectFailed,
    Event,
    Identify,
    IdentifyFailed,
    LoadEffect,
    Prove,
    TakeBack,
)
from ingestd.core.messages import (
    Effect as EffectCommand,
)
from ingestd.core.model import Attempt, Failure, FailureKind
from ingestd.ports import Cancelled, JournalError, PortError
from ingestd.runtime.clock import Clock
from ingestd.telemetry import logs

Handler = Callable[[Any, "Token"], Event]
"""Does the work of one command and gives its completion; raises PortError or Cancelled."""

STORE_PATIENCE = 10
"""How many times longer than a drive a store may stand still."""

CLOSE_S = 60.0
"""Letting go of a drive waits for programs of the host, which have limits of their own."""

_SUSPENDED_S = 3.0
"""The loop comes by many times a second; after a longer absence, nothing is known of what moved."""


class Token:
    """Implements `ports.CancelToken`. Asking it counts as a sign of life."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._elsewhere = 0
        self.letting_go = False
        """It waits for a drive to be let go of, which says nothing about the drive."""
        self.moved_at = clock.monotonic()

    def check(self) -> None:
        self.beat()
        if self._stop.is_set():
            raise Cancelled

    @property
    def cancelled(self) -> bool:
        return self._stop.is_set()

    def wait(self, seconds: float) -> bool:
        self.beat()
        return self._stop.wait(seconds)

    def beat(self) -> None:
        self.moved_at = self._clock.monotonic()

    def cancel(self) -> None:
        self._stop.set()

    @property
    def elsewhere(self) -> bool:
        """Whether a thread of this work waits for the station itself, such as for the journal."""
        return self._elsewhere > 0

    @contextlib.contextmanager
    def not_counted(self) -> Iterator[None]:
        """For the time that is spent in here, the work is not held to be standing still."""
        with self._lock:
            self._elsewhere += 1
        try:
            yield
        finally:
            self.beat()
            with self._lock:
                self._elsewhere -= 1

    @contextlib.contextmanager
    def lets_go(self) -> Iterator[None]:
        """Standing still in here is a fault of the station, not of the drive."""
        self.beat()
        self.letting_go = True
        try:
            yield
        finally:
            self.beat()
            self.letting_go = False


@dataclass(slots=True)
class _Running:
    command: EffectCommand
    token: Token
    settled: bool = False
    """Its completion has been told, or is about to be: by whoever set this, and by nobody else."""

    def limit_s(self, stall_s: float) -> float:
        """For how long it may stand still, where a read of a drive may for `stall_s`."""
        if isinstance(self.command, Close) or self.token.letting_go:
            return max(stall_s, CLOSE_S)
        return stall_s * (STORE_PATIENCE if isinstance(self.command, (Prove, TakeBack)) else 1)

    def stalled(self, limit_s: float) -> Failure:
        """What it means that it has stood still for that long."""
        if isinstance(self.command, Close) or self.token.letting_go:
            text = (
                f"the drive has not been let go of for {limit_s:.0f} seconds: something of the station still "
                "has it in use; should that go on, restart the daemon before the drive is unplugged"
            )
            return Failure(kind=FailureKind.TOOL_FAILED, text=text)
        if isinstance(self.command, (Prove, TakeBack)):
            text = f"the store has not answered for {limit_s:.0f} seconds: check the disk or server behind it"
            return Failure(kind=FailureKind.STORE_UNREACHABLE, text=text)
        text = f"a read has not come back for {limit_s:.0f} seconds"
        return Failure(kind=FailureKind.READ_STALLED, text=text)


@dataclass(slots=True)
class _Owner:
    queue: deque[EffectCommand] = field(default_factory=deque)
    running: _Running | None = None


def owner_of(command: EffectCommand) -> str:
    return command.bay if isinstance(command, Identify) else command.load_id


class Effects:
    """Performs effect commands with one completion each, guaranteed here and nowhere else."""

    def __init__(
        self,
        handlers: Mapping[type, Handler],
        tell: Callable[[Event], None],
        broken: Callable[[JournalError], None],
        clock: Clock,
        stall_s: float,
    ) -> None:
        self._handlers = handlers
        self._tell = tell
        self._broken = broken
        self._clock = clock
        self._stall_s = stall_s
        self._lock = threading.Lock()
        self._owners: dict[str, _Owner] = {}
        self._stopping = False
        self._judged_at = clock.monotonic()

    def perform(self, command: EffectCommand) -> None:
        """Begin, or queue behind what the same owner has asked for before."""
        with self._lock:
            stopping, refused = self._stopping, list[EffectCommand]()
            if not stopping:
                owner = self._owners.setdefault(owner_of(command), _Owner())
                owner.queue.append(command)
                if owner.running is None:
                    refused = self._start_next(owner_of(command), owner)
        if stopping:
            self._tell(self._cancelled(command))
        self._tell_refused(refused)

    def cancel(self, owner_name: str, attempt: Attempt) -> None:
        """Ask the effect with this attempt to stop; harmless when it is over."""
        with self._lock:
            owner = self._owners.get(owner_name)
            if owner is None:
                return
            if owner.running is not None and owner.running.command.attempt == attempt:
                owner.running.token.cancel()
            dropped = [command for command in owner.queue if command.attempt == attempt]
            for command in dropped:
                owner.queue.remove(command)
        for command in dropped:
            self._tell(self._cancelled(command))

    def stop(self) -> None:
        """Ask everything to stop; what is queued, or comes later, is cancelled at once."""
        with self._lock:
            self._stopping = True
            dropped = [command for owner in self._owners.values() for command in owner.queue]
            for owner in self._owners.values():
                owner.queue.clear()
                if owner.running is not None:
                    owner.running.token.cancel()
        for command in dropped:
            self._tell(self._cancelled(command))

    @property
    def busy(self) -> int:
        """How many effects are running or queued."""
        with self._lock:
            return sum(len(o.queue) + (o.running is not None) for o in self._owners.values())

    def moved(self) -> dict[str, float]:
        """By owner, the monotonic time at which its work last moved on: not of what waits for the station."""
        with self._lock:
            running = {name: owner.running for name, owner in self._owners.items()}
        return {
            name: one.token.moved_at
            for name, one in running.items()
            if one is not None and not one.token.elsewhere
        }

    def give_up_stalled(self) -> None:
        """Report the effects that have not moved for too long; the loop calls this at every turn.

        After a time without a call (the process was suspended, or the journal's disk stood still) all
        effects are given their whole time anew.
        """
        now = self._clock.monotonic()
        suspended, self._judged_at = now - self._judged_at > _SUSPENDED_S, now
        stalled: list[tuple[str, _Owner, EffectCommand, Failure]] = []
        with self._lock:
            for name, owner in self._owners.items():
                running = owner.running
                if running is None or running.settled:
                    continue
                if suspended or running.token.elsewhere:
                    running.token.beat()
                    continue
                limit_s = running.limit_s(self._stall_s)
                if running.token.moved_at < now - limit_s:
                    running.settled = True
                    running.token.cancel()
                    stalled.append((name, owner, running.command, running.stalled(limit_s)))
        for name, owner, command, failure in stalled:
            logs.get().error("effect_given_up", **_about(command), kind=failure.kind.value)
            self._tell(self._failed(command, failure))
            with self._lock:
                refused = self._start_next(name, owner)
            self._tell_refused(refused)

    def _start_next(self, name: str, owner: _Owner) -> list[EffectCommand]:
        """Called with the lock held. Gives the commands for which the system had no thread."""
        refused: list[EffectCommand] = []
        while owner.queue:
            command = owner.queue.popleft()
            running = _Running(command, Token(self._clock))
            args = (name, owner, running)
            try:
                threading.Thread(target=self._work, args=args, name=f"effect-{name}", daemon=True).start()
            except (RuntimeError, MemoryError):
                refused.append(command)
                continue
            owner.running = running
            return refused
        owner.running = None
        del self._owners[name]
        return refused

    def _tell_refused(self, commands: list[EffectCommand]) -> None:
        text = "the system has no thread for it; let it do less at once, or raise the limit of the service"
        for command in commands:
            self._tell(self._failed(command, Failure(kind=FailureKind.RESOURCES, text=text)))

    def _work(self, name: str, owner: _Owner, running: _Running) -> None:
        event = self._completion(running)
        with self._lock:
            given_up, running.settled = running.settled, True
        if given_up:
            return
        if event is not None:
            self._tell(event)
        with self._lock:
            refused = self._start_next(name, owner)
        self._tell_refused(refused)

    def _completion(self, running: _Running) -> Event | None:
        command = running.command
        try:
            # Whatever is logged on the way says what it is about.
            with bound_contextvars(**_about(command)):
                return self._handlers[type(command)](command, running.token)
        except Cancelled:
            return self._cancelled(command)
        except PortError as error:
            return self._failed(command, error.failure())
        except JournalError as error:
            self._broken(error)
            return None
        except (MemoryError, BlockingIOError) as error:
            return self._failed(command, Failure(kind=FailureKind.RESOURCES, text=_words(error)))
        except BaseException as error:  # noqa: BLE001 - whatever nobody foresaw is the station's fault
            logs.broke("effect_broke", error, **_about(command))
            return self._failed(command, Failure(kind=FailureKind.UNKNOWN, text=_words(error)))

    def _failed(self, command: EffectCommand, failure: Failure) -> Event:
        logs.get().warning("effect_failed", **_about(command), kind=failure.kind.value)
        logs.get().debug("effect_failed_because", **_about(command), text=failure.text)
        if isinstance(command, Identify):
            at = self._clock.now()
            return IdentifyFailed(at=at, bay=command.bay, attempt=command.attempt, failure=failure)
        return self._of_load(EffectFailed, command, failure=failure)

    def _cancelled(self, command: EffectCommand) -> Event:
        if isinstance(command, Identify):
            failure = Failure(kind=FailureKind.UNKNOWN, text="the station is stopping")
            at = self._clock.now()
            return IdentifyFailed(at=at, bay=command.bay, attempt=command.attempt, failure=failure)
        return self._of_load(EffectCancelled, command)

    def _of_load(self, kind: Any, command: LoadEffect, **more: object) -> Event:
        event: Event = kind(at=self._clock.now(), load_id=command.load_id, attempt=command.attempt, **more)
        return event


def _about(command: EffectCommand) -> dict[str, object]:
    about: dict[str, object] = {"effect": type(command).__name__.lower(), "attempt": command.attempt}
    if isinstance(command, Identify):
        about["bay"] = command.bay
    else:
        about["load"] = command.load_id
        with contextlib.suppress(AttributeError):
            about["job"] = command.job.job_id  # type: ignore[union-attr]
    return about


def _words(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
