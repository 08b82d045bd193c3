"""`ports.Bus` over AMQP: two connections in one thread, one to read streams, one to publish.

A broker that is short of memory or disk stops listening to connections that publish. Ours that
reads does not publish, so notices keep coming, and their acknowledgements keep going.

Whatever goes wrong with a connection, the whole of it is given up and made anew from the top; each
call raises BusDown until one succeeds. Reading goes on behind the last delivery that was handed out.
Publishing begins with what was not confirmed: an event may go out twice, under the same id.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Generic, TypeVar

from ingestd.bus.amqp.check import examine, unfit_for_reading, unfit_for_writing
from ingestd.bus.amqp.consumer import Consumer, reasons_header
from ingestd.bus.amqp.driver import Driver
from ingestd.bus.amqp.link import Link
from ingestd.bus.amqp.publisher import Message, Outcome, Publisher
from ingestd.bus.amqp.settings import Settings
from ingestd.bus.amqp.words import Words, too_large
from ingestd.ports import BusDown, Delivery, OutboxEntry, Problem, Published

PUBLISH_S = 2.0
"""Notices wait no longer than this for events on their way out, and a confirmation."""

OPEN_S = 20.0
"""One call tries no further address after this."""

Worker = TypeVar("Worker")


class Half(Generic[Worker]):
    """One direction: a link and what works over it, both made anew after every failure."""

    def __init__(self, open_link: Callable[[], Link], make: Callable[[Link], Worker]) -> None:
        self._open_link = open_link
        self._make = make
        self._now: tuple[Link, Worker] | None = None

    def ready(self) -> Worker:
        """What works, over a link that is open. Raises BusDown."""
        worker = self.working
        if worker is None:
            self.close()
            link = self._open_link()
            try:
                worker = self._make(link)
            except BusDown:
                link.hang_up()
                raise
            self._now = link, worker
        return worker

    @property
    def working(self) -> Worker | None:
        """What works, unless its link was lost."""
        return None if self._now is None or self._now[0].lost else self._now[1]

    @property
    def given_up(self) -> Link | None:
        """The link that was lost, until there is another one."""
        return self._now[0] if self._now is not None and self._now[0].lost else None

    def require(self) -> None:
        """Raise BusDown, with the reason, when the link was lost."""
        if self._now is not None:
            self._now[0].require()

    def close(self) -> None:
        if self._now is not None:
            self._now[0].close()
        self._now = None


class AmqpBus:
    """Owned by one thread."""

    def __init__(self, settings: Settings) -> None:
        # Each failure of a connection reaches people through BusDown, once; pika would tell it as well.
        logging.getLogger("pika").setLevel(logging.CRITICAL + 1)
        self._settings = settings
        self._driver = Driver()
        self._last: dict[str, int] = {}
        self._first_address = 0
        self._largest: int | None = None
        """Bytes of the largest message that the broker takes, when it has said so."""
        self._reading = Half(self._open, self._consumer)
        self._writing = Half(self._open, self._publisher)

    def moved(self) -> float:
        """The monotonic time at which it last moved on, also within a call that takes long."""
        return self._driver.moved_at

    def follow(self, positions: Mapping[str, int]) -> None:
        """Go on behind these offsets."""
        self._last = {name: positions[name] for name in self._settings.names.streams if name in positions}

    def poll(self, timeout_s: float) -> Sequence[Delivery]:
        """What has arrived on the streams. Raises BusDown."""
        consumer = self._reading.ready()
        consumer.confirm()
        self._driver.run(lambda: consumer.waiting or self._reading.working is None, timeout_s)
        taken = consumer.take()
        if not taken:
            self._reading.require()
        return taken

    def acknowledge(self, delivery: Delivery, problems: Sequence[str]) -> None:
        """With problems, a copy is where people see it before the delivery is let go. Raises BusDown."""
        if problems:
            self._set_aside(delivery, problems)
        consumer = self._reading.working
        if consumer is not None:
            consumer.acknowledge(delivery)

    def publish(self, entries: Sequence[OutboxEntry]) -> Published:
        """Over a line that is slow, not all of them are tried. Raises BusDown."""
        if not entries:
            return Published(taken=())
        exchange = self._settings.names.events
        messages = [event(entry, exchange) for entry in entries]
        outcome = self._send(messages)
        sequences = {entry.event_id: entry.sequence for entry in entries}
        return Published(
            taken=[sequences[id_] for id_ in outcome.taken],
            refused={sequences[id_]: reason for id_, reason in outcome.refused.items()},
        )

    def _send(self, messages: Sequence[Message]) -> Outcome:
        """A message that is larger than the broker takes costs the connection, and whatever else is under way
        over it. So that one is enough, the size is heeded until a connection is lost for another reason: the
        broker may have been given another configuration by then."""
        whole = Outcome()
        for _ in range(2):
            left = [message for message in messages if message.id not in whole.taken]
            fitting, whole.refused = _by_size(left, self._largest_taken())
            try:
                some = self._writing.ready().publish(fitting, PUBLISH_S)
            except BusDown:
                if self._was_too_large():
                    continue
                if not whole.taken:
                    raise
                break
            whole.taken |= some.taken
            whole.refused |= some.refused
            if not self._was_too_large():
                break
        return whole

    def _largest_taken(self) -> int | None:
        lost = self._writing.given_up
        if lost is not None:
            self._largest = lost.largest
        return self._largest

    def _was_too_large(self) -> bool:
        lost = self._writing.given_up
        return lost is not None and lost.largest is not None

    def tidy(self, now: float) -> int:
        """Nothing to do: how long messages are kept is the broker's affair."""
        del now
        return 0

    def close(self) -> None:
        self._writing.close()
        self._reading.close()
        self._driver.close()

    def problems(self) -> Sequence[Problem]:
        """What keeps the brokers from serving this station."""
        return examine(self._settings)

    def _set_aside(self, delivery: Delivery, problems: Sequence[str]) -> None:
        names = self._settings.names
        copy = refused_copy(delivery, problems, self._settings.station, names.refused)
        outcome = self._send([copy])
        for reason in outcome.refused.values():
            raise BusDown(f"the copy for people cannot be kept: {reason}")

    # -- connections --

    def _consumer(self, link: Link) -> Consumer:
        _require_fit(link, unfit_for_reading(link))
        consumer = Consumer(link, self._last)
        consumer.prepare(self._settings.names.streams)
        return consumer

    def _publisher(self, link: Link) -> Publisher:
        _require_fit(link, unfit_for_writing(link))
        publisher = Publisher(link)
        publisher.prepare()
        return publisher

    def _open(self) -> Link:
        """A link to the first address that takes us, beginning with the one that did before. Where many
        do not answer, the next call goes on with the others."""
        addresses = self._settings.addresses
        said: list[str] = []
        first, until = self._first_address, time.monotonic() + OPEN_S
        for turn in range(len(addresses)):
            index = self._first_address = (first + turn) % len(addresses)
            if said and time.monotonic() >= until:
                break
            link = Link(self._driver, self._settings)
            try:
                link.open(addresses[index])
            except BusDown as error:
                said.append(str(error))
                continue
            return link
        raise BusDown("; and ".join(dict.fromkeys(said)))


