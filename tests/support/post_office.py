"""A station's bus thread at work against a real broker, and what must be true of it in the end."""

from __future__ import annotations

import contextlib
import itertools
import json
import queue
import threading
import time
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from typing import Any, cast

import pika

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.amqp.settings import Address, Settings
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError, OutboxEntry
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.clock import Clock
from ingestd.runtime.loop import Inbox, Noticed
from tests.support.broker import PASSWORD, STATION_USER, VirtualHost
from tests.support.daemon import wait_for

SUBJECTS = 6
SETTLE_S = 20.0


def settings(host: VirtualHost, **changes: Any) -> Settings:
    """A station's way to a virtual host of the tests, impatient."""
    plain = Settings(
        station="quay-03",
        addresses=(Address(host.broker.host, host.broker.port, tls=False),),
        user=STATION_USER,
        password=lambda: PASSWORD,
        virtual_host=host.name,
        heartbeat_s=1,
        open_s=5.0,
        confirm_s=2.0,
        blocked_s=2.0,
    )
    return replace(plain, **changes)


def notice(number: int) -> bytes:
    """A notice that is understood."""
    return json.dumps(
        {
            "specversion": "1.0",
            "id": f"n-{number}",
            "source": "/orders",
            "type": "ingest.job.withdrawn",
            "data": {"job_id": f"TW-{number}", "reason": "sent twice"},
        }
    ).encode()


def entry(sequence: int, subject: str = "", type_: str = "ingest.load.progressed") -> OutboxEntry:
    body = json.dumps({"sequence": sequence, "filler": "x" * 400}).encode()
    return OutboxEntry(sequence, f"event-{sequence}", subject or f"load-{sequence % SUBJECTS}", type_, body)


class MemoryOutbox:
    """The part of the journal that the bus thread needs, without a disk."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._unsent: dict[int, OutboxEntry] = {}

    def add(self, entry: OutboxEntry) -> None:
        with self._lock:
            self._unsent[entry.sequence] = entry

    def outbox(self, limit: int, without: Collection[str] = ()) -> list[OutboxEntry]:
        with self._lock:
            fit = (entry for entry in self._unsent.values() if entry.subject not in without)
            return list(itertools.islice(fit, limit))

    def mark_sent(self, sequences: Sequence[int]) -> None:
        with self._lock:
            for sequence in sequences:
                self._unsent.pop(sequence, None)

    def outbox_depth(self) -> tuple[int, float | None]:
        with self._lock:
            return len(self._unsent), None


class PostOffice:
    """Events are decided, notices are sent and acted on, all the time, whatever becomes of the broker."""

    def __init__(self, host: VirtualHost, settings: Settings) -> None:
        self.host = host
        self.outbox = MemoryOutbox()
        self.noticed: list[str] = []
        self.decided = 0
        self.sent = 0
        self.broken: list[JournalError] = []
        self._inbox: Inbox = queue.SimpleQueue()
        self._stop = threading.Event()
        bus = AmqpBus(settings)
        bus.follow({})
        self.thread = BusThread(
            bus,
            station="quay-03",
            inbox=self._inbox,
            journal=cast(Journal, self.outbox),
            broken=self.broken.append,
            clock=Clock(),
            poll_s=0.02,
        )
        work = (self._decide, self._send, self._act)
        self._threads = [threading.Thread(target=each, daemon=True) for each in work]

    @contextlib.contextmanager
    def at_work(self) -> Iterator[PostOffice]:
        """Work for as long as the block runs, then until all has arrived; what is wrong then raises."""
        self.thread.start()
        for each in self._threads:
            each.start()
        try:
            wait_for(lambda: len(self.noticed) > 5, SETTLE_S, "the first notices")
            yield self
            self._stop.set()
            for each in self._threads[:2]:
                each.join(SETTLE_S)
            wait_for(lambda: not self.outbox.outbox_depth()[0], SETTLE_S, "an empty outbox")
            wait_for(lambda: len(set(self.noticed)) >= self.sent, SETTLE_S, "all notices")
        finally:
            self._stop.set()
            assert self.thread.stop(10.0), "the bus thread ends when it is told to"
        assert self.broken == []
        self._compare()

    def _decide(self) -> None:
        for number in itertools.count(1):
            self.outbox.add(entry(number))
            self.decided = number
            if self._stop.wait(0.003):
                return

    def _send(self) -> None:
        connection: Any = None
        for number in itertools.count(1):
            while True:
                try:
                    if connection is None:
                        connection = self.host.connect()
                        channel = connection.channel()
                        channel.confirm_delivery()
                    channel.basic_publish("ingest.notices", "", notice(number), _PERSISTENT, mandatory=True)
                    break
                except (pika.exceptions.AMQPError, OSError):
                    connection = None
                    time.sleep(0.1)
            self.sent = number
            if self._stop.wait(0.02):
                break
        with contextlib.suppress(pika.exceptions.AMQPError):
            connection.close()

    def _act(self) -> None:
        while True:
            try:
                item: Any = self._inbox.get(timeout=0.1)
            except queue.Empty:
                if self._stop.is_set() and not self.thread.alive:
                    return
                continue
            assert isinstance(item, Noticed)
            self.noticed.append(str(item.identity))
            item.done(())

    def _compare(self) -> None:
        """Nothing lost, each subject in order, repeats the same event again."""
        arrived = self.host.read_stream("ingest.audit")
        bodies: dict[str, bytes] = {}
        orders: dict[int, list[int]] = defaultdict(list)
        for message in arrived:
            if bodies.setdefault(message.id, message.body) == message.body:
                number = json.loads(message.body)["sequence"]
                if number not in orders[number % SUBJECTS]:
                    orders[number % SUBJECTS].append(number)
            else:
                raise AssertionError(f"{message.id} came again with another body")
        assert len(bodies) == self.decided, f"{self.decided - len(bodies)} events were lost"
        for numbers in orders.values():
            assert numbers == sorted(numbers), "events of one subject changed places"
        assert len(set(bodies.values())) == self.decided


_PERSISTENT = pika.BasicProperties(content_type="application/cloudevents+json", delivery_mode=2)
