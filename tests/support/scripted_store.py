"""A store that answers what a test has written down, in its order, and keeps what it was asked."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

from ingestd.store.s3_abilities import Abilities
from ingestd.store.s3_settings import S3Settings
from ingestd.store.s3_wire import Answer

ABLE = Abilities(conditional_put=True, conditional_complete=True, checksums=False, signed=True, chunks=True)


@dataclass
class Served:
    url: str
    heads: list[str] = field(default_factory=list)
    """Of the requests, as they came."""


@contextlib.contextmanager
def served(
    answers: Sequence[Answer] | Callable[[str], Answer], address: str = "127.0.0.1", port: int = 0
) -> Iterator[Served]:
    """Answers in their order, or one for each head; a connection ends where there are none left, and
    after an answer that says so. Bodies go out as they are given."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listener = socket.create_server((address, port), family=family, backlog=64)
    host = f"[{address}]" if ":" in address else address
    told = Served(f"http://{host}:{listener.getsockname()[1]}")
    left = None if callable(answers) else iter(answers)

    def answer_to(head: str) -> Answer | None:
        told.heads.append(head)
        return answers(head) if callable(answers) else next(left, None) if left is not None else None

    def accept() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(client,), daemon=True).start()

    def serve(client: socket.socket) -> None:
        with contextlib.suppress(OSError), client, client.makefile("rb") as reader:
            while lines := list(_head(reader)):
                head = "".join(lines)
                sizes = [line.split(":")[1] for line in lines if line.lower().startswith("content-length:")]
                reader.read(int(sizes[0]) if sizes else 0)
                if (answer := answer_to(head)) is None or not _sent(client, answer):
                    return

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield told
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


def _head(reader: BinaryIO) -> Iterator[str]:
    """The lines of a head; none where the other end has gone."""
    while (line := reader.readline().decode("latin-1")) not in ("\r\n", ""):
        yield line


def _sent(client: socket.socket, answer: Answer) -> bool:
    """Whether the connection stays open after it."""
    headers = dict(answer.headers)
    if not headers.keys() & {"transfer-encoding", "connection", "content-length"}:
        headers["content-length"] = str(len(answer.body))
    lines = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
    client.sendall(f"HTTP/1.1 {answer.status} Told\r\n{lines}\r\n".encode("latin-1") + answer.body)
    return "connection" not in headers


def in_chunks(body: bytes, chunk_bytes: int) -> bytes:
    """RFC 9112, section 7.1."""
    cut = [body[at : at + chunk_bytes] for at in range(0, len(body), chunk_bytes)]
    return b"".join(b"%x\r\n%b\r\n" % (len(each), each) for each in [*cut, b""])


def told_of(url: str, **changes: object) -> S3Settings:
    """A store there, for a client that has keys."""
    return S3Settings(**{"name": "tides", "bucket": "tides", "endpoint": url, "timeout_s": 10.0, **changes})  # type: ignore[arg-type]