def _require_fit(link: Link, problems: Iterator[Words]) -> None:
    for words in problems:
        raise BusDown(f"the broker {link.address} {words}")


def _by_size(messages: Sequence[Message], most: int | None) -> tuple[list[Message], dict[str, str]]:
    """Those that may be sent, and why the others may not; what follows on their subjects waits."""
    if most is None:
        return list(messages), {}
    fitting: list[Message] = []
    refused: dict[str, str] = {}
    held: set[str] = set()
    for message in messages:
        if message.subject in held:
            continue
        if len(message.body) > most:
            held.add(message.subject)
            refused[message.id] = too_large(len(message.body), most)
        else:
            fitting.append(message)
    return fitting, refused


def event(entry: OutboxEntry, exchange: str) -> Message:
    """An event of the outbox; what routing and filters need is in its headers as well."""
    headers = {"ingest-id": entry.event_id, "ingest-type": entry.type, "ingest-subject": entry.subject}
    return Message(
        id=entry.event_id,
        subject=entry.subject,
        exchange=exchange,
        routing_key=entry.type,
        body=entry.body,
        headers=headers,
        type=entry.type,
    )


def refused_copy(delivery: Delivery, problems: Sequence[str], station: str, exchange: str) -> Message:
    """A message that could not be understood, as it came. Every station that reads the stream makes the
    same copy under the same id, so that its reader can drop all but one."""
    return Message(
        id=delivery.origin,
        subject=delivery.origin,
        exchange=exchange,
        routing_key=delivery.origin.split(":")[1],
        body=delivery.body,
        headers=reasons_header(problems, station, delivery),
        content_type="application/octet-stream",
    )
