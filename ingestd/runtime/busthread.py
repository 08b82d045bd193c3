"""The thread that owns the bus: it polls, hands notices to the loop, acknowledges and publishes."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from ingestd.bus import codec
from ingestd.core.messages import (
    DriveAssigned,
    Event,
    HoldLifted,
    Notice,
    NoticeMalformed,
)
from ingestd.journal.journal import Journal
from ingestd.ports import Bus, BusDown, Delivery, JournalError
from ingestd.runtime.clock import Clock
from ingestd.runtime.lane import Lane, step_s
from ingestd.runtime.loop import Inbox, Noticed
from ingestd.runtime.outward import Outward
from ingestd.telemetry import logs
from ingestd.telemetry.counts import Counts
from ingestd.telemetry.seldom import Seldom

_REST_S = 0.01
_SOON_S = 0.002
"""The longest wait for notices while some are with the loop. A broker hands out no more than so many before
it is told that some were acted on: waiting for others then keeps both waiting."""

_STUCK_AT_ONCE = 8
"""Acknowledgements that may fail in one turn: where all do, polling must not wait for all."""

_TIDY_EVERY_S = 600.0
_TEXT_MAX = 500

_WHICH_LOAD = (
    "data.load_id: is missing; a stream is read again by a station that lost its journal, and its bays then "
    "hold other drives: name the load that is meant, as ingest.load.held does"
)

WINDOW = 1024
"""Notices that may be with the loop, taken but not yet committed."""

WINDOW_BYTES = 16 << 20
"""No more are taken while these take so much memory."""


@dataclass(slots=True)
class _Settled:
    """A notice that has been decided on and is to be acknowledged."""

    delivery: Delivery
    problems: tuple[str, ...]
    failures: int = 0
    again_at: float = 0.0


class BusThread:
    """Runs until told to stop; survives a bus that is away, and never loses what it was given.

    What comes in and what goes out fail and recover by themselves: a broker that takes no events may
    still have notices. With a broker, `local` is the spool through which people at this station speak
    to it; it goes on without the broker as well. `log` names the stream in which stations hear each other.
    """

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
        local: Bus | None = None,
        log: str | None = None,
        counts: Counts | None = None,
        moved: Callable[[], float] | None = None,
    ) -> None:
        """`moved`: when the bus last moved on by itself, within a call that takes long."""
        self._bus = bus
        self._log = log
        self._local = local
        self._station = station
        self._inbox = inbox
        self._broken = broken
        self._clock = clock
        self._poll_s = poll_s
        self._done: queue.SimpleQueue[_Settled] = queue.SimpleQueue()
        self._acknowledging: deque[_Settled] = deque()
        self._stuck = ""
        self._stop = threading.Event()
        self._in, self._out, self._local_in = (Lane(way, clock) for way in ("in", "out", "spool"))
        self._counts = counts or Counts()
        self.outward = Outward(bus, journal, clock, self._beat, self._counts)
        self._accepted = Seldom("notice_accepted", clock.monotonic)
        self._refused = Seldom("notice_refused", clock.monotonic, level="warning")
        self._unreadable = Seldom("record_passed_over", clock.monotonic, level="error")
        self._under_way = 0
        self._bytes_under_way = 0
        self._tidy_at = clock.monotonic()
        self._moved_at = clock.monotonic()
        self._moved = moved or (lambda: 0.0)
        self._thread = threading.Thread(target=self._run, name="bus", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float) -> bool:
        """Publish and acknowledge what is decided, then end; whether it did in time."""
        self._stop.set()
        self._thread.join(within_s)
        return not self._thread.is_alive()

    @property
    def trouble(self) -> Sequence[str]:
        """What does not go in or out, and why, in words; empty while everything does."""
        said = []
        if self._in.trouble and self._out.trouble == self._in.trouble:
            said.append(f"no notices or events go in or out: {self._in.trouble}")
        else:
            said += [f"no notices come in: {self._in.trouble}"] if self._in.trouble else []
            said += [f"no events go out: {self._out.trouble}"] if self._out.trouble else []
        if self._local_in.trouble:
            said.append(f"no notices come in from the spool: {self._local_in.trouble}")
        if self.outward.trouble:
            said.append(f"an event is not taken, and is tried again: {self.outward.trouble}")
        if self._stuck:
            said.append(f"a notice cannot be set aside, and is tried again: {self._stuck}")
        return said

    @property
    def moved_at(self) -> float:
        """The monotonic time at which the thread last moved on. It may wait for a broker, and moves then."""
        return max(self._moved_at, self._moved())

    @property
    def up(self) -> dict[str, bool]:
        """By direction, whether messages go that way."""
        return {"in": not (self._in.trouble or self._local_in.trouble), "out": not self._out.trouble}

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
            self._close()

    def _close(self) -> None:
        self._bus.close()
        if self._local is not None:
            self._local.close()

    def _turn(self, poll_s: float) -> None:
        self._attempt(self._out, self._in, self.outward.send)
        self._acknowledge_all()
        if poll_s:
            self._take(poll_s)
        self._accepted.tell_rest()
        self._refused.tell_rest()
        self._unreadable.tell_rest()
        self._beat()

    def _attempt(self, lane: Lane, other: Lane, work: Callable[[], None]) -> bool:
        """Whether it has worked. A direction that works again has the other one tried as well."""
        was_down = bool(lane.trouble)
        worked = lane.attempt(work)
        if worked and was_down:
            other.hurry()
        return worked

    def _take(self, poll_s: float) -> None:
        """Take notices, or wait where there can be none."""
        if self._under_way >= WINDOW or self._bytes_under_way >= WINDOW_BYTES:
            self._stop.wait(_REST_S)
            return
        if self._local is not None:
            self._local_in.attempt(partial(self._poll, self._local, 0.0))
        more_to_send = self._out.due and self.outward.has_more()
        wait_s = min(poll_s, _SOON_S) if self._under_way else poll_s
        poll = partial(self._poll, self._bus, 0.0 if more_to_send else wait_s)
        if not self._attempt(self._in, self._out, poll):
            self._stop.wait(poll_s)

    def _poll(self, bus: Bus, timeout_s: float) -> None:
        # Handed over together: else the loop would wake for the first of them, and commit that alone.
        for noticed in [self._noticed(delivery) for delivery in bus.poll(timeout_s)]:
            self._inbox.put(noticed)
        self._tidy()

    def _beat(self) -> None:
        self._moved_at = self._clock.monotonic()

    def _drain(self) -> None:
        """The last turn: what was decided before the stop still goes out, if the bus takes it."""
        while self._out.due and self.outward.has_more():
            self._turn(0)
        self._turn(0)

    def _tidy(self) -> None:
        if self._clock.monotonic() >= self._tidy_at:
            self._tidy_at = self._clock.monotonic() + _TIDY_EVERY_S
            for bus in (self._bus, self._local):
                if bus is not None:
                    bus.tidy(self._clock.now())

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
                self._let_go(settled)
            else:
                failed += 1
                self._acknowledging.append(settled)
        self._say_stuck()

    def _let_go(self, settled: _Settled) -> None:
        if not settled.failures:
            self._under_way -= 1
            self._bytes_under_way -= len(settled.delivery.body)

    def _acknowledge(self, settled: _Settled) -> bool:
        try:
            bus = self._local if self._local is not None and settled.delivery.position is None else self._bus
            bus.acknowledge(settled.delivery, settled.problems)
        except BusDown as error:
            # What cannot be set aside must not keep out all that comes after it: from now on what bounds it
            # is how much the broker hands out unacknowledged.
            self._let_go(settled)
            settled.failures += 1
            settled.again_at = self._clock.monotonic() + step_s(settled.failures)
            if not self._stuck:
                logs.get().error("notice_stuck", notice=settled.delivery.name, text=str(error))
            self._stuck = f"{settled.delivery.name}: {error}"
            return False
        return True

    def _say_stuck(self) -> None:
        if self._stuck and not any(settled.failures for settled in self._acknowledging):
            logs.get().info("notice_not_stuck")
            self._stuck = ""

    def _noticed(self, delivery: Delivery) -> Noticed:
        """What the loop is to know of a delivery."""
        self._under_way += 1
        self._bytes_under_way += len(delivery.body)
        if delivery.position is not None and delivery.position.stream == self._log:
            return self._record(delivery)
        try:
            decoded = codec.decode(
                delivery.body, at=self._clock.now(), station=self._station, offset=_offset(delivery)
            )
        except codec.Malformed as error:
            return self._malformed(delivery, error.problems, error.identity)
        if delivery.flaws:
            return self._malformed(delivery, (), decoded.identity)
        if decoded.notice is None:
            return self._passed_over(delivery)
        if delivery.position is not None and _names_no_load(decoded.notice):
            return self._malformed(delivery, (_WHICH_LOAD,), decoded.identity)
        over = partial(self._over, delivery, decoded.type, ())
        return Noticed(decoded.notice, decoded.identity, over, decoded.identity, delivery.position)

    def _record(self, delivery: Delivery) -> Noticed:
        """What a station said. One that cannot be read is nothing that a person could mend."""
        try:
            heard = codec.decode_heard(delivery.body, at=self._clock.now())
        except codec.Malformed as error:
            self._unreadable.tell(record=delivery.name, text=str(error)[:_TEXT_MAX])
            heard = None
        return self._passed_over(delivery, heard)

    def _passed_over(self, delivery: Delivery, event: Event | None = None) -> Noticed:
        """Nobody is told of it; how far its stream has been read is recorded all the same."""
        return Noticed(event, None, partial(self._read, delivery), position=delivery.position)

    def _read(self, delivery: Delivery, _told: Sequence[str]) -> None:
        self._done.put(_Settled(delivery, ()))

    def _malformed(self, delivery: Delivery, problems: tuple[str, ...], known_as: str | None) -> Noticed:
        problems = (*delivery.flaws, *problems)
        event = NoticeMalformed(
            at=self._clock.now(),
            name=delivery.name,
            problems=problems,
            identity=known_as,
            offset=_offset(delivery),
        )
        # By its origin: what could not be understood may come again, corrected, under the same id.
        over = partial(self._over, delivery, "not understood", problems)
        return Noticed(event, f"malformed {delivery.origin}", over, known_as, delivery.position)

    def _over(self, delivery: Delivery, kind: str, own: Sequence[str], told: Sequence[str]) -> None:
        """Called by the loop when what the notice changed is committed. `own` is what the bus knows to be
        wrong with it, also where the loop has told that before."""
        problems = own or told
        self._counts.noticed(refused=bool(problems), at=self._clock.now())
        if problems:
            self._refused.tell(notice=delivery.name, type=kind, problems=len(problems))
        else:
            self._accepted.tell(notice=delivery.name, type=kind)
        self._done.put(_Settled(delivery, tuple(problems)))


def _names_no_load(notice: Notice) -> bool:
    """Whether this is a person's word about whatever is in a bay at the moment."""
    return isinstance(notice, DriveAssigned | HoldLifted) and notice.load_id is None


def _offset(delivery: Delivery) -> int | None:
    return delivery.position.offset if delivery.position is not None else None
