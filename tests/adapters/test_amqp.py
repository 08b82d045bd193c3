"""The bus over a real RabbitMQ: what goes out, what comes in, and what is not taken."""

from __future__ import annotations

import contextlib
import json
import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.amqp.consumer import BUFFER_BYTES_MAX
from ingestd.bus.amqp.settings import Settings
from ingestd.bus.strict import BODY_MAX
from ingestd.ports import BusDown, Delivery, Position
from tests.support.broker import PASSWORD, STATION_USER, VirtualHost
from tests.support.daemon import wait_for
from tests.support.post_office import entry, notice, settings

NOTICES = "ingest.notices"

Make = Callable[..., AmqpBus]


@pytest.fixture
def make_bus(virtual_host: VirtualHost) -> Iterator[Make]:
    """Buses of stations, all on the same virtual host."""
    with contextlib.ExitStack() as stack:

        def make(made: Settings | None = None, **changes: Any) -> AmqpBus:
            bus = AmqpBus(made or settings(virtual_host, **changes))
            stack.callback(bus.close)
            return bus

        yield make


@pytest.fixture
def bus(make_bus: Make) -> AmqpBus:
    return make_bus()


def arrivals(bus: AmqpBus, count: int) -> list[Delivery]:
    """The next deliveries, so many of them, none acknowledged."""
    found: list[Delivery] = []

    def enough() -> bool:
        found.extend(bus.poll(0.2))
        return len(found) >= count

    wait_for(enough, 20, f"{count} deliveries")
    return found


def silence(bus: AmqpBus) -> Sequence[Delivery]:
    """What comes within a while; nothing, it is hoped."""
    return [delivery for _ in range(3) for delivery in bus.poll(0.2)]


# -- going out -------------------------------------------------------------------------------------


def test_an_event_arrives_as_it_was_said(virtual_host: VirtualHost, bus: AmqpBus) -> None:
    sent = entry(1, "load-1", "ingest.job.failed")
    assert list(bus.publish([sent]).taken) == [1]
    (message,) = virtual_host.read_stream("ingest.audit", 1)
    properties = message.properties
    assert message.body == sent.body
    assert (properties.message_id, properties.type) == ("event-1", "ingest.job.failed")
    assert properties.content_type == "application/cloudevents+json"
    (void,) = virtual_host.read_queue("ingest.voids")
    assert void.body == sent.body
    assert void.properties.delivery_mode == 2, "persistent"
    assert void.properties.headers["ingest-subject"] == "load-1"


def test_many_events_keep_the_order_of_each_subject(virtual_host: VirtualHost, bus: AmqpBus) -> None:
    entries = [entry(number) for number in range(600)]
    assert sorted(bus.publish(entries).taken) == list(range(600))
    numbers = [json.loads(m.body)["sequence"] for m in virtual_host.read_stream("ingest.audit", 600)]
    for subject in range(6):
        of_one = [number for number in numbers if number % 6 == subject]
        assert of_one == sorted(of_one)
        assert len(of_one) == 100


def test_an_event_that_no_queue_takes_holds_back_its_subject_only(
    virtual_host: VirtualHost, bus: AmqpBus
) -> None:
    with virtual_host.channel() as channel:
        channel.queue_unbind("ingest.audit", "ingest.events", "#")
    entries = [
        entry(1, "load-1", "ingest.load.held"),
        entry(2, "load-1", "ingest.load.progressed"),
        entry(3, "load-1", "ingest.load.held"),
        entry(4, "load-2", "ingest.load.held"),
    ]
    published = bus.publish(entries)
    assert sorted(published.taken) == [1, 4]
    assert set(published.refused) == {2}
    assert (
        "no queue takes it: no route from the exchange ingest.events by ingest.load.progr"
        in (published.refused[2])
    )
    assert [m.id for m in virtual_host.read_queue("ingest.alerts")] == ["event-1", "event-4"]
    with virtual_host.channel() as channel:
        channel.queue_bind("ingest.audit", "ingest.events", "#")
    assert sorted(bus.publish(entries[1:3]).taken) == [2, 3]


def test_an_event_that_a_full_queue_refuses_is_tried_again_by_the_caller(
    virtual_host: VirtualHost, bus: AmqpBus
) -> None:
    full = {"x-queue-type": "classic", "x-max-length": 1, "x-overflow": "reject-publish"}
    with virtual_host.channel() as channel:
        channel.queue_declare("narrow", durable=True, arguments=full)
        channel.queue_bind("narrow", "ingest.events", "ingest.load.held")
    held = [entry(number, f"load-{number % 2}", "ingest.load.held") for number in range(4)]
    held.append(entry(9, "load-9"))
    published = bus.publish(held)
    assert 9 in published.taken, "what that queue has no part in goes out"
    assert all("(nack)" in reason for reason in published.refused.values())
    refused = [e.subject for e in held if e.sequence in published.refused]
    assert refused
    assert len(refused) == len(set(refused)), "nothing of a subject is tried behind one that was refused"
    tried = {*published.taken, *published.refused}
    behind = [e for e in held if e.sequence not in tried]
    assert all(e.sequence - 2 in published.refused for e in behind), "only what stands behind was not tried"
    with virtual_host.channel() as channel:
        channel.queue_delete("narrow")
    again = [e for e in held if e.sequence not in published.taken]
    assert sorted(bus.publish(again).taken) == [e.sequence for e in again]


