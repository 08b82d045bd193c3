"""Many connections opened at once, and how many objects are on their way over them."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from ingestd.ports import StoreBusy
from ingestd.store import s3_listing
from ingestd.store.s3 import S3Store
from ingestd.store.s3_batch import _Batch
from ingestd.store.s3_connections import Addresses, ConnectionPool, opened
from ingestd.store.s3_flight import Flight
from ingestd.store.s3_objects import Objects, Whole
from ingestd.store.s3_wire import Answer, Connection, Endpoint, WireError
from tests.support import s3_servers
from tests.support.s3_servers import certificate
from tests.support.scripted_store import ABLE, served, told_of
from tests.support.stores import at_will, content, put, small, some_bytes

MANY = 12


def endpoint(port: int, *, tls: bool = False) -> Endpoint:
    return Endpoint("127.0.0.1", port, tls, "127.0.0.1")


def pool_of(host: str, port: int, connect_timeout_s: float = 10.0) -> ConnectionPool:
    return ConnectionPool(Endpoint(host, port, False, host), None, connect_timeout_s, 10)


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0), backlog=64) as made:
        yield made


class Handshakes:
    """A server that begins no handshake before all clients are there: one after the other never ends."""

    def __init__(self, listener: socket.socket, folder: Path, count: int) -> None:
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._context.load_cert_chain(*map(str, certificate(folder)))
        self._listener = listener
        self._count = count
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        clients = [self._listener.accept()[0] for _ in range(self._count)]
        each = [threading.Thread(target=self._shake, args=(client,), daemon=True) for client in clients]
        for thread in each:
            thread.start()
        for thread in each:
            thread.join()

    def _shake(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), self._context.wrap_socket(client, server_side=True) as wrapped:
            wrapped.recv(1)


def test_they_are_connected_together(listener: socket.socket) -> None:
    port = listener.getsockname()[1]
    made = opened(Addresses(endpoint(port)), None, MANY, 10)
    assert len(made) == MANY
    for sock in made:
        assert sock.getpeername()[1] == port
        sock.close()


def test_tls_is_begun_on_all_of_them_at_a_time(listener: socket.socket, tmp_path: Path) -> None:
    server = Handshakes(listener, tmp_path, MANY)
    context = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    made = opened(Addresses(endpoint(listener.getsockname()[1], tls=True)), context, MANY, 60)
    assert len(made) == MANY
    for sock in made:
        assert isinstance(sock, ssl.SSLSocket)
        assert sock.version() is not None
        sock.close()
    server.thread.join(60)


def test_a_server_that_is_not_trusted_gives_none(listener: socket.socket, tmp_path: Path) -> None:
    server = Handshakes(listener, tmp_path, 2)
    at = Addresses(endpoint(listener.getsockname()[1], tls=True))
    assert opened(at, ssl.create_default_context(), 2, 60) == []
    server.thread.join(60)


def test_where_nobody_listens_there_are_none() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    assert opened(Addresses(endpoint(port)), None, 3, 10) == []


def test_those_that_wait_are_taken_first(listener: socket.socket) -> None:
    pool = ConnectionPool(endpoint(listener.getsockname()[1]), None, 10, 10)
    with contextlib.closing(pool):
        first = pool.take_some(3)
        pool.leave(first)
        second = pool.take_some(5)
        assert set(first) < set(second)
        assert len(second) == 5
        pool.leave(second)


# -- a name with several addresses --------------------------------------------------------------------


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, list[str]], None]:
    """Gives a host these addresses, in their order."""
    known = dict[str, list[str]]()
    real = socket.getaddrinfo

    def getaddrinfo(host: str, *rest: object, **more: object) -> list[object]:
        return [found for each in known.get(host, [host]) for found in real(each, *rest, **more)]  # type: ignore[arg-type]

    monkeypatch.setattr(socket, "getaddrinfo", getaddrinfo)
    return known.__setitem__


@contextlib.contextmanager
def silent(port: int, address: str) -> Iterator[None]:
    """An address at which nobody ever answers: its queue is full."""
    with contextlib.ExitStack() as stack:
        stack.enter_context(socket.create_server((address, port), backlog=0))
        for _ in range(3):
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex((address, port))
        yield


def peers(made: Iterable[socket.socket | Connection]) -> set[str]:
    socks = [each._sock if isinstance(each, Connection) else each for each in made]
    return {sock.getpeername()[0] for sock in socks}


def test_where_one_address_refuses_the_next_one_is_taken(
    listener: socket.socket, names: Callable[[str, list[str]], None]
) -> None:
    names("quay.example", ["127.0.0.9", "127.0.0.1"])
    port = listener.getsockname()[1]
    with contextlib.closing(pool_of("quay.example", port)) as pool:
        for _ in range(3):
            made = pool.take_some(MANY)
            assert (len(made), peers(made)) == (MANY, {"127.0.0.1"})
            single = pool.take()
            assert peers([single]) == {"127.0.0.1"}


def test_an_address_that_stays_silent_is_waited_for_once(
    listener: socket.socket, names: Callable[[str, list[str]], None]
) -> None:
    names("quay.example", ["127.0.0.9", "127.0.0.1"])
    port = listener.getsockname()[1]
    with (
        silent(port, "127.0.0.9"),
        contextlib.closing(pool_of("quay.example", port, connect_timeout_s=4.0)) as pool,
    ):
        began = time.monotonic()
        first = pool.take()
        assert peers([first]) == {"127.0.0.1"}
        assert time.monotonic() - began >= 3.9
        began = time.monotonic()
        assert len(pool.take_some(MANY)) == MANY
        assert peers([pool.take(), pool.take(), pool.take()]) == {"127.0.0.1"}
        assert time.monotonic() - began < 3.5
    with (
        silent(port, "127.0.0.9"),
        contextlib.closing(pool_of("quay.example", port, connect_timeout_s=4.0)) as pool,
    ):
        assert len(pool.take_some(MANY)) < MANY
        began = time.monotonic()
        assert peers([pool.take() for _ in range(3)]) == {"127.0.0.1"}
        assert time.monotonic() - began < 3.5


def test_all_addresses_of_a_store_have_their_share(
    listener: socket.socket, names: Callable[[str, list[str]], None]
) -> None:
    """Several gateways behind one name: whoever takes the first address only leaves the others idle."""
    port = listener.getsockname()[1]
    names("quay.example", ["127.0.0.1", "127.0.0.9"])
    with (
        socket.create_server(("127.0.0.9", port), backlog=64),
        contextlib.closing(pool_of("quay.example", port)) as pool,
    ):
        assert peers(pool.take_some(4)) == {"127.0.0.1", "127.0.0.9"}
        assert peers([pool.take(), pool.take()]) == {"127.0.0.1", "127.0.0.9"}


def test_a_name_that_moves_is_followed(
    listener: socket.socket, names: Callable[[str, list[str]], None]
) -> None:
    port = listener.getsockname()[1]
    names("quay.example", ["127.0.0.1"])
    with (
        socket.create_server(("127.0.0.9", port), backlog=64),
        contextlib.closing(pool_of("quay.example", port)) as pool,
    ):
        assert peers([pool.take()]) == {"127.0.0.1"}
        names("quay.example", ["127.0.0.9"])
        assert peers([pool.take(), *pool.take_some(2)]) == {"127.0.0.9"}


def test_what_is_no_name_at_all_is_an_error_of_the_line(listener: socket.socket) -> None:
    for name in ("x" * 70 + ".example", "nowhere.invalid"):
        with contextlib.closing(pool_of(name, listener.getsockname()[1])) as pool:
            assert pool.take_some(2) == []
            with pytest.raises(WireError):
                pool.take()


def test_over_ipv6_too() -> None:
    able = Answer(200, {"etag": '"x"', "content-length": "4"})
    with served([able, Answer(200, {"etag": '"x"'}, b"kelp")], "::1") as at:
        keys = str(s3_servers.shared("moto")._credentials())
        store = S3Store(told_of(at.url, credentials_file=keys), ABLE)
        assert store.stat(b"a") is not None
        assert content(store, b"a") == b"kelp"
        port = at.url.rpartition(":")[2]
        assert all(f"host: [::1]:{port}\r\n" in head for head in at.heads)


def test_a_bucket_may_be_part_of_the_host(names: Callable[[str, list[str]], None]) -> None:
    """Swift takes the bucket from the host then, and the signature covers the host."""
    server = s3_servers.shared("swift")
    names(f"tides.{s3_servers.SWIFT_DOMAIN}", ["127.0.0.1"])
    port = server.url.rpartition(":")[2]
    url = f"http://{s3_servers.SWIFT_DOMAIN}:{port}"
    settings = server.settings("tides", endpoint=url, path_addressing=False, prefix="by-host")
    store, body = S3Store(settings), some_bytes(150_000)
    put(store, b"dive/sonar 1 \xff.age", body)
    store.put_batch([small(b"tiles/1", b"kelp")], at_will)
    assert content(store, b"dive/sonar 1 \xff.age") == body
    by_path = s3_servers.open_store(server, "tides", prefix="by-host")
    assert content(by_path, b"tiles/1") == b"kelp"
    assert {each.key for each in s3_listing.objects(store._client, "by-host/")} == {
        "by-host/dive/sonar 1 %FF.age",
        "by-host/tiles/1",
    }


# -- how many are on their way ------------------------------------------------------------------------


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def flown(flight: Flight, clock: Clock, away_s: float, seconds: float, per_second: float) -> None:
    """Answers as they come when a window is full, on a line that carries so many a second."""
    until = clock.now + seconds
    while clock.now < until:
        clock.now += 1 / min(per_second, flight.width / away_s)
        flight.answered(clock.now - away_s)


def test_a_batch_on_a_short_line_keeps_what_its_thread_needs() -> None:
    clock = Clock()
    flight = Flight(16, 500, clock)
    with flight.joined(100) as first:
        assert first == 16
        flown(flight, clock, 0.001, 10, 2000)
        assert flight.width == 16


def test_a_refusal_says_nothing_about_the_line() -> None:
    """A store that is busy answers at once, which must not pass for a short line."""
    heard, answers = list[float](), iter([True, False, True])

    def answered(*_: object) -> bool:
        if next(answers):
            return False
        raise StoreBusy("slow down")

    objects = SimpleNamespace(
        probe=SimpleNamespace(abilities=lambda: SimpleNamespace(conditional_put=True)),
        client=SimpleNamespace(
            begin=lambda *_: SimpleNamespace(sent_at=float(len(heard))), end=lambda _: Answer(503)
        ),
        flight=SimpleNamespace(width=8, answered=heard.append),
        request=lambda *_: (None, None),
        answered=answered,
    )
    wholes = [Whole(b"%d" % n, str(n), memoryview(b"x"), b"") for n in range(3)]
    with pytest.raises(StoreBusy):
        _Batch(cast(Objects, objects), wholes, at_will, 8, []).put()
    assert len(heard) == 2


def test_batches_share_what_a_long_line_needs() -> None:
    clock = Clock()
    flight = Flight(16, 500, clock)
    with flight.joined(100), flight.joined(100):
        pass
    with flight.joined(8) as few:
        assert few == 8
        flown(flight, clock, 0.1, 20, 2000)
        alone = flight.width
        assert 200 < alone <= 500
        with flight.joined(1000) as both:
            assert both == alone // 2
