"""HTTP/1.1 as far as an object store needs it: kept connections, bodies straight from their memory.

Written to RFC 9112. Nothing is followed, cached or tried again here: one request, one answer, or WireError.
"""

from __future__ import annotations

import contextlib
import re
import select
import socket
import ssl
import struct
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

HEAD_BYTES_MAX = 64 << 10
BODY_BYTES_MAX = 16 << 20
"""Of an answer that is read whole: listings and errors."""
_RECEIVE_BYTES = 64 << 10
_JOINED_BYTES = 256 << 10
_IDLE_MAX_S = 20.0
"""Servers commonly close what has been idle for longer."""
_DIGITS = {10: re.compile(r"[0-9]{1,18}\s*\Z"), 16: re.compile(r"[0-9A-Fa-f]{1,15}\s*\Z")}
_LAST_WORDS_S = 1.0
"""How long to wait for what a server says that has stopped listening."""


class WireError(Exception):
    """The connection did not carry a request and its answer."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where to connect. `host` is as it stands in the Host header."""

    address: str
    port: int
    tls: bool
    host: str

    @classmethod
    def of(cls, url: str, bucket_in_host: str = "") -> Endpoint:
        parts = urlsplit(url)
        tls = parts.scheme == "https"
        address = f"{bucket_in_host}.{parts.hostname}" if bucket_in_host else (parts.hostname or "")
        port = parts.port or (443 if tls else 80)
        shown = f"[{address}]" if ":" in address else address
        host = shown if parts.port in (None, 443 if tls else 80) else f"{shown}:{port}"
        return cls(address, port, tls, host)


@dataclass(frozen=True, slots=True)
class Answer:
    """Status, headers with names in lower case, and the body if it was read."""

    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""