# -- coming in -------------------------------------------------------------------------------------


def test_every_station_reads_every_notice(virtual_host: VirtualHost, make_bus: Make) -> None:
    virtual_host.send(*(notice(number) for number in range(5)))
    for station in ("quay-03", "quay-04"):
        found = arrivals(make_bus(station=station), 5)
        assert [delivery.body for delivery in found] == [notice(number) for number in range(5)]
        assert [delivery.position for delivery in found] == [Position(NOTICES, n) for n in range(5)]
        assert len({delivery.origin for delivery in found}) == 5


def test_reading_goes_on_behind_what_was_acted_on(virtual_host: VirtualHost, make_bus: Make) -> None:
    virtual_host.send(*(notice(number) for number in range(6)))
    bus = make_bus()
    bus.follow({NOTICES: 3, "somebody-elses": 7})
    assert [delivery.body for delivery in arrivals(bus, 2)] == [notice(4), notice(5)]
    virtual_host.send(notice(6))
    assert [delivery.body for delivery in arrivals(bus, 1)] == [notice(6)]


def test_after_a_lost_connection_nothing_is_left_out(virtual_host: VirtualHost, bus: AmqpBus) -> None:
    virtual_host.send(*(notice(number) for number in range(4)))
    first = arrivals(bus, 4)
    virtual_host.close_connections()
    virtual_host.send(notice(4))
    with pytest.raises(BusDown, match=r"CONNECTION_FORCED - closed for a test|has hung up"):
        wait_for(lambda: bus.poll(0.2), 10, "the end of the connection")
    bus.acknowledge(first[0], ())
    assert [delivery.body for delivery in arrivals(bus, 1)] == [notice(4)]


def test_a_stream_that_ends_before_our_position_is_not_waited_for_in_silence(
    virtual_host: VirtualHost, make_bus: Make
) -> None:
    """RabbitMQ delivers nothing there until the stream has grown past the position."""
    virtual_host.send(notice(0), notice(1))
    bus = make_bus(open_s=1.0)
    bus.follow({NOTICES: 5})
    with pytest.raises(
        BusDown, match=r"ingest\.notices, or has it anew: it ends before 5, .*; make a stream"
    ):
        bus.poll(0.0)
    virtual_host.send(*(notice(number) for number in range(2, 8)))
    assert [delivery.body for delivery in arrivals(bus, 2)] == [notice(6), notice(7)]


def test_no_more_is_taken_than_may_be_under_way(virtual_host: VirtualHost, make_bus: Make) -> None:
    virtual_host.send(*(notice(number) for number in range(9)))
    bus = make_bus(prefetch=3)
    first = arrivals(bus, 3)
    assert len(first) == 3
    assert silence(bus) == []
    for delivery in first[1:]:
        bus.acknowledge(delivery, ())
    assert len(arrivals(bus, 2)) == 2


def test_a_delivery_that_is_not_settled_does_not_keep_those_behind_it(
    virtual_host: VirtualHost, make_bus: Make
) -> None:
    """Up to the first gap all is acknowledged in one word: what lies beyond must not be, nor wait for it."""
    virtual_host.send(*(notice(number) for number in range(12)))
    bus = make_bus(prefetch=4)
    stuck, *others = arrivals(bus, 4)
    for _ in range(3):
        for delivery in others:
            bus.acknowledge(delivery, ())
        others = arrivals(bus, len(others)) if others[-1].body != notice(9) else []
    assert silence(bus) and not silence(bus), "all but the one that is stuck make room"
    bus.acknowledge(stuck, ())


def test_what_waits_to_be_taken_is_bounded_by_its_size(virtual_host: VirtualHost, bus: AmqpBus) -> None:
    body = b" " * (1 << 20)
    virtual_host.send(*[body] * 48)
    bus.publish([entry(1)])
    found = [each.position for each in arrivals(bus, 1)]
    tracemalloc.start()
    try:
        # The line for notices moves as well while events are confirmed, and nobody takes what it brings.
        for number in range(2, 200):
            bus.publish([entry(number)])
            time.sleep(0.01)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < BUFFER_BYTES_MAX + (4 << 20)
    found += [each.position for each in arrivals(bus, 48 - len(found))]
    assert found == [Position(NOTICES, number) for number in range(48)]


def test_what_other_stations_say_comes_in_as_far_as_stations_need_it(
    virtual_host: VirtualHost, make_bus: Make
) -> None:
    other = make_bus(station="quay-04")
    kinds = ["ingest.load.progressed", "ingest.job.loaded", "ingest.load.away", "ingest.load.started"]
    other.publish([entry(number, type_=kind) for number, kind in enumerate(kinds)])
    found = arrivals(make_bus(), 2)
    assert [json.loads(delivery.body)["sequence"] for delivery in found] == [1, 2]
    assert [delivery.position for delivery in found] == [Position("ingest.claims", n) for n in range(2)]


