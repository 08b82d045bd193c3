"""Many small objects at once, by one thread: several connections, each with one object on its way, or
one question about an object.

The answers are taken in the order in which the objects were sent, so that a thread neither waits for each
answer nor has to be woken up for it. How many are on their way at a time follows from how long the answers
take, and how many come in a second (`core/window.py`).
"""

from __future__ import annotations

import uuid
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from ingestd.ports import Pace, PortError, SmallObject, StoreConflict
from ingestd.store.pacing import Allowance, without_limit
from ingestd.store.s3_client import Begun
from ingestd.store.s3_integrity import Protection
from ingestd.store.s3_objects import Found, Objects, Whole
from ingestd.store.s3_wire import Answer, Connection

_Sent = tuple[Whole, Protection, Begun]


def put_batch(objects: Objects, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
    """See `Store.put_batch`."""
    wholes = [Whole(small.key, objects.key_of(small.key), small.body, small.sha256) for small in batch]
    able = objects.probe.abilities()
    client, needed = objects.client, not able.conditional_put
    claimed = objects.claims.on([whole.key for whole in wholes], needed=needed)
    with claimed, objects.flight.joined(len(batch)) as width, client.connections(width) as connections:
        return _Batch(objects, wholes, pace, width, connections).put()


def find_all(objects: Objects, keys: Sequence[str]) -> Mapping[str, Found | None]:
    """What is under these keys, many asked for at a time; of some only where the line or the store gets
    into trouble meanwhile. Raises the error where nothing at all was told."""
    client, flight = objects.client, objects.looks
    found, on_the_way = dict[str, Found | None](), deque[tuple[str, Begun]]()

    def receive() -> None:
        key, begun = on_the_way.popleft()
        found[key] = objects.found_in(key, client.end(begun))
        flight.answered(begun.sent_at)

    error: PortError | None = None
    with flight.joined(len(keys)) as width, client.connections(width) as connections:
        try:
            for key in keys:
                while len(on_the_way) >= min(width, flight.width):
                    receive()
                connection = connections.pop() if connections else None
                begun = client.begin(objects.look(key), Allowance(0, without_limit), connection)
                on_the_way.append((key, begun))
        except PortError as first:
            error = first
        # What is on its way is heard out: it may be the one that finds the store well again.
        while on_the_way:
            try:
                receive()
            except PortError as another:
                error = error or another
    if error is not None and not found:
        raise error
    return found


@dataclass(slots=True)
class _Outcome:
    placed: set[bytes]
    existed: set[bytes]
    error: PortError | None = None


class _Batch:
    """One call."""

    def __init__(
        self,
        objects: Objects,
        wholes: Sequence[Whole],
        pace: Pace,
        width: int,
        connections: list[Connection],
    ) -> None:
        """`width`: how many may be on their way, at most; more would have to be connected one by one."""
        self._objects = objects
        self._width = width
        self._connections = connections
        self._wholes = wholes
        self._origin = uuid.uuid4().hex
        self._conditional = objects.probe.abilities().conditional_put
        self._allowance = Allowance(sum(len(whole.body) for whole in wholes), pace)
        self._on_the_way: deque[_Sent] = deque()
        self._outcome = _Outcome(set(), set())

    def put(self) -> Collection[bytes]:
        """The paths of those that were there already."""
        try:
            for round_ in _rounds(self._wholes):
                self._put_all(round_)
        except BaseException:
            self._drop()
            raise
        error = self._outcome.error
        if error is not None:
            error.placed = frozenset(self._outcome.placed)
            error.existed = frozenset(self._outcome.existed)
            raise error
        return self._outcome.existed

    def _put_all(self, wholes: Sequence[Whole]) -> None:
        for whole in wholes:
            # After an error of the line nothing new is begun; a conflict concerns one object only.
            if self._outcome.error is not None and not isinstance(self._outcome.error, StoreConflict):
                break
            while len(self._on_the_way) >= min(self._width, self._objects.flight.width):
                self._receive()
            self._noting(whole, lambda whole=whole: self._send(whole))  # type: ignore[misc]
        while self._on_the_way:
            self._receive()

    def _send(self, whole: Whole) -> bool | None:
        """Whether the same content was there; None while that is not known."""
        objects = self._objects
        if not self._conditional and (found := objects.find(whole.key)) is not None:
            return objects.settle(whole, self._origin, found)
        request, sent = objects.request(whole, self._origin)
        connection = self._connections.pop() if self._connections else None
        begun = objects.client.begin(request, self._allowance, connection)
        self._on_the_way.append((whole, sent, begun))
        return None

    def _receive(self) -> None:
        whole, sent, begun = self._on_the_way.popleft()

        def answered() -> bool:
            answer: Answer = self._objects.client.end(begun)
            existed = self._objects.answered(whole, self._origin, sent, answer)
            self._objects.flight.answered(begun.sent_at)
            return existed

        self._noting(whole, answered)

    def _noting(self, whole: Whole, act: Callable[[], bool | None]) -> None:
        try:
            existed = act()
        except PortError as error:
            if self._outcome.error is None or isinstance(self._outcome.error, StoreConflict):
                self._outcome.error = error
            return
        if existed is not None:
            (self._outcome.existed if existed else self._outcome.placed).add(whole.path)

    def _drop(self) -> None:
        for _, _, begun in self._on_the_way:
            self._objects.client.drop(begun)
        self._on_the_way.clear()


def _rounds(wholes: Sequence[Whole]) -> Iterator[Sequence[Whole]]:
    """In an order in which no two of the same key are on their way at a time."""
    left = list(wholes)
    while left:
        seen = set[str]()
        now, later = list[Whole](), list[Whole]()
        for whole in left:
            (later if whole.key in seen else now).append(whole)
            seen.add(whole.key)
        yield now
        left = later