class Connection:
    """One connection, for one thread at a time. Every method raises WireError."""

    def __init__(self, connected: socket.socket, timeout_s: float) -> None:
        """`connected` is its own from now on, and speaks TLS already where it is to."""
        self._timeout_s = timeout_s
        self._ahead = bytearray()
        self._wants_more = False
        self._closes = False
        self._patient = False
        self.idle_since = time.monotonic()
        self._sock = connected
        self._gathers = not isinstance(connected, ssl.SSLSocket)
        try:
            with told():
                connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connected.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
                self._set_timeouts(connected, plain=self._gathers)
        except BaseException:
            connected.close()
            raise

    def _set_timeouts(self, sock: socket.socket, *, plain: bool) -> None:
        if not plain:
            self._sock.settimeout(self._timeout_s)
            return
        # The kernel's own limits: a timeout of Python's would cost a poll before each call.
        limit = struct.pack("ll", int(self._timeout_s), int(self._timeout_s % 1 * 1e6))
        sock.settimeout(None)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, limit)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, limit)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._sock.close()

    def __del__(self) -> None:
        if hasattr(self, "_sock"):
            self.close()

    def is_old(self, now: float) -> bool:
        """Whether its server may well have closed it."""
        return now - self.idle_since > _IDLE_MAX_S

    def is_usable(self, now: float) -> bool:
        """Whether an idle connection can be expected to carry one more request."""
        if self.is_old(now):
            return False
        # Whatever there is to be read now is the end, or the end is near; TLS may have a ticket for us.
        poll = select.poll()
        poll.register(self._sock, select.POLLIN)
        return not poll.poll(0) or self._only_a_ticket()

    def _only_a_ticket(self) -> bool:
        if not isinstance(self._sock, ssl.SSLSocket):
            return False
        try:
            self._sock.settimeout(0)
            return bool(self._sock.recv(1)) and False
        except ssl.SSLWantReadError:
            return True
        except OSError:
            return False
        finally:
            self._sock.settimeout(self._timeout_s)

    # -- sending ----------------------------------------------------------------------------------

    def send(self, data: bytes | memoryview) -> None:
        with told():
            self._sock.sendall(data)

    def send_both(self, head: bytes, body: memoryview) -> None:
        """A head and a body, at once where that costs no copy that matters."""
        with told():
            if not self._gathers and len(body) <= _JOINED_BYTES:
                self._sock.sendall(b"".join((head, body)))
                return
            if not self._gathers:
                self._sock.sendall(head)
                self._sock.sendall(body)
                return
            sent = self._sock.sendmsg((head, body))
            if sent < len(head):
                self._sock.sendall(head[sent:])
                sent = len(head)
            if sent < len(head) + len(body):
                self._sock.sendall(body[sent - len(head) :])

    def last_words(self) -> Answer | None:
        """The answer of a server that closed its end in the middle of a body; None if there is none."""
        try:
            # Python's own timeout: this connection is not used again.
            self._sock.settimeout(_LAST_WORDS_S)
            return self.receive(time.monotonic() + _LAST_WORDS_S)
        except (WireError, OSError):
            return None

    # -- receiving --------------------------------------------------------------------------------

    def receive(self, until: float, *, has_body: bool = True, patient: bool = False) -> Answer:
        """The whole answer, which has to be there by then, in monotonic seconds. `patient`: it may stand
        still until then."""
        self._patient = patient
        status, headers = self.receive_head(until)
        body = b""
        if has_body and status not in (204, 304):
            for block in self.blocks(headers, until):
                body += block
                if len(body) > BODY_BYTES_MAX:
                    raise WireError("an answer does not end")
        else:
            self._wants_more = False
        return Answer(status, headers, body)

    def receive_head(self, until: float) -> tuple[int, dict[str, str]]:
        self._wants_more = True
        while True:
            status, headers = _parsed(self._head(until))
            if status >= 200:
                self._closes = "close" in headers.get("connection", "").lower()
                return status, headers

    def _head(self, until: float) -> bytes:
        data = self._ahead
        while (end := data.find(b"\r\n\r\n")) < 0:
            if len(data) > HEAD_BYTES_MAX:
                raise WireError("the head of an answer does not end")
            data += self._some(until)
        head = bytes(data[:end])
        del data[: end + 4]
        return head

    def _some(self, until: float) -> bytes:
        if self._patient:
            self._await(until)
        if time.monotonic() > until:
            raise WireError("the answer came too slowly")
        with told():
            got = self._sock.recv(_RECEIVE_BYTES)
        if not got:
            raise WireError("the store closed the connection before its answer was complete")
        return got

    def _await(self, until: float) -> None:
        """Return once there is something to receive, or nothing more to hope for."""
        if isinstance(self._sock, ssl.SSLSocket) and self._sock.pending():
            return
        poll = select.poll()
        poll.register(self._sock, select.POLLIN)
        poll.poll(max(0.0, 1000 * (until - time.monotonic())))

    def blocks(self, headers: Mapping[str, str], until: float | None = None) -> Iterator[bytes | bytearray]:
        """The body of an answer whose head was received, piece by piece."""
        until = float("inf") if until is None else until
        if "chunked" in headers.get("transfer-encoding", "").lower():
            yield from self._chunks(until)
        elif "content-length" in headers:
            yield from self._counted(_number(headers["content-length"], 10), until)
        else:
            yield from self._to_the_end()
            return
        self._wants_more = False

    def _counted(self, left: int, until: float) -> Iterator[bytes | bytearray]:
        while left:
            got = self._ahead or self._some(until)
            if len(got) > left:
                got, self._ahead = got[:left], bytearray(got[left:])
            else:
                self._ahead = bytearray()
            left -= len(got)
            yield got

    def _chunks(self, until: float) -> Iterator[bytes | bytearray]:
        while size := _number(self._line(until).split(b";")[0].decode("latin-1"), 16):
            yield from self._counted(size, until)
            self._line(until)
        while self._line(until):
            pass

    def _line(self, until: float) -> bytes:
        data = self._ahead
        while (end := data.find(b"\r\n")) < 0:
            if len(data) > HEAD_BYTES_MAX:
                raise WireError("a line of an answer does not end")
            data += self._some(until)
        line = bytes(data[:end])
        del data[: end + 2]
        return line

    def _to_the_end(self) -> Iterator[bytes | bytearray]:
        if self._ahead:
            yield bytes(self._ahead)
        with told():
            while got := self._sock.recv(_RECEIVE_BYTES):
                yield got

    @property
    def is_done(self) -> bool:
        """Whether the last answer was read to its end and the connection stays open."""
        return not (self._wants_more or self._closes or self._ahead)


@contextlib.contextmanager
def told() -> Iterator[None]:
    """What the system says of a connection, as WireError."""
    try:
        yield
    except BlockingIOError as error:
        raise WireError("it stood still for too long") from error
    except TimeoutError as error:
        raise WireError("it stood still for too long") from error
    except ssl.SSLCertVerificationError as error:
        raise WireError(f"its certificate is not trusted: {error.verify_message}") from error
    except ssl.SSLError as error:
        raise WireError(f"TLS failed: {error.reason or error}") from error
    except OSError as error:
        raise WireError(error.strerror or str(error)) from error


def _parsed(head: bytes) -> tuple[int, dict[str, str]]:
    first, *lines = head.decode("latin-1").split("\r\n")
    version, _, rest = first.partition(" ")
    if not version.startswith("HTTP/1.") or not _DIGITS[10].match(rest[:3]):
        raise WireError("the answer is not HTTP")
    headers = {}
    for line in lines:
        name, _, value = line.partition(":")
        headers[name.lower()] = value.strip()
    if version == "HTTP/1.0" and headers.get("connection", "").lower() != "keep-alive":
        headers["connection"] = "close"
    return int(rest[:3]), headers


def _number(text: str, base: int) -> int:
    if not _DIGITS[base].match(text):
        raise WireError("the length of an answer is no number")
    return int(text, base)
