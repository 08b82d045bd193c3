"""The connections of one store: those that wait for their next request, and many opened at once."""

from __future__ import annotations

import contextlib
import errno
import itertools
import math
import select
import socket
import ssl
import threading
import time
from collections.abc import Iterable, Sequence
from typing import Any

from ingestd.store.s3_wire import Connection, Endpoint, WireError, told

_TOGETHER = 0.25
"""How much of the time for connecting is spent on many at once: one that fails is tried again by itself."""

_SILENT_S = 300.0
"""For so long an address that did not answer comes after the others."""

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
        self._addresses = Addresses(endpoint)
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
            for sock in opened(self._addresses, self._trust(), lacking, timeout_s):
                found.append(Connection(sock, self._timeout_s))
        return found

    def _connection(self) -> Connection:
        context = self._trust()
        with told():
            sock = self._addresses.connected(self._connect_timeout_s)
            try:
                if context is not None:
                    sock = context.wrap_socket(sock, server_hostname=self.endpoint.address)
            except BaseException:
                sock.close()
                raise
        return Connection(sock, self._timeout_s)

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


class Addresses:
    """Where a store is: every address that its name has, asked for at each use. Safe between threads.

    Those of the kind that the system has come first (RFC 6724) have their turns, since a name with several
    addresses is often that of several gateways. One that did not answer comes last for a while.
    """

    def __init__(self, endpoint: Endpoint) -> None:
        self.endpoint = endpoint
        self._turns = itertools.count()
        self._silent: dict[Any, float] = {}
        """When each last did not answer, in monotonic seconds."""

    def found(self) -> list[_Address]:
        """In the order in which to try them. Raises OSError where the name has none."""
        try:
            some = socket.getaddrinfo(self.endpoint.address, self.endpoint.port, type=socket.SOCK_STREAM)
        except UnicodeError:
            raise OSError(f"{self.endpoint.address!r} cannot be the name of a host") from None
        alike = [each for each in some if each[0] == some[0][0]]
        turn = next(self._turns) % len(alike)
        others = [each for each in some if each[0] != some[0][0]]
        return sorted([*alike[turn:], *alike[:turn], *others], key=self._was_silent)

    def _was_silent(self, address: _Address) -> bool:
        return time.monotonic() - self._silent.get(address[4], -math.inf) < _SILENT_S

    def failed(self, address: _Address) -> None:
        self._silent[address[4]] = time.monotonic()

    def worked(self, address: _Address) -> None:
        self._silent.pop(address[4], None)

    def connected(self, timeout_s: float) -> socket.socket:
        """A connection to the first that answers, each within that time. Raises the last one's OSError."""
        *others, last = self.found()
        for address in others:
            with contextlib.suppress(OSError):
                return self._connected(address, timeout_s)
        return self._connected(last, timeout_s)

    def _connected(self, address: _Address, timeout_s: float) -> socket.socket:
        sock = socket.socket(*address[:3])
        try:
            sock.settimeout(timeout_s)
            sock.connect(address[4])
        except BaseException as error:
            sock.close()
            if isinstance(error, OSError):
                self.failed(address)
            raise
        self.worked(address)
        return sock


class _Opening:
    """One connection that is being opened, step by step. Every method raises OSError."""

    def __init__(
        self, addresses: Addresses, found: Sequence[_Address], context: ssl.SSLContext | None
    ) -> None:
        """`found`: to be tried one after the other."""
        self._addresses = addresses
        self._left = list(found)
        self._context = context
        self.connected = False
        self.sock = self._begun()

    def _begun(self) -> socket.socket:
        """The next address that does not refuse at once."""
        while True:
            self._at = self._left.pop(0)
            sock = socket.socket(*self._at[:3])
            sock.setblocking(False)
            number = sock.connect_ex(self._at[4])
            if number in (0, errno.EINPROGRESS):
                return sock
            sock.close()
            self._addresses.failed(self._at)
            if not self._left:
                raise OSError(number, "connect")

    def begin_again(self) -> bool:
        """After an error: whether another address is tried now."""
        self.close()
        if self.connected or not self._left:
            return False
        with contextlib.suppress(OSError):
            self.sock = self._begun()
            return True
        return False

    def step(self) -> int:
        """Go on as far as is possible now; what to poll for then, 0 when it is open."""
        if not self.connected:
            self._require_connected()
        if self._context is not None and not isinstance(self.sock, ssl.SSLSocket):
            self.sock = self._context.wrap_socket(
                self.sock, server_hostname=self._addresses.endpoint.address, do_handshake_on_connect=False
            )
        if not isinstance(self.sock, ssl.SSLSocket):
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
            self._addresses.failed(self._at)
            raise OSError(number, "connect")
        self.connected = True
        self._addresses.worked(self._at)

    def give_up(self) -> None:
        """There is no more time."""
        if not self.connected:
            self._addresses.failed(self._at)
        self.close()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.sock.close()


def opened(
    addresses: Addresses, context: ssl.SSLContext | None, count: int, timeout_s: float
) -> list[socket.socket]:
    """Up to so many new connections, opened together within that time, with TLS where there is a context.

    What goes wrong is not told: whoever lacks a connection opens one and hears why.
    """
    until = time.monotonic() + timeout_s
    ready, waiting, poll = list[socket.socket](), dict[int, _Opening](), select.poll()
    with contextlib.suppress(OSError):
        for _ in range(count):
            opening = _Opening(addresses, addresses.found(), context)
            waiting[opening.sock.fileno()] = opening
            poll.register(opening.sock, select.POLLOUT)
    while waiting and (left_s := until - time.monotonic()) > 0:
        for fd, _ in poll.poll(1000 * left_s):
            try:
                wanted = waiting[fd].step()
            except OSError:
                poll.unregister(fd)
                opening = waiting.pop(fd)
                if opening.begin_again():
                    waiting[opening.sock.fileno()] = opening
                    poll.register(opening.sock, select.POLLOUT)
                continue
            if wanted:
                poll.modify(fd, wanted)
            else:
                poll.unregister(fd)
                ready.append(waiting.pop(fd).sock)
    for opening in waiting.values():
        opening.give_up()
    return ready
