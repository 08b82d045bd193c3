"""What a broker refuses in the middle of the work, and how long a call may take that waits for one."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.amqp.settings import Address
from ingestd.ports import BusDown, Delivery, Position
from tests.support.broker import VirtualHost
from tests.support.daemon import wait_for
from tests.support.post_office import entry, notice, settings
from tests.support.proxy import Proxy


@contextlib.contextmanager
def set_in_broker(host: VirtualHost, name: str, value: int) -> Iterator[None]:
    """A setting of the broker that new channels go by."""
    ctl = host.broker.node().ctl
    before = ctl("eval", f"application:get_env(rabbit, {name}).").strip()
    ctl("eval", f"application:set_env(rabbit, {name}, {value}).")
    try:
        yield
    finally:
        undo = f"application:set_env(rabbit, {name}, {before[4:-1]})."
        ctl("eval", undo if before.startswith("{ok,") else f"application:unset_env(rabbit, {name}).")


def arrivals(bus: AmqpBus, count: int) -> list[Delivery]:
    """The next deliveries, so many of them."""
    found: list[Delivery] = []

    def enough() -> bool:
        found.extend(bus.poll(0.2))
        return len(found) >= count

    wait_for(enough, 20, f"{count} deliveries")
    return found


def test_a_message_that_is_too_large_for_the_broker_holds_up_none_but_its_own_subject(
    virtual_host: VirtualHost,
) -> None:
    large = replace(entry(2, subject="load-2"), body=b"x" * 5_000)
    entries = [entry(1, subject="load-1"), large, entry(3, subject="load-2"), entry(4, subject="load-3")]
    with (
        set_in_broker(virtual_host, "max_message_size", 4_000),
        contextlib.closing(AmqpBus(settings(virtual_host))) as bus,
    ):
        taken: set[int] = set()
        for _ in range(3):
            published = bus.publish([one for one in entries if one.sequence not in taken])
            taken.update(published.taken)
            assert set(published.refused) == {2}
            assert "no message of more than 4,000 bytes, and this one has 5,000" in published.refused[2]
        assert taken == {1, 4}
        # Only the first try cost a connection.
        assert list(bus.publish([entry(5, subject="load-4")]).taken) == [5]
    heard = [message.id for message in virtual_host.read_stream("ingest.audit")]
    assert set(heard) == {entry(number).event_id for number in (1, 4, 5)}


def test_what_was_too_large_is_tried_again_over_a_new_connection(virtual_host: VirtualHost) -> None:
    large = replace(entry(1, subject="load-1"), body=b"x" * 5_000)
    with contextlib.closing(AmqpBus(settings(virtual_host))) as bus:
        with set_in_broker(virtual_host, "max_message_size", 4_000):
            assert set(bus.publish([large]).refused) == {1}
            assert list(bus.publish([entry(2, subject="load-2")]).taken) == [2]
        assert set(bus.publish([large]).refused) == {1}, "the broker has not been asked again"
        virtual_host.close_connections()

        def taken() -> bool:
            with contextlib.suppress(BusDown):
                bus.poll(0.05)
                return list(bus.publish([large]).taken) == [1]
            return False

        wait_for(taken, 30, "the large event to be taken")


def test_a_copy_for_people_that_is_too_large_costs_no_connection_twice(virtual_host: VirtualHost) -> None:
    virtual_host.send(b"x" * 5_000)
    with (
        contextlib.closing(AmqpBus(settings(virtual_host))) as bus,
        set_in_broker(virtual_host, "max_message_size", 4_000),
    ):
        (found,) = arrivals(bus, 1)
        for _ in range(2):
            with pytest.raises(BusDown, match="no message of more than 4,000 bytes, and this one has 5,000"):
                bus.acknowledge(found, ["notice: is not JSON"])
        assert list(bus.publish([entry(1)]).taken) == [1]


def test_a_delivery_that_stays_open_for_too_long_costs_the_connection_and_no_notice(
    virtual_host: VirtualHost,
) -> None:
    """RabbitMQ, consumer acknowledgement timeout: https://www.rabbitmq.com/docs/consumers"""
    virtual_host.send(notice(0), notice(1))
    with contextlib.ExitStack() as stack:
        stack.enter_context(set_in_broker(virtual_host, "channel_tick_interval", 500))
        stack.enter_context(set_in_broker(virtual_host, "consumer_timeout", 1000))
        bus = stack.enter_context(contextlib.closing(AmqpBus(settings(virtual_host))))
        found = arrivals(bus, 2)
        words = "has waited longer than 1 seconds for an acknowledgement; reading goes on"
        with pytest.raises(BusDown, match=words):
            for _ in range(50):
                assert not bus.poll(0.2), "nothing is delivered twice over one connection"
        virtual_host.send(notice(2))
        for delivery in found:
            bus.acknowledge(delivery, ())
        found += arrivals(bus, 1)
    assert [each.position for each in found] == [Position("ingest.notices", number) for number in range(3)]


def test_a_broker_that_does_not_answer_keeps_nobody_from_seeing_that_the_bus_moves(
    virtual_host: VirtualHost,
) -> None:
    """The service manager's watchdog is fed by what `moved` says, also within a call that waits for long."""
    with Proxy(virtual_host.broker.host, virtual_host.broker.port) as proxy:
        way = (Address("127.0.0.1", proxy.port, tls=False),)
        bus = AmqpBus(settings(virtual_host, addresses=way, confirm_s=5.0, heartbeat_s=60))
        with contextlib.closing(bus):
            assert list(bus.publish([entry(1)]).taken) == [1]
            proxy.silence()
            said: list[str] = []

            def publish() -> None:
                try:
                    bus.publish([entry(2)])
                except BusDown as error:
                    said.append(str(error))

            thread, longest, began = threading.Thread(target=publish), 0.0, time.monotonic()
            thread.start()
            while thread.is_alive():
                longest = max(longest, time.monotonic() - bus.moved())
                time.sleep(0.05)
    assert time.monotonic() - began > 4.0, "the call took long"
    assert longest < 2.5
    assert "has confirmed nothing for 5 seconds" in said[0]
