"""The station's uplink budget, for threads: everybody who sends takes from here first."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator

from ingestd.core.uplink import FairQueue, Ticket, TokenBucket, max_min_shares
from ingestd.ports import CancelToken

_KIB = 1024
_CANCEL_LOOK_S = 0.1
"""How often one that waits looks whether it has been cancelled."""
_PART_TAKES_S = 10.0
"""How long sending one part may take at the present share before fewer are sent at a time."""
_ANY_WIDTH = 1_000_000


def slice_bytes(rate_bytes_per_second: int) -> int:
    """How much to take at a time: a fiftieth of a second's worth, 64 KiB at least, 1 MiB at most."""
    return max(64 * _KIB, min(1024 * _KIB, rate_bytes_per_second // 50))


def default_burst_bytes(rate_bytes_per_second: int) -> int:
    """An eighth of a second's worth, and room for two slices.

    While one slice is being waited for, the next one fits in beside it: a thread that the system wakes
    up late then finds what came in meanwhile, and the average stays exact.
    """
    return max(rate_bytes_per_second // 8, 2 * slice_bytes(rate_bytes_per_second))


class Meter:
    """Bytes per second over the last few seconds. Not for use by several threads at a time."""

    _SLOT_S = 0.25
    _SLOTS = 16

    def __init__(self, now: float) -> None:
        self._began = now
        self._slots: deque[tuple[int, int]] = deque(maxlen=self._SLOTS)
        """(number of the quarter second, bytes in it), for those in which there was something."""

    def add(self, size_bytes: int, now: float) -> None:
        slot = int(now / self._SLOT_S)
        if self._slots and self._slots[-1][0] == slot:
            self._slots[-1] = (slot, self._slots[-1][1] + size_bytes)
        else:
            self._slots.append((slot, size_bytes))

    def rate(self, now: float) -> float:
        newest = int(now / self._SLOT_S)
        oldest = newest - self._SLOTS + 1
        total = sum(size for slot, size in self._slots if slot >= oldest)
        seconds = now - max(self._began, oldest * self._SLOT_S)
        return total / max(seconds, self._SLOT_S)


class Governor:
    """Hands out the uplink budget, fairly by weight, to any number of threads and flows (loads).

    In any window of T seconds no more than rate * T + burst bytes are granted, over all flows. Nothing
    is cached: a new rate or weight counts for those who are waiting already. Without a cap, taking
    costs a lock and an addition. `clock` is monotonic.
    """

    def __init__(
        self,
        rate_bytes_per_second: int | None = None,
        burst_bytes: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._queue: FairQueue[str] = FairQueue()
        self._turns: dict[Ticket[str], threading.Condition] = {}
        self._meters: dict[str, Meter] = {}
        self._weights: dict[str, int] = {}
        self._bucket: TokenBucket | None = None
        self._largest_take = 0
        self.set_rate(rate_bytes_per_second, burst_bytes)

    # -- settings ---------------------------------------------------------------------------------

    def set_rate(self, rate_bytes_per_second: int | None, burst_bytes: int | None = None) -> None:
        """A new cap, at once; None lifts it. The burst is `default_burst_bytes` unless given.

        Raises ValueError unless both are above zero. With a burst below two slices the rate is a
        ceiling still, but may not be reached.
        """
        with self._lock:
            if rate_bytes_per_second is None:
                self._bucket = None
            else:
                burst = default_burst_bytes(rate_bytes_per_second) if burst_bytes is None else burst_bytes
                self._set_cap(rate_bytes_per_second, burst)
            for turn in self._turns.values():
                turn.notify()

    def _set_cap(self, rate: int, burst: int) -> None:
        now = self._clock()
        if self._bucket is None:
            self._bucket = TokenBucket.full(rate, burst, now)
        else:
            self._bucket = self._bucket.with_rate(rate, burst, now)
        self._largest_take = max(1, min(slice_bytes(rate), burst // 2))

    def register(self, flow: str, weight: int) -> None:
        """Begin to count a flow. Its share is proportional to `weight`."""
        with self._lock:
            self._weights[flow] = weight
            self._queue.set_weight(flow, weight)
            self._meters[flow] = Meter(self._clock())

    def unregister(self, flow: str) -> None:
        """Stop counting a flow. What still waits of it, having been cancelled, leaves by itself."""
        with self._lock:
            self._weights.pop(flow, None)
            self._meters.pop(flow, None)
            self._forget_strangers()

    def _forget_strangers(self) -> None:
        for flow in self._queue.idle() - self._weights.keys():
            self._queue.forget(flow)

    @contextlib.contextmanager
    def registered(self, flow: str, weight: int) -> Iterator[None]:
        self.register(flow, weight)
        try:
            yield
        finally:
            self.unregister(flow)

    def set_weight(self, flow: str, weight: int) -> None:
        """A new weight, at once. A flow that is not registered has none: nothing happens."""
        with self._lock:
            if flow in self._weights:
                self._weights[flow] = weight
                self._queue.set_weight(flow, weight)

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
            if self._bucket is None:
                self._count(flow, wanted)
                return wanted
            size = wanted if wanted <= self._bucket.burst_bytes // 2 else min(wanted, self._largest_take)
            ticket = self._queue.request(flow, size)
            self._turns[ticket] = threading.Condition(self._lock)
            try:
                self._wait_for_turn(ticket, cancel)
            except BaseException:
                self._queue.withdraw(ticket)
                raise
            finally:
                del self._turns[ticket]
                if flow not in self._weights:
                    self._forget_strangers()
                self._call_next()
            self._count(flow, size)
            return size

    def _wait_for_turn(self, ticket: Ticket[str], cancel: CancelToken) -> None:
        """Return with the ticket granted and its bytes taken from the bucket."""
        turn = self._turns[ticket]
        while (wait_s := self._wait_s(ticket)) > 0:
            turn.wait(min(wait_s, _CANCEL_LOOK_S))
            cancel.check()
            # Waiting for the budget is not being stuck.
            cancel.beat()
        if self._bucket is None:
            self._queue.withdraw(ticket)
            return
        # A burst that was made smaller meanwhile may no longer hold a slice of before.
        due = min(ticket.size_bytes, self._bucket.burst_bytes)
        self._bucket = self._bucket.taken(due, self._clock())
        self._queue.grant(ticket)

    def _wait_s(self, ticket: Ticket[str]) -> float:
        """Seconds until this ticket can be granted; for ever while it is not its turn."""
        if self._bucket is None:
            return 0.0
        if self._queue.head() is not ticket:
            return float("inf")
        return self._bucket.wait_s(min(ticket.size_bytes, self._bucket.burst_bytes), self._clock())

    def _call_next(self) -> None:
        head = self._queue.head()
        if head is not None:
            self._turns[head].notify()

    def _count(self, flow: str, size_bytes: int) -> None:
        meter = self._meters.get(flow)
        if meter is not None:
            meter.add(size_bytes, self._clock())

    # -- what it looks like -----------------------------------------------------------------------

    @property
    def cap(self) -> tuple[int, int] | None:
        """Rate in bytes per second and burst in bytes; None without a cap."""
        with self._lock:
            bucket = self._bucket
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
            if self._bucket is None:
                return None
            now, waiting = self._clock(), self._queue.waiting()
            demands = {
                each: (weight, float("inf") if each in waiting else self._meters[each].rate(now))
                for each, weight in self._weights.items()
            }
            demands[flow] = (self._weights.get(flow, 1), float("inf"))
            return max_min_shares(self._bucket.rate_bytes_per_second, demands)[flow]

    def width(self, flow: str, part_bytes: int) -> int:
        """How many parts of this size a flow should have on the way at a time.

        Under a low cap more of them would only make each take longer, until its far end gives up.
        """
        share = self.share(flow)
        return _ANY_WIDTH if share is None else max(1, int(share * _PART_TAKES_S / part_bytes))
