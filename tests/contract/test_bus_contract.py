"""What every bus does, be it a folder or a broker."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Protocol

import pytest

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.spool import SpoolBus, put_notice
from ingestd.ports import Bus, Delivery
from tests.support.broker import VirtualHost
from tests.support.daemon import wait_for
from tests.support.post_office import entry, notice, settings


class Place(Protocol):
    """Where a bus is, as those see it who send notices and read events."""

    def open(self) -> Bus:
        """A bus as a station opens it, which has acted on nothing yet."""

    def send(self, *bodies: bytes) -> None: ...

    def events(self, count: int) -> list[bytes]:
        """The first so many events, in the order of those who follow them."""

    def set_aside(self) -> list[bytes]:
        """Notices that were refused."""


class SpoolPlace:
    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._number = 0
        SpoolBus(str(folder)).prepare()

    def open(self) -> Bus:
        return SpoolBus(str(self._folder), settle_s=0.05)

    def send(self, *bodies: bytes) -> None:
        for body in bodies:
            self._number += 1
            put_notice(str(self._folder), body, f"n-{self._number:04}")

    def events(self, count: int) -> list[bytes]:
        return [path.read_bytes() for path in sorted((self._folder / "events").iterdir())][:count]

    def set_aside(self) -> list[bytes]:
        return [path.read_bytes() for path in sorted((self._folder / "refused").glob("*.json"))]


class BrokerPlace:
    def __init__(self, host: VirtualHost) -> None:
        self._host = host

    def open(self) -> Bus:
        return AmqpBus(settings(self._host))

    def send(self, *bodies: bytes) -> None:
        self._host.send(*bodies)

    def events(self, count: int) -> list[bytes]:
        return [message.body for message in self._host.read_stream("ingest.audit", count)]

    def set_aside(self) -> list[bytes]:
        return [message.body for message in self._host.read_queue("ingest.refused")]


@pytest.fixture(params=["spool", "broker"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    if request.param == "spool":
        return SpoolPlace(tmp_path)
    host: VirtualHost = request.getfixturevalue("virtual_host")
    return BrokerPlace(host)


@pytest.fixture
def open_bus(place: Place) -> Iterator[Callable[[], Bus]]:
    opened: list[Bus] = []

    def make() -> Bus:
        opened.append(place.open())
        opened[-1].follow({})
        return opened[-1]

    yield make
    for bus in opened:
        bus.close()


def arrivals(bus: Bus, count: int) -> list[Delivery]:
    found: list[Delivery] = []

    def enough() -> bool:
        found.extend(bus.poll(0.2))
        return len(found) >= count

    wait_for(enough, 20, f"{count} deliveries")
    return found


def bodies(deliveries: Sequence[Delivery]) -> list[bytes]:
    return [delivery.body for delivery in deliveries]


def test_notices_arrive_as_they_were_sent_and_in_that_order(
    place: Place, open_bus: Callable[[], Bus]
) -> None:
    sent = [notice(number) for number in range(4)]
    place.send(*sent)
    bus = open_bus()
    found = arrivals(bus, 4)
    assert bodies(found) == sent
    assert len({delivery.origin for delivery in found}) == 4
    assert list(bus.poll(0.2)) == [], "each of them once"


def test_what_was_not_acknowledged_comes_again_as_the_same_delivery(
    place: Place, open_bus: Callable[[], Bus]
) -> None:
    place.send(notice(1), notice(2))
    first = arrivals(open_bus(), 2)
    again = arrivals(open_bus(), 2)
    assert [delivery.origin for delivery in again] == [delivery.origin for delivery in first]
    assert bodies(again) == bodies(first)


def test_a_notice_with_problems_is_set_aside_as_it_came(place: Place, open_bus: Callable[[], Bus]) -> None:
    place.send(b"\x00 no notice", notice(1))
    bus = open_bus()
    bad, good = sorted(arrivals(bus, 2), key=lambda delivery: delivery.body != b"\x00 no notice")
    bus.acknowledge(bad, ("notice: is not JSON",))
    bus.acknowledge(good, ())
    assert place.set_aside() == [b"\x00 no notice"]


def test_an_acknowledgement_may_be_said_again(place: Place, open_bus: Callable[[], Bus]) -> None:
    place.send(notice(1))
    bus = open_bus()
    (delivery,) = arrivals(bus, 1)
    bus.acknowledge(delivery, ())
    bus.acknowledge(delivery, ())
    place.send(notice(2))
    assert bodies(arrivals(bus, 1)) == [notice(2)]


def test_events_are_there_when_they_count_as_taken(place: Place, open_bus: Callable[[], Bus]) -> None:
    bus = open_bus()
    assert list(bus.publish([]).taken) == []
    entries = [entry(number, "load-1") for number in range(1, 6)]
    published = bus.publish(entries)
    assert sorted(published.taken) == [1, 2, 3, 4, 5]
    assert published.refused == {}
    assert place.events(5) == [each.body for each in entries]


def test_an_event_that_is_published_again_is_the_same_again(
    place: Place, open_bus: Callable[[], Bus]
) -> None:
    bus = open_bus()
    for _ in range(2):
        assert list(bus.publish([entry(1)]).taken) == [1]
    assert {json.loads(body)["sequence"] for body in place.events(2)} == {1}


def test_a_bus_that_is_as_it_should_be_has_no_problems(place: Place, open_bus: Callable[[], Bus]) -> None:
    assert list(open_bus().problems()) == []
