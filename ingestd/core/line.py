"""Whose turn it is on the line: requests of flows (loads) against the budgets of site, stores and bays.

Theory of operation
-------------------
Order is start-time fair queueing (P. Goyal, H. M. Vin and H. Cheng, Start-Time Fair Queueing, SIGCOMM
1996): every flow has a tag in bytes per unit of weight, the waiting flow with the lowest tag is next,
and its tag then rises by what it got over its weight. That needs to know neither the rate, which may
change at any moment, nor what each flow is going to ask for, and comes to the max-min shares of
`core/shares.py`.

Two things are added for budgets within the budget. A flow whose store or bay has nothing left is passed
over, so that the others have the line meanwhile, and is first when that comes in again. And it saves
nothing up: it never lags behind the others by more than a few pieces, or it would have the line for
itself once its limit is lifted. The flows of one store are moved up together, since what they lag behind
each other says whose turn it is in that store.

Nothing here waits: time is an argument, in seconds of any one clock that does not run backwards. Not for
use by several threads at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from ingestd.core.bucket import TokenBucket, default_burst_bytes

_LAG_PIECES = 4
"""How many of the largest pieces, at the lowest weight, a flow may lag behind."""


class Link(NamedTuple):
    """Something that bytes have to pass and that may have a budget of its own: the site's line as a
    whole, the way to one store, or out of one bay."""

    kind: str
    name: str = ""


SITE = Link("site")
SITE_ONLY = (SITE,)


@dataclass(frozen=True, slots=True)
class Cap:
    """A limit in bytes per second; None is none. The burst, in bytes, is `default_burst_bytes` unless
    given."""

    rate_bytes_per_second: int | None
    burst_bytes: int | None = None

    @property
    def burst(self) -> int:
        if self.burst_bytes is not None:
            return self.burst_bytes
        return default_burst_bytes(self.rate_bytes_per_second or 0)


NO_CAP = Cap(None)


@dataclass(frozen=True, slots=True)
class Course:
    """How a flow is to be served: in proportion to `weight`, over the site's line and these links."""

    weight: float = 1.0
    store: Link | None = None
    bay: Link | None = None

    links: tuple[Link, ...] = field(init=False, compare=False)
    """All that its bytes have to pass."""

    def __post_init__(self) -> None:
        within = (link for link in (self.store, self.bay) if link is not None)
        object.__setattr__(self, "links", (SITE, *within))


@dataclass(eq=False, slots=True)
class Ticket:
    """One request of a flow, waiting for its turn. Equal only to itself."""

    flow: str
    wanted_bytes: int
    number: int


class Turn(NamedTuple):
    """The ticket that is next, how much it is granted then, and in how many seconds that may be."""

    ticket: Ticket
    size_bytes: int
    wait_s: float


@dataclass(slots=True)
class _Flow:
    course: Course = Course()
    start: float = 0.0
    """The tag: of the first ticket that waits or, when none does, of the next one at the earliest."""
    tickets: deque[Ticket] = field(default_factory=deque)


@dataclass(slots=True)
class _Store:
    """The flows to one store that has a limit, or to all that have none."""

    virtual: float = 0.0
    """The highest tag that was served, before `ahead` is added."""
    ahead: float = 0.0
    """By how much the tags of its flows were moved up, to be compared with those of other stores."""


class _Candidate(NamedTuple):
    tag: float
    held_up_s: float
    """Until the links within the one it stands at would let it pass."""
    wait_s: float
    """Until that one does."""
    turn: Turn

    @property
    def free(self) -> bool:
        return self.held_up_s <= self.wait_s


def _place(state: _Flow) -> tuple[float, int]:
    """Where a flow that waits stands among those of its store."""
    return state.start, state.tickets[0].number


def _first(candidates: Sequence[_Candidate]) -> _Candidate:
    """Of those that nothing else holds up the one with the lowest tag, else the one that is soonest; the
    earlier request wins a tie."""
    free = [each for each in candidates if each.free]
    if free:
        return min(free, key=lambda each: (each.tag, each.turn.ticket.number))
    return min(candidates, key=lambda each: (each.held_up_s, each.turn.ticket.number))


