"""Metrics and health over HTTP: who may ask, and who cannot hold it up."""

from __future__ import annotations

import base64
import socket
import ssl
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from prometheus_client import CollectorRegistry, Gauge

from ingestd.telemetry import exposition
from ingestd.telemetry.exposition import Exposition, Listening
from tests.support import certificates
from tests.support.daemon import wait_for

not_alive: list[str] = []
not_ready: list[str] = []


@pytest.fixture(autouse=True)
def all_is_well() -> None:
    not_alive.clear()
    not_ready.clear()


@contextmanager
def served(**listening: object) -> Iterator[int]:
    registry = CollectorRegistry()
    Gauge("ingestd_tide", "How high it is.", registry=registry).set(4.5)
    made = Exposition(
        Listening(host="127.0.0.1", port=0, **listening),  # type: ignore[arg-type]
        registry,
        lambda: not_alive,
        lambda: not_ready,
    )
    made.start()
    try:
        yield wait_for(lambda: made.port, 5, "the port")
    finally:
        made.close()


def ask(
    port: int, path: str = "/metrics", shown: bytes | None = None, context: ssl.SSLContext | None = None
) -> tuple[int, str]:
    scheme = "https" if context else "http"
    request = urllib.request.Request(f"{scheme}://127.0.0.1:{port}{path}")
    if shown is not None:
        request.add_header("Authorization", f"Basic {base64.b64encode(shown).decode()}")
    try:
        with urllib.request.urlopen(request, timeout=5, context=context) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def test_what_is_in_the_registry() -> None:
    with served() as port:
        status, text = ask(port)
    assert status == 200
    assert "ingestd_tide 4.5" in text


def test_health_tells_what_is_wrong() -> None:
    with served() as port:
        assert ask(port, "/livez") == (200, "alive\n")
        assert ask(port, "/readyz") == (200, "ready\n")
        not_ready.append("messages do not go out")
        assert ask(port, "/livez") == (200, "alive\n")
        assert ask(port, "/readyz") == (503, "not ready\nmessages do not go out\n")
        not_alive.append("the loop has not moved for 30 seconds")
        assert ask(port, "/livez") == (503, "not alive\nthe loop has not moved for 30 seconds\n")
        assert ask(port, "/readyz")[1].splitlines()[1:] == [*not_alive, *not_ready]


def test_who_knows_the_password_and_nobody_else(tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("neap tide")
    with served(user="prometheus", password=secret.read_text) as port:
        assert ask(port, shown=b"prometheus:neap tide")[0] == 200
        for shown in (
            None,
            b"",
            b"prometheus:",
            b"prometheus:spring tide",
            b"harbour:neap tide",
            b"\xff\xfe",
        ):
            for path in ("/metrics", "/livez", "/readyz"):
                assert ask(port, path, shown=shown)[0] == 401
        secret.write_text("spring tide")
        assert ask(port, shown=b"prometheus:spring tide")[0] == 200
        secret.unlink()
        assert ask(port, shown=b"prometheus:spring tide")[0] == 401


def test_over_tls_to_those_who_trust_the_certificate(tmp_path: Path) -> None:
    made = certificates.make(tmp_path / "certificates")
    knows = ssl.create_default_context(cafile=str(made / "ca.pem"))
    files = {"certificate_file": str(made / "broker.pem"), "key_file": str(made / "broker.key")}
    with served(**files) as port:
        assert ask(port, context=knows)[0] == 200
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            ask(port, context=ssl.create_default_context())
        with socket.create_connection(("127.0.0.1", port)) as plain:
            plain.sendall(b"GET /metrics HTTP/1.0\r\n\r\n")
            plain.settimeout(5)
            assert b"ingestd_tide" not in plain.recv(4096)
        assert ask(port, context=knows)[0] == 200


def test_clients_that_say_nothing_hold_it_up_for_a_while_and_no_longer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(exposition, "_CLIENT_S", 0.5)
    with served() as port, ExitStack() as stack:
        for _ in range(40):
            stack.enter_context(socket.create_connection(("127.0.0.1", port)))

        def answered() -> bool:
            try:
                return ask(port)[0] == 200
            except (urllib.error.URLError, OSError):
                return False

        wait_for(answered, 5, "an answer once the silent ones were sent away")


def test_another_method_or_path() -> None:
    with served() as port:
        assert ask(port, "/")[0] == 404
        request = urllib.request.Request(f"http://127.0.0.1:{port}/metrics", data=b"x", method="POST")
        with pytest.raises(urllib.error.HTTPError, match="405") as raised:
            urllib.request.urlopen(request, timeout=5)
        raised.value.close()
