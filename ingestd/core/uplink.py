"""The line to storage, shared out: a token bucket, max-min shares, and whose turn it is.

Nothing here waits: time is an argument, in seconds of any one clock that does not run backwards.

- `TokenBucket` is the committed bucket of RFC 2697, section 3: full at first, filled at a constant
  rate, never above its burst. So no more than rate * T + burst bytes pass in any window of T seconds.
- `max_min_shares` says what a fair split is: D. Bertsekas and R. Gallager, Data Networks, second
  edition, section 6.5.2, for a single link and with weights.
- `FairQueue` brings that split about, one request at a time: P. Goyal, H. M. Vin and H. Cheng,
  Start-Time Fair Queueing, SIGCOMM 1996. It needs to know neither the rate, which may change at any
  moment, nor what each flow is going to ask for.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, replace
from typing import Generic, TypeVar

_ROUNDING_S = 1e-6
"""Added to every wait, lest the last digit of a float cost a second, useless one."""

K = TypeVar("K", bound=Hashable)


# -- the bucket -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenBucket:
    """A budget in bytes. `tokens` is what it held at the moment `at`."""

    rate_bytes_per_second: float
    burst_bytes: float
    tokens: float
    at: float

    def __post_init__(self) -> None:
        if self.rate_bytes_per_second <= 0 or self.burst_bytes <= 0:
            raise ValueError("the rate and the burst of a budget have to be above zero")

    @classmethod
    def full(cls, rate_bytes_per_second: float, burst_bytes: float, now: float) -> TokenBucket:
        return cls(
            rate_bytes_per_second=rate_bytes_per_second, burst_bytes=burst_bytes, tokens=burst_bytes, at=now
        )

    def refilled(self, now: float) -> TokenBucket:
        """The same bucket with what has come in since."""
        gained = self.rate_bytes_per_second * max(0.0, now - self.at)
        return replace(self, tokens=min(self.burst_bytes, self.tokens + gained), at=max(now, self.at))

    def wait_s(self, size_bytes: float, now: float) -> float:
        """Seconds until so many bytes may be taken; 0 when they may be now.

        Raises ValueError for more than the burst, which no wait would ever bring: slice it.
        """
        if size_bytes > self.burst_bytes:
            raise ValueError(f"{size_bytes} bytes never fit into a burst of {self.burst_bytes}: slice them")
        short = size_bytes - self.refilled(now).tokens
        return short / self.rate_bytes_per_second + _ROUNDING_S if short > 0 else 0.0

    def taken(self, size_bytes: float, now: float) -> TokenBucket:
        """The bucket without these bytes. Raises ValueError when it does not hold them."""
        filled = self.refilled(now)
        if size_bytes > filled.tokens:
            raise ValueError(f"{size_bytes} bytes taken from a bucket that holds {filled.tokens:.0f}")
        return replace(filled, tokens=filled.tokens - size_bytes)

    def with_rate(self, rate_bytes_per_second: float, burst_bytes: float, now: float) -> TokenBucket:
        """The bucket under a new cap. What was saved up stays, as far as the new burst has room."""
        filled = self.refilled(now)
        return replace(
            filled,
            rate_bytes_per_second=rate_bytes_per_second,
            burst_bytes=burst_bytes,
            tokens=min(filled.tokens, burst_bytes),
        )


# -- the fair split -------------------------------------------------------------------------------


def max_min_shares(capacity: float, demands: Mapping[K, tuple[float, float]]) -> dict[K, float]:
    """Weighted max-min shares of `capacity`, from (weight, demand) of each.

    Nobody gets more than the demand; nothing is left over while somebody wants more; and whoever wants
    more has at least as much per weight as anybody else. Progressive filling: the level of all rises
    until somebody's demand is met, who then drops out. Weights are above zero, demands may be infinite.
    """
    shares: dict[K, float] = {}
    left, open_flows = capacity, dict(demands)
    while open_flows:
        level = left / sum(weight for weight, _ in open_flows.values())
        met = {flow: demand for flow, (weight, demand) in open_flows.items() if demand <= level * weight}
        if not met:
            return shares | {flow: level * weight for flow, (weight, _) in open_flows.items()}
        shares |= met
        left = max(0.0, left - sum(met.values()))
        for flow in met:
            del open_flows[flow]
    return shares


# -- whose turn it is -----------------------------------------------------------------------------


@dataclass(eq=False, slots=True)
class Ticket(Generic[K]):
    """One request of a flow, waiting for its turn. Equal only to itself."""

    flow: K
    size_bytes: int
    number: int


@dataclass(slots=True)
class _Flow(Generic[K]):
    weight: float = 1.0
    start: float = 0.0
    """Start tag of the first ticket that waits or, when none does, of the next one at the earliest."""
    tickets: deque[Ticket[K]] = field(default_factory=deque)


class FairQueue(Generic[K]):
    """Start-time fair queueing: the waiting request with the smallest start tag is next.

    Tags are in bytes per unit of weight. While two flows wait all the time, what they got per weight
    never differs by more than one request of each. A flow that was idle starts where the others are:
    it has saved nothing up. Requests of one flow are served in their order. A weight may change at any
    moment, and counts from the next grant on. Not for use by several threads at a time.
    """

    def __init__(self) -> None:
        self._flows: dict[K, _Flow[K]] = {}
        self._virtual = 0.0
        self._numbers = 0

    def set_weight(self, flow: K, weight: float) -> None:
        if weight <= 0:
            raise ValueError(f"the weight of a flow has to be above zero, not {weight}")
        self._flow(flow).weight = weight

    def request(self, flow: K, size_bytes: int) -> Ticket[K]:
        """Queue up. A flow that was never heard of has a weight of one."""
        state = self._flow(flow)
        if not state.tickets:
            state.start = max(state.start, self._virtual)
        self._numbers += 1
        ticket = Ticket(flow, size_bytes, self._numbers)
        state.tickets.append(ticket)
        return ticket

    def head(self) -> Ticket[K] | None:
        """Whose turn it is; None when nobody waits. The earlier request wins a tie."""
        waiting = [state for state in self._flows.values() if state.tickets]
        if not waiting:
            return None
        return min(waiting, key=lambda state: (state.start, state.tickets[0].number)).tickets[0]

    def grant(self, ticket: Ticket[K]) -> None:
        """Serve the first request of its flow."""
        state = self._flows[ticket.flow]
        assert state.tickets[0] is ticket, "requests of one flow are served in their order"
        state.tickets.popleft()
        self._virtual = max(self._virtual, state.start)
        state.start += ticket.size_bytes / state.weight

    def withdraw(self, ticket: Ticket[K]) -> None:
        """Leave the queue without having been served."""
        self._flows[ticket.flow].tickets.remove(ticket)

    def waiting(self) -> frozenset[K]:
        """The flows that wait."""
        return frozenset(flow for flow, state in self._flows.items() if state.tickets)

    def idle(self) -> frozenset[K]:
        """The flows that are known and do not wait."""
        return frozenset(flow for flow, state in self._flows.items() if not state.tickets)

    def forget(self, flow: K) -> None:
        """Drop a flow that does not wait; absent is fine."""
        state = self._flows.get(flow)
        assert state is None or not state.tickets, "a flow is forgotten only once nothing of it waits"
        self._flows.pop(flow, None)

    def _flow(self, flow: K) -> _Flow[K]:
        return self._flows.setdefault(flow, _Flow())