class Line:
    """Requests are granted so that no link carries more than rate * T + burst bytes in any window of T
    seconds, and in fair turns. Requests of one flow are served in their order, each granted as much as
    the budgets allow in one piece."""

    def __init__(self) -> None:
        self._buckets: dict[Link, TokenBucket] = {}
        self._flows: dict[str, _Flow] = {}
        self._stores: dict[Link | None, _Store] = {}
        self._virtual = 0.0
        self._numbers = 0
        self._largest = 1
        self._lightest = 1.0
        self._limits_within = False

    # -- settings ---------------------------------------------------------------------------------

    def set_caps(self, caps: Mapping[Link, Cap], now: float) -> None:
        """The limits from now on; a link that is not named has none. What was saved up stays as far as
        the new burst has room. Raises ValueError unless rates and bursts are above zero."""
        buckets = {
            link: self._bucket(link, cap.rate_bytes_per_second, cap.burst, now)
            for link, cap in caps.items()
            if cap.rate_bytes_per_second is not None
        }
        tags = self._tags(self._flows.values())
        self._buckets = buckets
        self._limits_within = buckets.keys() != {SITE}
        self._stores = {link: each for link, each in self._stores.items() if link in buckets}
        self._largest = 1
        self._put_at(tags)

    def _bucket(self, link: Link, rate: int, burst: int, now: float) -> TokenBucket:
        if (known := self._buckets.get(link)) is None:
            return TokenBucket.full(rate, burst, now)
        if (known.rate_bytes_per_second, known.burst_bytes) == (rate, burst):
            return known
        return known.with_rate(rate, burst, now)

    def bucket(self, link: Link) -> TokenBucket | None:
        return self._buckets.get(link)

    def capacities(self) -> dict[Link, float]:
        """Bytes per second of each link that has a limit."""
        return {link: bucket.rate_bytes_per_second for link, bucket in self._buckets.items()}

    def limited(self, links: Iterable[Link]) -> bool:
        """Whether any of these links has a limit."""
        return not self._buckets.keys().isdisjoint(links)

    def set_course(self, flow: str, course: Course) -> None:
        """From now on. A flow that was never heard of has a weight of one and only the site's limit."""
        if course.weight <= 0:
            raise ValueError(f"the weight of a flow has to be above zero, not {course.weight}")
        state = self._flow(flow)
        tags = self._tags([state])
        state.course = course
        self._put_at(tags)
        self._lightest = min(each.course.weight for each in self._flows.values())

    def _tags(self, flows: Iterable[_Flow]) -> list[tuple[_Flow, float]]:
        """Where flows stand on the site's line, whichever store they are in."""
        return [(state, state.start + self._store_of(state).ahead) for state in flows]

    def _put_at(self, tags: Iterable[tuple[_Flow, float]]) -> None:
        for state, tag in tags:
            state.start = tag - self._store_of(state).ahead

    # -- requests ---------------------------------------------------------------------------------

    def request(self, flow: str, wanted_bytes: int) -> Ticket:
        """Queue up. A flow that was idle starts where the others are: it has saved nothing up."""
        state = self._flow(flow)
        if not state.tickets:
            self._begin(state)
        self._numbers += 1
        ticket = Ticket(flow, wanted_bytes, self._numbers)
        state.tickets.append(ticket)
        return ticket

    def _begin(self, state: _Flow) -> None:
        store, link = self._store_of(state), self._limited_store(state)
        state.start = max(state.start, store.virtual)
        if not any(each.tickets and self._limited_store(each) == link for each in self._flows.values()):
            store.ahead = max(store.ahead, self._virtual - state.start)

    def withdraw(self, ticket: Ticket) -> None:
        """Leave the queue without having been served."""
        self._flows[ticket.flow].tickets.remove(ticket)

    def grant(self, turn: Turn, now: float) -> None:
        """Serve a turn that has come. Its ticket leaves the queue, also when it was granted a part only:
        for the rest its flow asks again, behind its other requests."""
        ticket, size = turn.ticket, turn.size_bytes
        state = self._flows[ticket.flow]
        assert state.tickets[0] is ticket, "requests of one flow are served in their order"
        state.tickets.popleft()
        for link in state.course.links:
            if link in self._buckets:
                self._buckets[link] = self._buckets[link].taken(size, now)
        store = self._store_of(state)
        store.virtual = max(store.virtual, state.start)
        self._virtual = max(self._virtual, state.start + store.ahead)
        self._largest = max(self._largest, size)
        state.start += size / state.course.weight

    def next(self, now: float) -> Turn | None:
        """Whose turn it is; None when nobody waits. To be asked again when the wait is over: somebody
        else may have come, or come free, meanwhile."""
        waiting = [state for state in self._flows.values() if state.tickets]
        if not waiting:
            return None
        levels = {link: bucket.level(now) for link, bucket in self._buckets.items()}
        if self._limits_within:
            return self._next_within(waiting, levels)
        # The usual case, and the one that has to be cheap.
        ticket = min(waiting, key=_place).tickets[0]
        size = self._piece(SITE_ONLY, ticket.wanted_bytes)
        return Turn(ticket, size, self._wait_s(SITE, size, levels))

    # -- how it is found, where stores or bays have limits -----------------------------------------

    def _next_within(self, waiting: Iterable[_Flow], levels: Mapping[Link, float]) -> Turn:
        by_store: dict[Link | None, list[_Flow]] = {}
        for state in waiting:
            by_store.setdefault(self._limited_store(state), []).append(state)
        lag = _LAG_PIECES * self._largest / self._lightest
        return _first([self._head(link, flows, levels, lag) for link, flows in by_store.items()]).turn

    def _head(
        self, link: Link | None, flows: list[_Flow], levels: Mapping[Link, float], lag: float
    ) -> _Candidate:
        """The flow that is next in one store, as it stands before the site's line."""
        store = self._store(link)
        floor = store.virtual - lag
        for state in flows:
            if state.start < floor:
                state.start = floor
        store.ahead = max(store.ahead, self._virtual - lag - store.virtual)
        chosen = _first(list(self._in_store(link, flows, levels)))
        ticket, size = chosen.turn.ticket, chosen.turn.size_bytes
        held_up_s = max(chosen.held_up_s, chosen.wait_s)
        wait_s = self._wait_s(SITE, size, levels)
        turn = Turn(ticket, size, max(held_up_s, wait_s))
        return _Candidate(chosen.tag + store.ahead, held_up_s, wait_s, turn)

    def _in_store(
        self, link: Link | None, flows: list[_Flow], levels: Mapping[Link, float]
    ) -> Iterator[_Candidate]:
        """Those of the flows that could be next: the first of all whose bay has no limit, and the others."""
        unlimited = [state for state in flows if state.course.bay not in levels]
        if unlimited:
            first = min(unlimited, key=_place)
            yield self._candidate(first, link, levels)
        if len(unlimited) < len(flows):
            for state in flows:
                if state.course.bay in levels:
                    yield self._candidate(state, link, levels)

    def _candidate(self, state: _Flow, link: Link | None, levels: Mapping[Link, float]) -> _Candidate:
        ticket = state.tickets[0]
        size = self._piece(state.course.links, ticket.wanted_bytes)
        held_up_s = self._wait_s(state.course.bay, size, levels)
        return _Candidate(state.start, held_up_s, self._wait_s(link, size, levels), Turn(ticket, size, 0.0))

    def _piece(self, links: tuple[Link, ...], wanted: int) -> int:
        size = wanted
        for link in links:
            bucket = self._buckets.get(link)
            if bucket is not None and size > bucket.whole_max_bytes:
                size = bucket.slice_max_bytes
        return size

    def _wait_s(self, link: Link | None, size: int, levels: Mapping[Link, float]) -> float:
        level = levels.get(link) if link is not None else None
        if link is None or level is None or level >= size:
            return 0.0
        return self._buckets[link].fill_s(size - level)

    def _limited_store(self, state: _Flow) -> Link | None:
        store = state.course.store
        return store if self._limits_within and store in self._buckets else None

    def _store_of(self, state: _Flow) -> _Store:
        return self._store(self._limited_store(state))

    def _store(self, link: Link | None) -> _Store:
        return self._stores.setdefault(link, _Store(virtual=self._virtual))

    # -- who is there -----------------------------------------------------------------------------

    def waiting(self) -> frozenset[str]:
        """The flows that wait."""
        return frozenset(flow for flow, state in self._flows.items() if state.tickets)

    def idle(self) -> frozenset[str]:
        """The flows that are known and do not wait."""
        return frozenset(flow for flow, state in self._flows.items() if not state.tickets)

    def forget(self, flow: str) -> None:
        """Drop a flow that does not wait; absent is fine."""
        state = self._flows.get(flow)
        assert state is None or not state.tickets, "a flow is forgotten only once nothing of it waits"
        self._flows.pop(flow, None)

    def _flow(self, flow: str) -> _Flow:
        return self._flows.setdefault(flow, _Flow())
