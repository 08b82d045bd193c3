"""A station whose bus is a broker: notices are sent to it, events are followed where auditors do."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pika

from tests.support.broker import PASSWORD, STATION_USER, Message, VirtualHost
from tests.support.daemon import Station


class Follower:
    """Reads a stream for as long as it takes, whatever becomes of the broker."""

    def __init__(self, host: VirtualHost, stream: str = "ingest.audit") -> None:
        self._host = host
        self._stream = stream
        self._next = 0
        self._ended = threading.Event()
        self.messages: list[Message] = []
        """Everything, repeats as well."""
        self._thread = threading.Thread(target=self._run, name="follower", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ended.set()
        self._thread.join(10)

    def events(self) -> list[dict[str, Any]]:
        """What was said, each once, in the order in which it was heard first."""
        return [json.loads(body) for body in {m.id: m.body for m in reversed(self.messages[:])}.values()][
            ::-1
        ]

    def repeats(self) -> int:
        """How many messages had come before; each of them must have been the same."""
        bodies: dict[str, bytes] = {}
        for message in self.messages:
            assert bodies.setdefault(message.id, message.body) == message.body, f"{message.id} has changed"
        return len(self.messages) - len(bodies)

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                self._follow()
            except (pika.exceptions.AMQPError, OSError):
                self._ended.wait(0.1)

    def _follow(self) -> None:
        with self._host.channel() as channel:
            channel.basic_qos(prefetch_count=200)
            for method, properties, body in channel.consume(
                self._stream, arguments={"x-stream-offset": self._next}, inactivity_timeout=0.1
            ):
                if self._ended.is_set():
                    return
                if method is not None:
                    channel.basic_ack(method.delivery_tag)
                    self._next = properties.headers["x-stream-offset"] + 1
                    self.messages.append(Message(properties, body))


class BrokerStation(Station):
    """A station as the other tests know it, its bus a virtual host of the tests' broker."""

    def __init__(self, root: Path, host: VirtualHost, **settings: Mapping[str, Any]) -> None:
        self.host = host
        self.follower = Follower(host)
        secret = root / "password"
        secret.write_text(PASSWORD)
        amqp = {
            "urls": [host.url],
            "user": STATION_USER,
            "password_file": str(secret),
            "virtual_host": host.name,
            "heartbeat_seconds": 5,
        }
        super().__init__(root, bus={"kind": "amqp"}, amqp=amqp, **settings)

    def drop(self, body: bytes, name: str) -> None:
        self.host.send(body)

    def events(self, kind: str | None = None) -> list[dict[str, Any]]:
        return [event for event in self.follower.events() if kind is None or event["type"] == kind]

    def end(self) -> None:
        super().end()
        self.follower.close()
