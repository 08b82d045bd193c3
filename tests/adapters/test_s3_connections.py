"""Many connections opened at once, and how many objects are on their way over them."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from ingestd.ports import StoreBusy
from ingestd.store.s3_batch import _Batch
from ingestd.store.s3_connections import ConnectionPool, opened
from ingestd.store.s3_flight import Flight
from ingestd.store.s3_objects import Objects, Whole
from ingestd.store.s3_wire import Answer, Endpoint
from tests.support.s3_servers import certificate
from tests.support.stores import at_will

MANY = 12


def endpoint(port: int, *, tls: bool = False) -> Endpoint:
    return Endpoint("127.0.0.1", port, tls, "127.0.0.1")


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
    made = opened(endpoint(port), None, MANY, 10)
    assert len(made) == MANY
    for sock in made:
        assert sock.getpeername()[1] == port
        sock.close()


def test_tls_is_begun_on_all_of_them_at_a_time(listener: socket.socket, tmp_path: Path) -> None:
    server = Handshakes(listener, tmp_path, MANY)
    context = ssl.create_default_context(cafile=str(tmp_path / "cert.pem"))
    made = opened(endpoint(listener.getsockname()[1], tls=True), context, MANY, 60)
    assert len(made) == MANY
    for sock in made:
        assert isinstance(sock, ssl.SSLSocket)
        assert sock.version() is not None
        sock.close()
    server.thread.join(60)


def test_a_server_that_is_not_trusted_gives_none(listener: socket.socket, tmp_path: Path) -> None:
    server = Handshakes(listener, tmp_path, 2)
    assert opened(endpoint(listener.getsockname()[1], tls=True), ssl.create_default_context(), 2, 60) == []
    server.thread.join(60)


def test_where_nobody_listens_there_are_none() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    assert opened(endpoint(port), None, 3, 10) == []


def test_those_that_wait_are_taken_first(listener: socket.socket) -> None:
    pool = ConnectionPool(endpoint(listener.getsockname()[1]), None, 10, 10)
    with contextlib.closing(pool):
        first = pool.take_some(3)
        pool.leave(first)
        second = pool.take_some(5)
        assert set(first) < set(second)
        assert len(second) == 5
        pool.leave(second)


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