# -- poison ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "properties", "words"),
    [
        (b"{", {}, None),
        (b" " * (20 << 20), {}, None),
        (notice(1), {"content_type": "text/html"}, "content type 'text/html'; send application/cloud"),
        (notice(1), {"content_encoding": "gzip"}, "content encoding 'gzip'; send plain UTF-8"),
    ],
    ids=["no JSON", "20 MiB", "content type", "content encoding"],
)
def test_a_message_that_cannot_be_understood_is_copied_for_people_and_left_behind(
    virtual_host: VirtualHost, make_bus: Make, body: bytes, properties: dict[str, str], words: str | None
) -> None:
    virtual_host.send(body, **properties)
    virtual_host.send(notice(7))
    for station in ("quay-03", "quay-04"):
        bus = make_bus(station=station)
        poison, good = arrivals(bus, 2)
        assert (poison.body, good.body) == (body, notice(7))
        assert good.flaws == ()
        assert [words in flaw for flaw in poison.flaws] == [True] if words else poison.flaws == ()
        bus.acknowledge(poison, ("notice: is not\nwell", *poison.flaws))
        bus.acknowledge(good, ())
    copies = virtual_host.read_queue("ingest.refused")
    assert [copy.body == body for copy in copies] == [True, True]
    assert {copy.id for copy in copies} == {"amqp:ingest.notices:0"}, "one id, so that repeats can be dropped"
    headers = copies[1].properties.headers
    assert headers["ingest-problems"] == ["notice: is not well", *poison.flaws]
    assert (headers["ingest-station"], headers["ingest-stream"]) == ("quay-04", NOTICES)
    assert headers["ingest-offset"] == 0
    assert len(body) < BODY_MAX or copies[0].properties.headers["ingest-offset"] == 0


def test_a_message_without_a_content_type_is_judged_by_its_body(
    virtual_host: VirtualHost, bus: AmqpBus
) -> None:
    virtual_host.send(notice(1), content_type=None)
    virtual_host.send(notice(2), content_type="application/json; charset=utf-8", content_encoding="UTF-8")
    assert [delivery.flaws for delivery in arrivals(bus, 2)] == [(), ()]


def test_a_message_that_cannot_be_copied_is_not_let_go(virtual_host: VirtualHost, bus: AmqpBus) -> None:
    virtual_host.send(b"{")
    (poison,) = arrivals(bus, 1)
    with virtual_host.channel() as channel:
        channel.queue_unbind("ingest.refused", "ingest.refused", "")
    with pytest.raises(BusDown, match="copy for people cannot be kept: no queue takes it"):
        bus.acknowledge(poison, ("is no JSON",))
    with virtual_host.channel() as channel:
        channel.queue_bind("ingest.refused", "ingest.refused", "")
    bus.acknowledge(poison, ("is no JSON",))
    assert len(virtual_host.read_queue("ingest.refused")) == 1


# -- credentials -----------------------------------------------------------------------------------


def test_a_password_that_was_changed_is_taken_at_the_next_connection(
    virtual_host: VirtualHost, make_bus: Make
) -> None:
    manager = virtual_host.broker.manager
    user = f"rotating-{virtual_host.name}"
    manager.ctl("add_user", user, "old")
    virtual_host.ctl("set_permissions", user, "^$", ".*", ".*")
    secrets = ["old"]
    bus = make_bus(user=user, password=lambda: secrets[-1])
    try:
        virtual_host.send(notice(1))
        assert len(arrivals(bus, 1)) == 1
        manager.ctl("change_password", user, "new")
        virtual_host.close_connections()
        with pytest.raises(BusDown, match=f"refuses the name or password of the user {user}"):
            for _ in range(20):
                with contextlib.suppress(BusDown):
                    bus.poll(0.2)
                bus.publish([entry(1)])
        secrets.append("new")
        virtual_host.send(notice(2))
        assert [delivery.body for delivery in arrivals(bus, 1)] == [notice(2)]
    finally:
        manager.ctl("delete_user", user)


def test_the_user_of_a_station_may_do_no_more_than_a_station_does(virtual_host: VirtualHost) -> None:
    import pika

    broker = virtual_host.broker
    credentials = pika.PlainCredentials(STATION_USER, PASSWORD)
    parameters = pika.ConnectionParameters(broker.host, broker.port, virtual_host.name, credentials)
    with contextlib.closing(pika.BlockingConnection(parameters)) as connection:
        deeds: list[Callable[[Any], Any]] = [
            lambda channel: channel.queue_delete("ingest.notices"),
            lambda channel: channel.queue_declare("of-my-own", durable=True),
            lambda channel: channel.basic_publish("ingest.notices", "", b"{}"),
            lambda channel: channel.basic_publish("", "ingest.notices", b"{}"),
            lambda channel: channel.basic_get("ingest.voids"),
        ]
        for deed in deeds:
            channel = connection.channel()
            channel.confirm_delivery()
            with pytest.raises(pika.exceptions.ChannelClosedByBroker, match="ACCESS_REFUSED"):
                deed(channel)
