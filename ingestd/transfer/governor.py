"""The station's uplink budget, for threads: everybody who sends takes from here first."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping

from ingestd.core.line import SITE, Cap, Course, Line, Link, Ticket, Turn
from ingestd.core.plan import Plan
from ingestd.core.shares import Wish, max_min_shares
from ingestd.ports import CancelToken
from ingestd.transfer.meter import Meter

_CANCEL_LOOK_S = 0.1
"""How often one that waits looks whether it has been cancelled."""
_PART_TAKES_S = 10.0
"""How long sending one part may take at the present share before fewer are sent at a time."""
_ANY_WIDTH = 1_000_000
_SHARES_LAST_S = 0.1
"""How long shares are gone by that follow from what flows have asked for; new limits renew them at once."""
_BY_DEFAULT = Course()


class Governor:
    """Hands out the uplink budget, fairly by weight, to any number of threads and flows (loads).

    In any window of T seconds no more than rate * T + burst bytes are granted over each link that has a
    cap: the site's line over all flows, the way to a store, a bay. Nothing is cached: a new cap or
    weight counts for those who are waiting already. A flow that no cap concerns takes for the price of
    a lock and an addition. `clock` is monotonic.
    """

    def __init__(
        self,
        rate_bytes_per_second: int | None = None,
        burst_bytes: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._line = Line()
        self._turns: dict[Ticket, threading.Condition] = {}
        self._meters: dict[str, Meter] = {}
        self._registered: dict[str, Course] = {}
        self._courses: Mapping[str, Course] = {}
        self._shares: dict[str, float] = {}
        self._shares_at = clock()
        self._called: Ticket | None = None
        self.granted_bytes = 0
        """In all, since the start."""
        self.set_rate(rate_bytes_per_second, burst_bytes)

    # -- settings ---------------------------------------------------------------------------------

    def follow(self, plan: Plan) -> None:
        """New caps, weights and ways, at once, for those who wait as well.

        A flow that the plan does not name is served as it was registered. Raises ValueError unless rates,
        bursts and weights are above zero.
        """
        with self._lock:
            self._courses = plan.courses
            self._line.set_caps(plan.caps, self._clock())
            for flow in self._registered:
                self._line.set_course(flow, self._course(flow))
            self._renew()

    def set_rate(self, rate_bytes_per_second: int | None, burst_bytes: int | None = None) -> None:
        """This cap for the site's line and no other, at once; None lifts it.

        Raises ValueError unless both are above zero. With a burst below two slices the rate is a
        ceiling still, but may not be reached.
        """
        self.follow(Plan({SITE: Cap(rate_bytes_per_second, burst_bytes)}, self._courses))

    def set_weight(self, flow: str, weight: float) -> None:
        """A new weight, at once. A flow that is not registered has none: nothing happens."""
        with self._lock:
            if flow in self._registered:
                self._registered[flow] = Course(weight)
                self._line.set_course(flow, self._course(flow))
                self._renew()

    def register(self, flow: str, weight: float) -> None:
        """Begin to count a flow. Its share is proportional to `weight`, unless the plan says more."""
        with self._lock:
            self._registered[flow] = Course(weight)
            self._line.set_course(flow, self._course(flow))
            self._meters[flow] = Meter(self._clock())
            self._forget_shares()

    def unregister(self, flow: str) -> None:
        """Stop counting a flow. What still waits of it, having been cancelled, leaves by itself."""
        with self._lock:
            self._registered.pop(flow, None)
            self._meters.pop(flow, None)
            self._forget_strangers()
            self._forget_shares()

    @contextlib.contextmanager
    def registered(self, flow: str, weight: float) -> Iterator[None]:
        self.register(flow, weight)
        try:
            yield
        finally:
            self.unregister(flow)

    def _course(self, flow: str) -> Course:
        return self._courses.get(flow) or self._registered.get(flow, _BY_DEFAULT)

    def _renew(self) -> None:
        self._forget_shares()
        for turn in self._turns.values():
            turn.notify()

    def _forget_strangers(self) -> None:
        for flow in self._line.idle() - self._registered.keys():
            self._line.forget(flow)

    # -- taking -----------------------------------------------------------------------------------

    def take(self, flow: str, size_bytes: int, cancel: CancelToken) -> None:
        """Return once so many bytes may be sent. Raises Cancelled within 0.2 s of being cancelled.

        More than half a burst is granted in slices, between which other flows have their turn; it is
        the caller who then sends it in one piece.
        """
        left = size_bytes
        while left > 0:
            cancel.check()
            left -= self._take_some(flow, left, cancel)

    def _take_some(self, flow: str, wanted: int, cancel: CancelToken) -> int:
        with self._lock:
            granted = wanted
            if self._line.limited(self._course(flow).links):
                granted = self._take_turn(flow, wanted, cancel)
            self.granted_bytes += granted
            meter = self._meters.get(flow)
            if meter is not None:
                meter.add(granted, self._clock())
            return granted

    def _take_turn(self, flow: str, wanted: int, cancel: CancelToken) -> int:
        if flow not in self._registered:
            self._line.set_course(flow, self._course(flow))
        ticket = self._line.request(flow, wanted)
        self._turns[ticket] = threading.Condition(self._lock)
        try:
            return self._wait_for_turn(ticket, cancel)
        except BaseException:
            self._line.withdraw(ticket)
            raise
        finally:
            del self._turns[ticket]
            if flow not in self._registered:
                self._forget_strangers()
            self._call(self._line.next(self._clock()))

    def _wait_for_turn(self, ticket: Ticket, cancel: CancelToken) -> int:
        """Wait until the ticket is granted; how much.

        One of those who wait is always called: it looks after the clock, the others only after being
        cancelled. Whoever comes, is granted or leaves, calls the one whose turn is next.
        """
        while self._line.limited(self._course(ticket.flow).links):
            now = self._clock()
            turn = self._line.next(now)
            assert turn is not None, "this ticket waits"
            if turn.ticket is ticket and turn.wait_s <= 0:
                self._line.grant(turn, now)
                return turn.size_bytes
            if turn.ticket is not ticket:
                self._call(turn)
            self._called = turn.ticket
            self._wait(ticket, turn.wait_s, cancel)
        self._line.withdraw(ticket)
        return ticket.wanted_bytes

    def _wait(self, ticket: Ticket, wait_s: float, cancel: CancelToken) -> None:
        """Wait until the ticket is called or, for the one that was, until it has to look again."""
        notified = False
        while not notified:
            mine = self._called is ticket
            notified = self._turns[ticket].wait(min(wait_s, _CANCEL_LOOK_S) if mine else _CANCEL_LOOK_S)
            cancel.check()
            # Waiting for the budget is not being stuck.
            cancel.beat()
            if self._called is ticket:
                return

    def _call(self, turn: Turn | None) -> None:
        """Wake up who is next, to look after the clock until its turn has come."""
        if turn is not None:
            self._called = turn.ticket
            self._turns[turn.ticket].notify()

    # -- what it looks like -----------------------------------------------------------------------

    @property
    def cap(self) -> tuple[int, int] | None:
        """The site's rate in bytes per second and burst in bytes; None without a cap."""
        with self._lock:
            bucket = self._line.bucket(SITE)
        return None if bucket is None else (int(bucket.rate_bytes_per_second), int(bucket.burst_bytes))

    def rate(self, flow: str) -> float:
        """Bytes per second that a flow was granted over the last few seconds; 0 for an unknown one."""
        with self._lock:
            meter = self._meters.get(flow)
            return meter.rate(self._clock()) if meter else 0.0

    def share(self, flow: str) -> float | None:
        """Bytes per second that a flow could have now if it asked for all it can; None without a cap.

        Flows that wait are taken to want any amount, the others what they have been granted of late.
        """
        with self._lock:
            if not self._line.limited(self._course(flow).links):
                return None
            now = self._clock()
            if now - self._shares_at > _SHARES_LAST_S:
                self._forget_shares(now)
            if flow not in self._shares:
                self._shares[flow] = max_min_shares(self._line.capacities(), self._wishes(flow, now))[flow]
            return self._shares[flow]

    def width(self, flow: str, part_bytes: int) -> int:
        """How many parts of this size a flow should have on the way at a time.

        Under a low cap more of them would only make each take longer, until its far end gives up.
        """
        share = self.share(flow)
        return _ANY_WIDTH if share is None else max(1, int(share * _PART_TAKES_S / part_bytes))

    def portion(self, flow: str) -> float:
        """How much of what all flows were granted over the last few seconds was this one's, from 0 to 1."""
        with self._lock:
            now = self._clock()
            rates = {name: meter.rate(now) for name, meter in self._meters.items()}
        return rates.get(flow, 0.0) / max(1.0, sum(rates.values()))

    def _wishes(self, asking: str, now: float) -> dict[str, Wish[Link]]:
        eager = self._line.waiting() | {asking}
        wishes = {}
        for flow in self._registered.keys() | {asking}:
            course = self._course(flow)
            demand = math.inf if flow in eager else self._meters[flow].rate(now)
            wishes[flow] = Wish(course.weight, demand, course.links)
        return wishes

    def _forget_shares(self, now: float | None = None) -> None:
        self._shares, self._shares_at = {}, self._clock() if now is None else now
