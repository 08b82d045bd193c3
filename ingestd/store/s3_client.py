"""Requests to one store: signed, sent at a pace, and their answers told apart. One try each.

Whoever calls decides about trying again; `transfer/stopping.py` does so. A store that is down is noticed
here, by the circuit that all requests pass.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol

from isal.isal_zlib import crc32

from ingestd.ports import Pace, PortError, StoreUnreachable
from ingestd.store.pacing import Allowance, without_limit
from ingestd.store.s3_circuit import Circuit, RetryBudget
from ingestd.store.s3_connections import ConnectionPool
from ingestd.store.s3_credentials import CredentialSource
from ingestd.store.s3_errors import clock_ahead_s, code_of, counts_against, error_of, is_page
from ingestd.store.s3_keys import url_path
from ingestd.store.s3_settings import S3Settings
from ingestd.store.s3_sign import (
    EMPTY_SHA256,
    STREAMING,
    UNSIGNED,
    ChunkSigner,
    Query,
    Signer,
    framed_bytes,
    query_text,
    stamp,
)
from ingestd.store.s3_wire import Answer, Connection, Endpoint, WireError

NOTHING = memoryview(b"")
ANSWER_S = 120.0
"""How long an answer may take in all, unless it may take longer than others."""
COMPLETE_S = 900.0
"""How long a store may take to put a large object together, without a word all that while."""
_CHUNK_BYTES = 1 << 20
_TOGETHER_BYTES = 256 << 10
_EXPECTED = {404, 412}
"""Answers that say how things are: nothing there, or something already."""
_RENEW = {"ExpiredToken", "ExpiredTokenException", "InvalidToken"}


class Told(Protocol):
    """Who counts how requests end."""

    def answered(self, method: str, seconds: float) -> None:
        """An answer came, so long after the request with its body was sent."""

    def worked(self) -> None:
        """The store is well."""

    def failed(self, kind: str, size_bytes: int) -> None:
        """`kind`: an HTTP status, or `unanswered`. `size_bytes`: of the body, which was sent in vain."""


class NobodyTold:
    """Implements `Told`."""

    def answered(self, method: str, seconds: float) -> None: ...

    def worked(self) -> None: ...

    def failed(self, kind: str, size_bytes: int) -> None: ...


class Framing(Enum):
    """How a body that comes block by block stands on the wire."""

    SIGNED = STREAMING
    """In chunks, each with a signature that covers its SHA-256 and all chunks before it."""
    TRAILER = "STREAMING-UNSIGNED-PAYLOAD-TRAILER"
    """In chunks, with a CRC-32 of all of them at the end."""
    NONE = UNSIGNED
    """As it is."""


@dataclass(frozen=True, slots=True)
class Stream:
    """A body that is not in memory as a whole: blocks of `block_bytes`, but for the last."""

    blocks: Iterator[memoryview]
    size_bytes: int
    block_bytes: int
    framing: Framing

    @property
    def chunk_bytes(self) -> int:
        return _CHUNK_BYTES if self.block_bytes % _CHUNK_BYTES == 0 else self.block_bytes

    def chunks(self) -> Iterator[memoryview]:
        for block in self.blocks:
            for at in range(0, len(block), self.chunk_bytes):
                yield block[at : at + self.chunk_bytes]

    @property
    def headers(self) -> dict[str, str]:
        if self.framing is Framing.NONE:
            return {}
        headers = {"content-encoding": "aws-chunked", "x-amz-decoded-content-length": str(self.size_bytes)}
        if self.framing is Framing.TRAILER:
            headers["x-amz-trailer"] = "x-amz-checksum-crc32"
        return headers

    @property
    def length(self) -> int:
        """On the wire."""
        if self.framing is Framing.SIGNED:
            return framed_bytes(self.size_bytes, self.chunk_bytes)
        if self.framing is Framing.NONE:
            return self.size_bytes
        full, rest = divmod(self.size_bytes, self.chunk_bytes)
        frames = full * len(_plain_frame(self.chunk_bytes)) + (len(_plain_frame(rest)) if rest else 0)
        ends = 2 * (full + bool(rest))
        return self.size_bytes + frames + ends + len(_trailer(0))


def _plain_frame(size_bytes: int) -> bytes:
    return f"{size_bytes:x}\r\n".encode()


def _trailer(checksum: int) -> bytes:
    value = base64.b64encode(checksum.to_bytes(4, "big"))
    return b"0\r\nx-amz-checksum-crc32:" + value + b"\r\n\r\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """`key` None is the bucket itself. `payload`: what the signature says of the body; None: its SHA-256."""

    method: str
    key: str | None = None
    query: Query = ()
    headers: Mapping[str, str] = field(default_factory=dict)
    body: memoryview = NOTHING
    stream: Stream | None = None
    payload: str | None = None
    answer_s: float = ANSWER_S

    @property
    def size_bytes(self) -> int:
        """Of the body."""
        return self.stream.size_bytes if self.stream else len(self.body)


@dataclass(slots=True)
class Begun:
    """A request that was sent and whose answer has not been received."""

    request: Request
    connection: Connection
    probing: bool
    answer: Answer | None = None
    sent_at: float = 0.0
    """Monotonic."""


class Client:
    """One store's connections, credentials and circuit. Safe between threads.

    Every method raises StoreUnreachable where no answer came, and what `CredentialSource` does.
    """

    def __init__(
        self,
        settings: S3Settings,
        url: str,
        now: Callable[[], float] = time.time,
    ) -> None:
        self.settings = settings
        self.circuit = Circuit()
        self.budget = RetryBudget()
        self.told: Told = NobodyTold()
        self.clock_ahead_s = 0.0
        """How far the store's clock is ahead of ours, once that was found out."""
        self.url = url
        self._now = now
        self._credentials = CredentialSource(settings)
        self._signer = Signer(settings.region)
        bucket_in_host = "" if settings.path_addressing else settings.bucket
        self._endpoint = Endpoint.of(url, bucket_in_host)
        self._root = f"/{settings.bucket}" if settings.path_addressing else ""
        self._pool = ConnectionPool(
            self._endpoint, settings.ca_file, settings.connect_timeout_s, settings.timeout_s
        )

    def __str__(self) -> str:
        return f"store {self.settings.name!r} at {self.url}"

    def close(self) -> None:
        self._pool.close()

    # -- a request and its whole answer -----------------------------------------------------------

    def ask(self, request: Request, pace: Pace = without_limit) -> Answer:
        """The answer, whatever its status is."""
        return self.end(self.begin(request, Allowance(request.size_bytes, pace)))

    def must(self, request: Request, pace: Pace = without_limit) -> Answer:
        """The answer, which says that it worked. Raises the PortError that it stands for otherwise."""
        return self.judged(self.ask(request, pace))

    def judged(self, answer: Answer) -> Answer:
        if 200 <= answer.status < 300 and not (answer.body and (code_of(answer) or is_page(answer))):
            return answer
        raise self.error_of(answer)

    def kept(self, answer: Answer) -> Answer:
        """The answer to a body, which says that the store has it: there is an ETag then, always."""
        if not self.judged(answer).headers.get("etag"):
            raise self.not_its_own("it took something without an ETag")
        return answer

    def not_its_own(self, what: str) -> StoreUnreachable:
        """An answer that no store gives."""
        error = StoreUnreachable(f"{self}: {what}; see whether something on the way answers in its place")
        error.reserve = self.budget.reserve
        return error

    def error_of(self, answer: Answer) -> PortError:
        """The error that an answer stands for, after what can be mended has been."""
        code = code_of(answer)
        if code in _RENEW:
            self._credentials.renew()
        if code == "RequestTimeTooSkewed":
            self.clock_ahead_s = clock_ahead_s(answer, self._now()) or 0.0
        error = error_of(answer, str(self))
        error.reserve = self.budget.reserve
        return error

    # -- in two steps, for several at a time ------------------------------------------------------

    @contextlib.contextmanager
    def connections(self, count: int) -> Iterator[list[Connection]]:
        """Up to so many connections for `begin`, opened together where they have to be; fewer, or none,
        where that fails. What is left in the list at the end is kept for others."""
        some = list[Connection]()
        if self.circuit.trouble is None:
            with contextlib.suppress(WireError):
                some = self._pool.take_some(count)
        try:
            yield some
        finally:
            self._pool.leave(some)
            some.clear()

    def begin(self, request: Request, allowance: Allowance, connection: Connection | None = None) -> Begun:
        """Send a request, over this connection or one of the store's."""
        with self._counted(request) as probing:
            head, signer = self._head(request)
            connection = connection or self._pool.take()
            begun = Begun(request, connection, probing)
            try:
                if request.stream is not None:
                    connection.send(head)
                    _send_stream(connection, request.stream, signer, allowance)
                else:
                    self._send(connection, head, request.body, allowance)
            except WireError:
                begun.answer = connection.last_words()
                connection.close()
                if begun.answer is None:
                    raise
            except BaseException:
                connection.close()
                raise
        begun.sent_at = time.monotonic()
        return begun

    @contextlib.contextmanager
    def _counted(self, request: Request) -> Iterator[bool]:
        """Tell the circuit how a request ends that gets no answer."""
        probing = self.circuit.enter()
        try:
            yield probing
        except WireError as error:
            raise self._unanswered(request, error, probing=probing) from error
        except BaseException:
            self.circuit.left(probing=probing)
            raise

    def _unanswered(self, request: Request, error: WireError, *, probing: bool) -> StoreUnreachable:
        self.told.failed("unanswered", request.size_bytes)
        told = StoreUnreachable(f"{self}: {error}; see to the line and the store, it is tried again")
        told.reserve = self.budget.reserve
        self.circuit.failed(str(told), probing=probing)
        return told

    def _send(self, connection: Connection, head: bytes, body: memoryview, allowance: Allowance) -> None:
        size = len(body)
        if not size:
            connection.send(head)
            return
        at = allowance.take(size)
        if at <= _TOGETHER_BYTES:
            connection.send_both(head, body[:at])
        else:
            connection.send(head)
            connection.send(body[:at])
        while at < size:
            some = allowance.take(size - at)
            connection.send(body[at : at + some])
            at += some

    def end(self, begun: Begun) -> Answer:
        """Receive the answer to a request that was sent."""
        answer = begun.answer or self._received(begun)
        self._told_by(answer, begun)
        return answer

    def _received(self, begun: Begun) -> Answer:
        until = time.monotonic() + begun.request.answer_s
        try:
            has_body, patient = begun.request.method != "HEAD", begun.request.answer_s > ANSWER_S
            answer = begun.connection.receive(until, has_body=has_body, patient=patient)
        except WireError as error:
            begun.connection.close()
            raise self._unanswered(begun.request, error, probing=begun.probing) from error
        except BaseException:
            self.drop(begun)
            raise
        self._pool.give_back(begun.connection)
        return answer

    def drop(self, begun: Begun) -> None:
        """Do without the answer."""
        begun.connection.close()
        self.circuit.left(probing=begun.probing)

    def _told_by(self, answer: Answer, begun: Begun) -> None:
        self.budget.earn()
        self.told.answered(begun.request.method, time.monotonic() - begun.sent_at)
        if answer.status >= 400 and answer.status not in _EXPECTED:
            self.told.failed(str(answer.status), begun.request.size_bytes)
        if counts_against(answer):
            self.circuit.failed(str(error_of(answer, str(self))), probing=begun.probing)
        else:
            self.circuit.succeeded(probing=begun.probing)
            if answer.status < 400:
                self.told.worked()

    # -- a long answer ----------------------------------------------------------------------------

    @contextlib.contextmanager
    def fetching(self, request: Request) -> Iterator[tuple[Answer, Iterator[bytes | bytearray]]]:
        """Head and body of an answer, the body as it comes. An error's body is in the answer itself."""
        begun = self.begin(request, Allowance(0, without_limit))
        connection = begun.connection
        try:
            status, headers = connection.receive_head(time.monotonic() + ANSWER_S)
            blocks = connection.blocks(headers)
            body = b"" if status in (200, 206) else b"".join(blocks)
            answer = Answer(status, headers, body)
            self._told_by(answer, begun)
            yield answer, blocks
        except WireError as error:
            connection.close()
            raise self._unanswered(begun.request, error, probing=begun.probing) from error
        except BaseException:
            self.drop(begun)
            raise
        self._pool.give_back(connection)

    # -- the head ---------------------------------------------------------------------------------

    def _head(self, request: Request) -> tuple[bytes, ChunkSigner]:
        secret = self._credentials.secret()
        path = self._root + ("/" + url_path(request.key) if request.key is not None else "") or "/"
        query = query_text(request.query) if request.query else ""
        at, stream = stamp(self._now() + self.clock_ahead_s), request.stream
        payload = stream.framing.value if stream else request.payload or _sha256(request.body)
        headers = {
            **request.headers,
            **(stream.headers if stream else {}),
            "host": self._endpoint.host,
            "x-amz-content-sha256": payload,
            "x-amz-date": at,
        }
        if secret.token:
            headers["x-amz-security-token"] = secret.token
        signature = self._signer.authorization(secret, request.method, path, query, headers)
        lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
        size = stream.length if stream else len(request.body)
        length = f"content-length: {size}\r\n" if size or request.method in ("PUT", "POST") else ""
        target = f"{path}?{query}" if query else path
        head = f"{request.method} {target} HTTP/1.1\r\n{lines}{length}authorization: {signature}\r\n\r\n"
        return head.encode("latin-1"), self._signer.chunks(secret, at, signature)


def _send_stream(connection: Connection, stream: Stream, signer: ChunkSigner, allowance: Allowance) -> None:
    framing, checksum, between = stream.framing, 0, b""
    for chunk in stream.chunks():
        if framing is Framing.SIGNED:
            between += signer.frame(chunk)
        elif framing is Framing.TRAILER:
            between += _plain_frame(len(chunk))
            checksum = crc32(chunk, checksum)
        at = 0
        while at < len(chunk):
            some = allowance.take(len(chunk) - at)
            connection.send_both(between, chunk[at : at + some])
            at, between = at + some, b""
        between = b"" if framing is Framing.NONE else b"\r\n"
    if framing is Framing.SIGNED:
        connection.send(between + signer.frame(b"") + b"\r\n")
    elif framing is Framing.TRAILER:
        connection.send(between + _trailer(checksum))


def _sha256(body: memoryview) -> str:
    return hashlib.sha256(body).hexdigest() if body else EMPTY_SHA256
