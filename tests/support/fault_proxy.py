"""A server between a store and its client that spoils chosen requests, in the ways that lines do."""

from __future__ import annotations

import contextlib
import http.client
import random
import re
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

FAULTS = (
    "delay",
    "reset",
    "busy",
    "error",
    "late error",
    "truncated",
    "lost answer",
    "wrong etag",
    "drip",
    "error in 200",
)
REFUSALS = {
    "skewed": ("403 Forbidden", "RequestTimeTooSkewed"),
    "expired": ("400 Bad Request", "ExpiredToken"),
    "denied": ("403 Forbidden", "AccessDenied"),
    "gone": ("404 Not Found", "NoSuchUpload"),
    "too many": ("429 Too Many Requests", "TooManyRequests"),
}
"""More faults: what a store answers without doing anything."""
PAGES = {"page": "200 OK", "page for 404": "404 Not Found", "page for 413": "413 Content Too Large"}
"""And what something in between answers: a page for people, well-formed enough to pass for XML."""
SEALED_ETAGS = "sealed etags"
"""For every request: ETags are no MD5s, though they look like them, as those of encrypted objects do."""
PAGE = "<!DOCTYPE html><html><body><h1>Harbour Wi-Fi</h1><p>Please sign in.</p></body></html>"


@dataclass(frozen=True)
class Seen:
    """One request that came by."""

    method: str
    target: str
    size_bytes: int
    headers: Mapping[str, str] = field(default_factory=dict, compare=False)
    """Names in lower case."""


Choose = Callable[[Seen], str | None]
"""The fault for a request, out of `FAULTS`, `REFUSALS` and `PAGES`; None for none."""


def at_random(seed: int, share: float, faults: tuple[str, ...] = FAULTS) -> Choose:
    """One request in so many is spoilt."""
    chance, lock = random.Random(seed), threading.Lock()

    def choose(seen: Seen) -> str | None:
        with lock:
            return chance.choice(faults) if chance.random() < share else None

    return choose


class FaultProxy:
    """Listens on a free port until it is closed. `choose` may be exchanged at any time."""

    def __init__(self, upstream: str) -> None:
        parts = urlsplit(upstream)
        self._upstream = (parts.hostname or "", parts.port or 80)
        self.choose: Choose = lambda seen: None
        self.done: Counter[str] = Counter()
        self.seen: list[Seen] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def __enter__(self) -> FaultProxy:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        upstream = http.client.HTTPConnection(*self._upstream, timeout=60)
        with (
            contextlib.suppress(OSError, http.client.HTTPException, _Enough),
            client,
            contextlib.closing(upstream),
        ):
            reader = client.makefile("rb")
            with reader:
                while True:
                    self._one(client, reader, upstream)

    def _one(self, client: socket.socket, reader, upstream: http.client.HTTPConnection) -> None:  # type: ignore[no-untyped-def]
        head = list(_head(reader))
        if not head:
            raise _Enough
        method, target, _ = head[0].split(" ", 2)
        headers = [(name, value.strip()) for name, _, value in (line.partition(":") for line in head[1:])]
        size = next((int(value) for name, value in headers if name.lower() == "content-length"), 0)
        seen = Seen(method, target, size, {name.lower(): value for name, value in headers})
        self.seen.append(seen)
        fault = self.choose(seen)
        if fault:
            self.done[fault] += 1
        if fault == "reset":
            reader.read(size // 2)
            _reset(client)
        body = reader.read(size)
        if fault == SEALED_ETAGS and method == "POST":
            body = _turned(body)
        if fault == "delay":
            time.sleep(0.15)
        early = _early(fault, method)
        if early is not None:
            client.sendall(early)
            return
        answer = _forward(upstream, method, target, headers, body)
        if fault == "lost answer":
            _reset(client)
        if fault == "late error":
            answer = _answer("500 Internal Server Error", "InternalError", method)
        if fault == SEALED_ETAGS:
            answer = _turned(answer)
        if fault == "wrong etag":
            answer = re.sub(rb'(?i)\r\netag: *"?[0-9a-f]{8}', b'\r\netag: "00000000', answer, count=1)
        if fault == "truncated":
            client.sendall(answer[: len(answer) // 2])
            raise _Enough
        if fault == "drip":
            for at in range(0, min(len(answer), 200), 5):
                client.sendall(answer[at : at + 5])
                time.sleep(0.002)
            answer = answer[200:]
        client.sendall(answer)


class _Enough(Exception):
    """Nothing more comes over this connection."""


def _head(reader) -> Iterator[str]:  # type: ignore[no-untyped-def]
    while (line := reader.readline().decode("latin-1")) not in ("\r\n", ""):
        yield line.rstrip("\r\n")


def _turned(text: bytes) -> bytes:
    """Every ETag read from its end: done twice it is what it was."""
    pattern = rb"(?i)(\r\netag: \"|<etag>(?:\"|&quot;|&#34;)?)([0-9a-f]{32})"
    return re.sub(pattern, lambda found: found[1] + found[2][::-1], text)


def _reset(client: socket.socket) -> None:
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    raise _Enough


def _early(fault: str | None, method: str) -> bytes | None:
    """An answer to a request that the store never gets to see."""
    if fault == "busy":
        return _answer("503 Slow Down", "SlowDown", method, "retry-after: 0\r\n")
    if fault == "error":
        return _answer("500 Internal Server Error", "InternalError", method)
    if fault in REFUSALS:
        return _answer(*REFUSALS[fault], method)
    if fault in PAGES:
        shown = "" if method == "HEAD" else PAGE
        head = f"HTTP/1.1 {PAGES[fault]}\r\ncontent-type: text/html\r\ncontent-length: {len(PAGE)}\r\n\r\n"
        return (head + shown).encode()
    if fault == "error in 200" and method == "POST":
        return _answer("200 OK", "InternalError", method)
    return None


def _answer(status: str, code: str, method: str, more: str = "") -> bytes:
    body = f"<?xml version='1.0'?><Error><Code>{code}</Code><Message>spoilt</Message></Error>"
    shown = "" if method == "HEAD" else body
    return f"HTTP/1.1 {status}\r\ncontent-length: {len(body)}\r\n{more}\r\n{shown}".encode()


def _forward(
    upstream: http.client.HTTPConnection,
    method: str,
    target: str,
    headers: list[tuple[str, str]],
    body: bytes,
) -> bytes:
    upstream.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
    for name, value in headers:
        upstream.putheader(name, value)
    upstream.endheaders(body if body else None)
    got = upstream.getresponse()
    content = got.read()
    lines = [f"HTTP/1.1 {got.status} {got.reason}"]
    plain = [
        (name, value)
        for name, value in got.getheaders()
        if name.lower() not in ("transfer-encoding", "connection", "content-length")
    ]
    length = got.headers.get("content-length") if method == "HEAD" else str(len(content))
    lines += [f"{name}: {value}" for name, value in plain]
    if got.status != 204 and length is not None:
        lines.append(f"content-length: {length}")
    return "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + content
