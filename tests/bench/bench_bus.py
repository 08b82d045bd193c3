"""How fast the bus over RabbitMQ is: an outbox that drains, and notices that are read from the start.

    python -m tests.bench.bench_bus [--folder /dev/shm] [--events 20000] [--notices 100000]

The outbox is a real journal's, drained by a real bus thread. Beside it stands a plain loop with pika
that publishes the same bodies with confirms, as many as may be in flight, and keeps no order or record.
The broker is the one that tests use.
"""

from __future__ import annotations

import argparse
import os
import queue
import resource
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pika
import structlog

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.core.outgoing import NoticeRefused, Publish
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.clock import Clock
from ingestd.runtime.loop import Inbox, Noticed
from tests.bench.bench_journal import show
from tests.support.broker import PASSWORD, STATION_USER, VirtualHost, running_broker
from tests.support.journals import open_journal
from tests.support.post_office import notice, settings

PADDING = "x" * 400


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", default="/dev/shm")
    parser.add_argument("--events", type=int, default=20_000)
    parser.add_argument("--notices", type=int, default=100_000)
    args = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    with (
        tempfile.TemporaryDirectory(dir=args.folder) as folder,
        tempfile.TemporaryDirectory() as at,
        running_broker(Path(at)) as broker,
    ):
        begun = time.process_time()
        bare = bare_loop(broker.virtual_host(), args.events)
        bare_cost = time.process_time() - begun
        show("bare pika loop with confirms", bare, "events/s")
        show("  processor time", bare_cost / args.events * 1e6, "us an event")
        for subjects in (1, 4, 16):
            at_journal = os.path.join(folder, f"journal-{subjects}")
            os.mkdir(at_journal)
            journal = open_journal(at_journal)
            rate, cost = drained(broker.virtual_host(), journal, args.events, subjects)
            show(f"outbox drained, subjects: {subjects}", rate, "events/s")
            show("  of the bare loop", rate / bare, "")
            show("  processor time", cost / args.events * 1e6, "us an event")
            journal.close()
        host = broker.virtual_host()
        fill(host, args.notices)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        took, decoded = replayed(host, args.notices)
        show(f"{args.notices:,} notices read and acknowledged", took, "s")
        show(f"{args.notices:,} notices through the bus thread", decoded, "s")
        more = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        show("memory more for that, at most", more / 1024, "MiB")


def bare_loop(host: VirtualHost, count: int) -> float:
    """Events a second: publish, and count what is confirmed."""
    body = PADDING.encode() + b"y" * 300
    properties = pika.BasicProperties(delivery_mode=2, content_type="application/cloudevents+json")
    confirmed = 0
    begun = [0.0]

    def on_open(connection: Any) -> None:
        connection.channel(on_open_callback=on_channel)

    def on_channel(channel: Any) -> None:
        channel.confirm_delivery(lambda frame: on_confirm(channel, frame))
        begun[0] = time.monotonic()
        for _ in range(count):
            channel.basic_publish("ingest.events", "ingest.notice.refused", body, properties, mandatory=True)

    def on_confirm(channel: Any, frame: Any) -> None:
        nonlocal confirmed
        confirmed = frame.method.delivery_tag
        if confirmed >= count:
            channel.connection.ioloop.stop()

    credentials = pika.PlainCredentials(STATION_USER, PASSWORD)
    parameters = pika.ConnectionParameters(host.broker.host, host.broker.port, host.name, credentials)
    connection = pika.SelectConnection(
        parameters, on_open_callback=on_open, on_close_callback=lambda ended, _: ended.ioloop.stop()
    )
    connection.ioloop.start()
    rate = count / (time.monotonic() - begun[0])
    connection.close()
    connection.ioloop.start()
    return rate


def drained(host: VirtualHost, journal: Journal, count: int, subjects: int) -> tuple[float, float]:
    """Events a second that leave a full outbox, until the last of them is marked as sent; and the
    processor time that all of them cost."""
    for first in range(0, count, 1000):
        journal.commit(
            [
                Publish(
                    subject=f"load-{number % subjects}",
                    number=number // subjects + 1,
                    at=1.0,
                    body=NoticeRefused(notice=PADDING, problems=()),
                )
                for number in range(first, min(first + 1000, count))
            ],
            at=1.0,
        )
    thread = bus_thread(host, journal, queue.SimpleQueue())
    begun, cost = time.monotonic(), time.process_time()
    thread.start()
    while journal.outbox_depth()[0]:
        time.sleep(0.02)
    rate = count / (time.monotonic() - begun)
    cost = time.process_time() - cost
    thread.stop(10)
    return rate, cost


def bus_thread(host: VirtualHost, journal: Journal, inbox: Inbox) -> BusThread:
    def broken(error: JournalError) -> None:
        raise SystemExit(str(error))

    bus = AmqpBus(settings(host, confirm_s=20.0, heartbeat_s=30))
    return BusThread(
        bus, station="quay-03", inbox=inbox, journal=journal, broken=broken, clock=Clock(), poll_s=0.1
    )


def fill(host: VirtualHost, count: int) -> None:
    """So many notices in the stream, one after the other."""
    with host.channel() as channel:
        properties = pika.BasicProperties(delivery_mode=2, content_type="application/cloudevents+json")
        for number in range(count):
            channel.basic_publish("ingest.notices", "", notice(number), properties)
        channel.queue_declare("ingest.notices", passive=True)


def replayed(host: VirtualHost, count: int) -> tuple[float, float]:
    """Seconds until all notices were read: by the adapter alone, and decoded by the bus thread."""
    return raw(host, count), through_thread(host, count)


def raw(host: VirtualHost, count: int) -> float:
    bus = AmqpBus(settings(host, heartbeat_s=30))
    begun, seen = time.monotonic(), 0
    while seen < count:
        for delivery in bus.poll(0.5):
            seen += 1
            bus.acknowledge(delivery, ())
    took = time.monotonic() - begun
    bus.close()
    return took


def through_thread(host: VirtualHost, count: int) -> float:
    inbox: Inbox = queue.SimpleQueue()
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        journal = open_journal(folder)
        thread = bus_thread(host, journal, inbox)
        ended = threading.Event()
        settle = threading.Thread(target=lambda: settle_all(inbox, count, ended.set), daemon=True)
        begun = time.monotonic()
        settle.start()
        thread.start()
        ended.wait()
        took = time.monotonic() - begun
        thread.stop(10)
        journal.close()
    return took


def settle_all(inbox: Inbox, count: int, ended: Callable[[], None]) -> None:
    for _ in range(count):
        item = inbox.get()
        assert isinstance(item, Noticed)
        item.done(())
    ended()


if __name__ == "__main__":
    main()
