"""What a broker refuses in the middle of the work, and how long a call may take that waits for one."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

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


def test_a_message_that_is_too_large_for_the_broker_is_told_of_with_both_sizes(
    virtual_host: VirtualHost,
) -> None:
    with (
        set_in_broker(virtual_host, "max_message_size", 200),
        contextlib.closing(AmqpBus(settings(virtual_host))) as bus,
        pytest.raises(BusDown, match=r"takes no message of more than 200 bytes, and one of \d+ is to go out"),
    ):
        bus.publish([entry(1)])
    with contextlib.closing(AmqpBus(settings(virtual_host))) as bus:
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
