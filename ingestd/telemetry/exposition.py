"""Metrics and health over HTTP, for Prometheus and for whoever asks whether the station works.

`/metrics`, `/livez` (does it move?) and `/readyz` (can it do its work?), the last two with a line for each
thing that is wrong and status 503. A thread of its own accepts, one for each request answers. Slow clients
have ten seconds, and no more than a few are heard at a time: nobody can take the daemon's memory this way.
"""

from __future__ import annotations

import base64
import hmac
import socket
import ssl
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer

from prometheus_client import CollectorRegistry, make_wsgi_app

from ingestd.telemetry import logs

_CLIENTS = 8
_CLIENT_S = 10.0
_AGAIN_S = 10.0
_TEXT = (("Content-Type", "text/plain; charset=utf-8"), ("Cache-Control", "no-store"))

Problems = Callable[[], Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """Where to listen and whom to answer. `password` is asked for at each request; without one all are."""

    host: str
    port: int
    certificate_file: str | None = None
    key_file: str | None = None
    user: str | None = None
    password: Callable[[], str] | None = None


class Exposition:
    """Serves until it is closed. An address that is taken is tried again: no load waits for it."""

    def __init__(
        self, listening: Listening, registry: CollectorRegistry, not_alive: Problems, not_ready: Problems
    ) -> None:
        """`not_alive` and `not_ready`: what is wrong, in words; empty while nothing is."""
        self._listening = listening
        self._metrics = make_wsgi_app(registry)
        self._not_alive, self._not_ready = not_alive, not_ready
        self._closed = threading.Event()
        self._server: _Server | None = None
        self.trouble = ""
        """Why nothing is served, in words."""
        self._thread = threading.Thread(target=self._run, name="exposition", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._closed.set()
        if self._server is not None:
            self._server.shutdown()
        self._thread.join(2)

    @property
    def port(self) -> int | None:
        """Where it listens, once it does."""
        return self._server.server_port if self._server is not None else None

    def _run(self) -> None:
        while not self._closed.is_set():
            try:
                server = _Server(self._listening, self._answer)
            except (OSError, ssl.SSLError) as error:
                self._failed(error)
                self._closed.wait(_AGAIN_S)
                continue
            self.trouble = ""
            with server:
                self._server = server
                logs.get().info("metrics_served", host=self._listening.host, port=server.server_port)
                if not self._closed.is_set():
                    server.serve_forever(poll_interval=0.2)

    def _failed(self, error: Exception) -> None:
        where = f"{self._listening.host}:{self._listening.port}"
        if not self.trouble:
            logs.get().error("metrics_not_served", address=where, text=str(error))
        self.trouble = f"metrics are not served at {where} ({error}): correct [metrics], or free the address"

    # -- requests ---------------------------------------------------------------------------------

    def _answer(self, environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        if not self._may_ask(environ):
            start("401 Unauthorized", [*_TEXT, ("WWW-Authenticate", 'Basic realm="ingestd"')])
            return [b"name and password, please\n"]
        path = environ.get("PATH_INFO", "")
        if environ.get("REQUEST_METHOD") not in ("GET", "HEAD"):
            start("405 Method Not Allowed", [*_TEXT, ("Allow", "GET, HEAD")])
            return [b"only to be looked at\n"]
        if path == "/metrics":
            return self._metrics(environ, start)  # type: ignore[no-any-return]
        if path == "/livez":
            return _health(self._not_alive(), "alive", start)
        if path == "/readyz":
            return _health([*self._not_alive(), *self._not_ready()], "ready", start)
        start("404 Not Found", [*_TEXT])
        return [b"here are /metrics, /livez and /readyz\n"]

    def _may_ask(self, environ: dict[str, Any]) -> bool:
        listening = self._listening
        if listening.password is None:
            return True
        scheme, _, given = environ.get("HTTP_AUTHORIZATION", "").partition(" ")
        try:
            wanted = f"{listening.user}:{listening.password()}".encode()
            shown = base64.b64decode(given, validate=True)
        except (OSError, ValueError):
            return False
        return scheme.lower() == "basic" and hmac.compare_digest(shown, wanted)


def _health(problems: Sequence[str], word: str, start: Any) -> Iterable[bytes]:
    if not problems:
        start("200 OK", [*_TEXT])
        return [f"{word}\n".encode()]
    start("503 Service Unavailable", [*_TEXT])
    return ["".join(f"{line}\n" for line in (f"not {word}", *problems)).encode()]


class _Handler(WSGIRequestHandler):
    def setup(self) -> None:
        super().setup()
        self.connection.settimeout(_CLIENT_S)

    def log_message(self, format: str, *args: Any) -> None:
        """Not a line for each scrape."""


class _Server(ThreadingMixIn, WSGIServer):
    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, listening: Listening, app: Any) -> None:
        self._tls: ssl.SSLContext | None = None
        if listening.certificate_file is not None:
            self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._tls.load_cert_chain(listening.certificate_file, listening.key_file)
        self._places = threading.BoundedSemaphore(_CLIENTS)
        if ":" in listening.host:
            self.address_family = socket.AF_INET6
        super().__init__((listening.host, listening.port), _Handler)
        self.set_app(app)

    def server_bind(self) -> None:
        """Without the look-up of a host name, which may take its time."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])
        self.setup_environ()

    def get_request(self) -> tuple[Any, Any]:
        connection, address = self.socket.accept()
        connection.settimeout(_CLIENT_S)
        if self._tls is not None:
            # The handshake is the answering thread's, with the first byte it reads.
            connection = self._tls.wrap_socket(connection, server_side=True, do_handshake_on_connect=False)
        return connection, address

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._places.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._places.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that went away, or spoke no TLS, is its own trouble."""
