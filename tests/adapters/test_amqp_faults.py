"""Whatever happens to a broker: no notice and no event is lost, and none changes places.

Each fault comes several times, at moments that its seed decides, while events are decided and notices
are sent without a pause.
"""

from __future__ import annotations

import contextlib
import gc
import json
import random
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from ingestd.bus.amqp.settings import Address
from ingestd.runtime import lane
from tests.support.broker import VirtualHost, definitions
from tests.support.daemon import wait_for
from tests.support.post_office import PostOffice, settings
from tests.support.proxy import Proxy

# pika leaves the sockets of connections that a broker refuses, as one does that is being stopped or started.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")

TIMES = 2


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(lane, "LONGEST_PAUSE_S", 0.3)
    yield
    gc.collect()  # what was left, while nobody minds


@contextlib.contextmanager
def office(host: VirtualHost, **changes: Any) -> Iterator[tuple[PostOffice, Proxy]]:
    """A post office at work whose way to the broker can be silenced."""
    with Proxy(host.broker.host, host.broker.port) as proxy:
        way = (Address("127.0.0.1", proxy.port, tls=False),)
        made = PostOffice(host, settings(host, addresses=way, **changes))
        with made.at_work():
            yield made, proxy


def moments(seed: int, count: int = TIMES) -> Iterator[None]:
    chance = random.Random(seed)
    for _ in range(count):
        time.sleep(chance.uniform(0.05, 0.6))
        yield


def goes_on(made: PostOffice) -> None:
    """Notices come in and events go out."""
    noticed, sent = len(made.noticed), made.decided
    wait_for(lambda: len(made.noticed) > noticed + 3, 20, "more notices")
    wait_for(lambda: _oldest(made) > sent, 20, "more events")
    wait_for(lambda: not made.thread.trouble, 20, f"the end of {made.thread.trouble}")


def _oldest(made: PostOffice) -> int:
    first = made.outbox.outbox(1)
    return first[0].sequence if first else made.decided + 1


def told(made: PostOffice, words: str, within_s: float = 30.0) -> None:
    wait_for(lambda: any(words in text for text in made.thread.trouble), within_s, f"{words!r}")


@pytest.mark.parametrize("seed", range(2))
def test_the_broker_ends_all_connections(virtual_host: VirtualHost, seed: int) -> None:
    with office(virtual_host) as (made, _):
        for _ in moments(seed):
            virtual_host.close_connections()
            goes_on(made)


@pytest.mark.parametrize("seed", range(2))
def test_the_network_hangs_up(virtual_host: VirtualHost, seed: int) -> None:
    with office(virtual_host) as (made, proxy):
        for _ in moments(seed, 2 * TIMES):
            proxy.cut()
        goes_on(made)


@pytest.mark.parametrize("seed", range(2))
def test_the_network_falls_silent(virtual_host: VirtualHost, seed: int) -> None:
    """Half-open sockets: missing confirmations and heartbeats are all there is to see."""
    with office(virtual_host) as (made, proxy):
        for _ in moments(seed, 1):
            proxy.silence()
            goes_on(made)


def test_the_broker_stops_and_starts(virtual_host: VirtualHost) -> None:
    node = virtual_host.broker.node()
    with office(virtual_host) as (made, _):
        for _ in moments(3, 1):
            node.ctl("stop_app")
            wait_for(lambda: made.thread.trouble, 30, "the trouble")
            node.ctl("start_app")
            goes_on(made)


def test_the_broker_is_killed(virtual_host: VirtualHost) -> None:
    node = virtual_host.broker.node()
    with office(virtual_host) as (made, _):
        for _ in moments(4, 1):
            node.kill()
            told(made, "no notices")
            node.start()
            goes_on(made)


@pytest.mark.parametrize("long", [False, True], ids=["briefly", "past the limit"])
def test_the_broker_is_short_of_memory(virtual_host: VirtualHost, long: bool) -> None:
    """It takes nothing then, but notices that are there already go on coming in."""
    node = virtual_host.broker.node()
    with office(virtual_host) as (made, _):
        for _ in moments(5, 1):
            node.ctl("set_vm_memory_high_watermark", "absolute", "1MB")
            try:
                told(made, "no events go out: the broker amqp://127.0.0.1")
                told(made, "takes nothing at the moment")
                if long:
                    told(made, "has taken nothing for too long")
            finally:
                node.ctl("set_vm_memory_high_watermark", "absolute", "2GB")
            goes_on(made)


def _recreate(host: VirtualHost) -> None:
    host.broker.manager.ctl("import_definitions", given=json.dumps(definitions([host.name])))


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda channel: channel.exchange_delete("ingest.events"), "has no exchange ingest.events"),
        (lambda channel: channel.queue_delete("ingest.claims"), "has no queue ingest.claims"),
    ],
    ids=["channel closed: the exchange is gone", "consumer cancelled: a stream is gone"],
)
def test_the_broker_loses_what_a_station_needs(
    virtual_host: VirtualHost, break_it: Callable[..., None], words: str
) -> None:
    with office(virtual_host) as (made, _):
        for _ in moments(6, 1):
            with virtual_host.channel() as channel:
                break_it(channel)
            told(made, words)
            told(made, "import_definitions")
            _recreate(virtual_host)
            goes_on(made)


@pytest.mark.parametrize("gone", ["password", "user"])
def test_the_credentials_of_a_station_end_in_the_middle_of_the_work(
    virtual_host: VirtualHost, gone: str
) -> None:
    manager, user = virtual_host.broker.manager, f"passing-{virtual_host.name}"

    def give() -> None:
        if gone == "user":
            manager.ctl("add_user", user, "secret")
            virtual_host.ctl("set_permissions", user, "^$", ".*", ".*")
        else:
            manager.ctl("change_password", user, "secret")

    manager.ctl("add_user", user, "secret")
    try:
        virtual_host.ctl("set_permissions", user, "^$", ".*", ".*")
        with office(virtual_host, user=user, password=lambda: "secret") as (made, _):
            for _ in moments(7, 1):
                if gone == "user":
                    manager.ctl("delete_user", user)
                else:
                    manager.ctl("change_password", user, "another")
                virtual_host.close_connections()
                told(made, f"refuses the name or password of the user {user}")
                give()
                goes_on(made)
    finally:
        manager.ctl("delete_user", user)


def test_another_broker_is_tried_when_one_is_away(virtual_host: VirtualHost) -> None:
    broker = virtual_host.broker
    with Proxy(broker.host, 1) as dead, Proxy(broker.host, broker.port) as alive:
        ways = tuple(Address("127.0.0.1", port, tls=False) for port in (1, dead.port, alive.port))
        with PostOffice(virtual_host, settings(virtual_host, addresses=ways)).at_work() as made:
            alive.cut()
            goes_on(made)
