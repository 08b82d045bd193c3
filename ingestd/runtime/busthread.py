"""The thread that owns the bus: it polls, hands notices to the loop, acknowledges and publishes."""

from __future__ import annotations

import queue
import random
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from ingestd.bus import codec
from ingestd.core.messages import Event, NoticeMalformed
from ingestd.journal.journal import Journal
from ingestd.ports import Bus, BusDown, Delivery, JournalError
from ingestd.runtime.clock import Clock
from ingestd.runtime.loop import Inbox, Noticed
from ingestd.telemetry import logs

_PUBLISH_AT_ONCE = 256
_LONGEST_PAUSE_S = 60.0
_BEAT_S = 5.0
_STUCK_AT_ONCE = 8
"""Acknowledgements that may fail in one turn: where all do, polling must not wait for all."""

_TIDY_EVERY_S = 600.0

WINDOW = 1024
"""Notices that may be with the loop, taken but not yet committed."""


@dataclass(slots=True)
class _Settled:
    """A notice that has been decided on and is to be acknowledged."""

    delivery: Delivery
    problems: tuple[str, ...]
    failures: int = 0
    again_at: float = 0.0


class BusThread:
    """Runs until told to stop; survives a bus that is away, and never loses what it was given."""

    def __init__(
        self,
        bus: Bus,
        *,
        station: str,
        inbox: Inbox,
        journal: Journal,
        broken: Callable[[JournalError], None],
        clock: Clock,
        poll_s: float,
    ) -> None:
        self._bus = bus
        self._station = station
        self._inbox = inbox
        self._journal = journal
        self._broken = broken
        self._clock = clock
        self._poll_s = poll_s
        self._done: queue.SimpleQueue[_Settled] = queue.SimpleQueue()
        self._acknowledging: deque[_Settled] = deque()
        self._stuck = ""
        self._stop = threading.Event()
        self._failures = 0
        self._trouble = ""
        self._under_way = 0
        self._tidy_at = clock.monotonic()
        self.moved_at = clock.monotonic()
        self._thread = threading.Thread(target=self._run, name="bus", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float) -> bool:
        """Publish and acknowledge what is decided, then end; whether it did in time."""
        self._stop.set()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    @property
    def trouble(self) -> str:
        """Why nothing goes in or out, in words; empty while it does."""
        return self._trouble

    @property
    def stuck(self) -> str:
        """Which notice cannot be set aside, and why, in words; empty while all can."""
        return self._stuck

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._turn(self._poll_s)
            self._drain()
        except JournalError as error:
            self._broken(error)
        except Exception as error:  # noqa: BLE001 - a dead thread would leave the daemon deaf
            logs.broke("bus_thread_broke", error)
            self._broken(JournalError(f"the bus thread has died: {type(error).__name__}: {error}"))
        finally:
            self._bus.close()

    def _turn(self, poll_s: float) -> None:
        try:
            self._publish()
            self._acknowledge_all()
            if poll_s and self._under_way < WINDOW:
                for delivery in self._bus.poll(poll_s):
                    self._hand_over(delivery)
            self._tidy()
            self._recovered()
        except BusDown as error:
            self._failures += 1
            self._trouble = str(error)
            if self._failures == 1:
                logs.get().error("bus_down", text=str(error))
            self._pause(random.uniform(0, _step_s(self._failures)))  # noqa: S311
        if self._under_way >= WINDOW:
            self._stop.wait(0.01)
        self.moved_at = self._clock.monotonic()

    def _pause(self, seconds: float) -> None:
        until = self._clock.monotonic() + seconds
        while (left := until - self._clock.monotonic()) > 0 and not self._stop.wait(min(left, _BEAT_S)):
            self.moved_at = self._clock.monotonic()

    def _recovered(self) -> None:
        if self._failures:
            logs.get().info("bus_up", failures=self._failures)
            self._failures = 0
            self._trouble = ""

    def _drain(self) -> None:
        """The last turn: what was decided before the stop still goes out, if the bus takes it."""
        while self._journal.outbox_depth()[0] and not self._failures:
            self._turn(0)
        self._turn(0)

    def _publish(self) -> None:
        while entries := self._journal.outbox(_PUBLISH_AT_ONCE):
            self._bus.publish(entries)
            self._journal.mark_sent([entry.sequence for entry in entries])
            self.moved_at = self._clock.monotonic()

    def _tidy(self) -> None:
        if self._clock.monotonic() >= self._tidy_at:
            self._tidy_at = self._clock.monotonic() + _TIDY_EVERY_S
            self._bus.tidy(self._clock.now())

    def _acknowledge_all(self) -> None:
        """One that the bus does not take goes to the end of the line and waits; all else goes on."""
        while not self._done.empty():
            self._acknowledging.append(self._done.get())
        failed = 0
        for _ in range(len(self._acknowledging)):
            settled = self._acknowledging.popleft()
            if settled.again_at > self._clock.monotonic() or failed >= _STUCK_AT_ONCE:
                self._acknowledging.append(settled)
            elif self._acknowledge(settled):
                self._under_way -= 1
            else:
                failed += 1
                self._acknowledging.append(settled)
        self._say_stuck()

    def _acknowledge(self, settled: _Settled) -> bool:
        try:
            self._bus.acknowledge(settled.delivery, settled.problems)
        except BusDown as error:
            settled.failures += 1
            settled.again_at = self._clock.monotonic() + _step_s(settled.failures)
            if not self._stuck:
                logs.get().error("notice_stuck", notice=settled.delivery.name, text=str(error))
            self._stuck = f"{settled.delivery.name}: {error}"
            return False
        return True

    def _say_stuck(self) -> None:
        if self._stuck and not any(settled.failures for settled in self._acknowledging):
            logs.get().info("notice_not_stuck")
            self._stuck = ""

    def _hand_over(self, delivery: Delivery) -> None:
        self._under_way += 1
        event: Event
        known_as: str | None
        problems: tuple[str, ...] = ()
        try:
            decoded = codec.decode(delivery.body, at=self._clock.now(), station=self._station)
        except codec.Malformed as error:
            event = NoticeMalformed(
                at=self._clock.now(),
                name=delivery.name,
                problems=error.problems,
                identity=error.identity,
            )
            known_as, problems = error.identity, error.problems
            # By its origin: what could not be understood may come again, corrected, under the same id.
            identity = f"malformed {delivery.origin}"
            kind = "not understood"
        else:
            if decoded.notice is None:
                self._done.put(_Settled(delivery, ()))
                return
            event, identity, kind = decoded.notice, decoded.identity, decoded.type
            known_as = identity
        self._inbox.put(Noticed(event, identity, partial(self._over, delivery, kind, problems), known_as))

    def _over(self, delivery: Delivery, kind: str, own: Sequence[str], told: Sequence[str]) -> None:
        """Called by the loop when what the notice changed is committed. `own` is what the bus knows to be
        wrong with it, also where the loop has told that before."""
        problems = own or told
        if problems:
            logs.get().warning("notice_refused", notice=delivery.name, type=kind, problems=len(problems))
        else:
            logs.get().info("notice_accepted", notice=delivery.name, type=kind)
        self._done.put(_Settled(delivery, tuple(problems)))


def _step_s(failures: int) -> float:
    """How long to leave the bus alone after so many failures in a row, at most."""
    return min(_LONGEST_PAUSE_S, 0.5 * 2.0 ** min(failures, 8))
