"""The connections of one store: those that wait for their next request, and many opened at once."""

from __future__ import annotations

import contextlib
import errno
import itertools
import select
import socket
import ssl
import threading
import time
from collections.abc import Iterable
from typing import Any

from ingestd.store.s3_wire import Connection, Endpoint, WireError

_TOGETHER = 0.25
"""How much of the time for connecting is spent on many at once: one that fails is tried again by itself."""

_Address = tuple[socket.AddressFamily, socket.SocketKind, int, str, Any]
"""As `getaddrinfo` has it."""


class ConnectionPool:
    """Connections of one store that wait for their next request. Safe between threads."""

    def __init__(
        self,
        endpoint: Endpoint,
        ca_file: str | None,
        connect_timeout_s: float,
        timeout_s: float,
    ) -> None:
        self.endpoint = endpoint
        self._ca_file = ca_file
        self._context: ssl.SSLContext | None = None
        self._connect_timeout_s = connect_timeout_s
        self._timeout_s = timeout_s
        self._idle: list[Connection] = []
        self._lock = threading.Lock()

    def __del__(self) -> None:
        # A store that nobody uses any more has nobody who closes its idle connections.
        self.close()

    def take(self) -> Connection:
        """A connection of one's own, the one used last first. Raises WireError."""
        now = time.monotonic()
        while True:
            with self._lock:
                if not self._idle:
                    break
                connection = self._idle.pop()
            if connection.is_usable(now):
                return connection
            connection.close()
        return self._connection()

    def take_some(self, count: int) -> list[Connection]:
        """Up to so many connections. What lacks is opened together, in the time that one of them takes; what
        cannot be is left out. Raises WireError where there is no trust to begin with."""
        found = list[Connection]()
        now = time.monotonic()
        with self._lock:
            at = max(0, len(self._idle) - count)
            kept, self._idle = self._idle[at:], self._idle[:at]
        for connection in kept:
            if connection.is_usable(now):
                found.append(connection)
            else:
                connection.close()
        lacking = count - len(found)
        if lacking > 0:
            timeout_s = self._connect_timeout_s * _TOGETHER
            for sock in opened(self.endpoint, self._trust(), lacking, timeout_s):
                found.append(self._connection(sock))
        return found

    def _connection(self, sock: socket.socket | None = None) -> Connection:
        return Connection(self.endpoint, self._trust(), self._connect_timeout_s, self._timeout_s, sock)

    def leave(self, connections: Iterable[Connection]) -> None:
        """Give back what was taken and not used. Those that nobody has needed for long are closed."""
        now = time.monotonic()
        with self._lock:
            self._idle.extend(connections)
            old = sum(1 for _ in itertools.takewhile(lambda each: each.is_old(now), self._idle))
            closed, self._idle = self._idle[:old], self._idle[old:]
        for connection in closed:
            connection.close()

    def _trust(self) -> ssl.SSLContext | None:
        """Read at the first connection, so that a file that is not there is an error like any other."""
        if self.endpoint.tls and self._context is None:
            try:
                self._context = ssl.create_default_context(cafile=self._ca_file)
            except OSError as error:
                raise WireError(f"ca_file cannot be used: {error.strerror or error}") from error
        return self._context

    def give_back(self, connection: Connection) -> None:
        """Keep a connection for later, if it can be used again."""
        if not connection.is_done:
            connection.close()
            return
        connection.idle_since = time.monotonic()
        with self._lock:
            self._idle.append(connection)

    def close(self) -> None:
        with self._lock:
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()


class _Opening:
    """One connection that is being opened, step by step. Every method raises OSError."""

    def __init__(self, endpoint: Endpoint, to: _Address, context: ssl.SSLContext | None) -> None:
        family, kind, protocol, _, address = to
        self._context = context
        self._name = endpoint.address
        self.sock = socket.socket(family, kind, protocol)
        self.sock.setblocking(False)
        number = self.sock.connect_ex(address)
        if number not in (0, errno.EINPROGRESS):
            self.close()
            raise OSError(number, "connect")

    def step(self) -> int:
        """Go on as far as is possible now; what to poll for then, 0 when it is open."""
        if self._context is not None and not isinstance(self.sock, ssl.SSLSocket):
            self._require_connected()
            self.sock = self._context.wrap_socket(
                self.sock, server_hostname=self._name, do_handshake_on_connect=False
            )
        if not isinstance(self.sock, ssl.SSLSocket):
            self._require_connected()
            return 0
        try:
            self.sock.do_handshake()
        except ssl.SSLWantReadError:
            return select.POLLIN
        except ssl.SSLWantWriteError:
            return select.POLLOUT
        return 0

    def _require_connected(self) -> None:
        if number := self.sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(number, "connect")

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.sock.close()


def opened(
    endpoint: Endpoint, context: ssl.SSLContext | None, count: int, timeout_s: float
) -> list[socket.socket]:
    """Up to so many new connections, opened together within that time, with TLS where there is a context.

    What goes wrong is not told: whoever lacks a connection opens one and hears why.
    """
    until = time.monotonic() + timeout_s
    ready, waiting, poll = list[socket.socket](), dict[int, _Opening](), select.poll()
    with contextlib.suppress(OSError):
        found = socket.getaddrinfo(endpoint.address, endpoint.port, type=socket.SOCK_STREAM)
        for _ in range(count):
            opening = _Opening(endpoint, found[0], context)
            waiting[opening.sock.fileno()] = opening
            poll.register(opening.sock, select.POLLOUT)
    while waiting and (left_s := until - time.monotonic()) > 0:
        for fd, _ in poll.poll(1000 * left_s):
            try:
                wanted = waiting[fd].step()
            except OSError:
                poll.unregister(fd)
                waiting.pop(fd).close()
                continue
            if wanted:
                poll.modify(fd, wanted)
            else:
                poll.unregister(fd)
                ready.append(waiting.pop(fd).sock)
    for opening in waiting.values():
        opening.close()
    return ready
