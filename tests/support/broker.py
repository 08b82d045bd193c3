"""A RabbitMQ broker for tests, and one place that decides which.

1. The one that `INGESTD_TEST_AMQP_URL` names: an administrator's URL with its password.
   `INGESTD_TEST_AMQP_MANAGE` is the command that stands for `rabbitmqctl` there (`rabbitmqctl` if not
   set), for example `docker exec -i rabbit rabbitmqctl`. Such a broker is not ours to kill.
2. A container, where Docker answers.
3. A private node from Debian's package, on free loopback ports.

Every test gets a virtual host of its own, with `deploy/rabbitmq/definitions.json` in it and a user that
has a station's rights and no more.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import shlex
import subprocess
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import unquote, urlsplit

import pika
import pytest

from tests.support.broker_node import PrivateNode
from tests.support.daemon import wait_for
from tests.support.ports import free_ports

DEPLOY = Path(__file__).resolve().parents[2] / "deploy" / "rabbitmq"

STATION_USER = "ingest-station"
PASSWORD = "for-tests-only"
ADMINISTRATOR = "test-administrator"

QUEUES = tuple(f"ingest.{name}" for name in ("notices", "claims", "audit", "voids", "alerts", "refused"))

_AT_ONCE = 6
"""Virtual hosts made by one import: a call of rabbitmqctl takes the better part of a second."""

_IMAGE = "rabbitmq:3.13"


class Manager(Protocol):
    """What a test may do with the broker itself."""

    def ctl(self, *arguments: str, given: str | None = None) -> str: ...


class ForeignBroker:
    """One that the environment names."""

    def __init__(self, command: str) -> None:
        self._command = shlex.split(command)

    def ctl(self, *arguments: str, given: str | None = None) -> str:
        done = subprocess.run(
            [*self._command, "--quiet", *arguments],
            input=given or "",
            capture_output=True,
            text=True,
            check=False,
            timeout=90,
        )
        assert done.returncode == 0, f"rabbitmqctl {arguments[0]}: {done.stdout}{done.stderr}"
        return done.stdout


class ContainerBroker:
    """A container of our own, with a port that stays the same when it is started again."""

    def __init__(self) -> None:
        from testcontainers.core.container import DockerContainer

        (self.port,) = free_ports(1)
        self._container = DockerContainer(_IMAGE).with_bind_ports(5672, self.port)

    def start(self) -> None:
        self._container.start()
        wait_for(self._answers, 120, "a broker in a container")

    def _answers(self) -> bool:
        with contextlib.suppress(AssertionError):
            self.ctl("await_startup")
            return True
        return False

    def ctl(self, *arguments: str, given: str | None = None) -> str:
        name = self._container.get_wrapped_container().name
        return ForeignBroker(f"docker exec -i {name} rabbitmqctl").ctl(*arguments, given=given)

    def close(self) -> None:
        self._container.stop()


@dataclass(frozen=True)
class VirtualHost:
    """A place in the broker that one test has for itself."""

    broker: Broker
    name: str

    @property
    def url(self) -> str:
        """What a station is configured with: no password."""
        return f"amqp://{self.broker.host}:{self.broker.port}"

    @contextlib.contextmanager
    def channel(self) -> Iterator[Any]:
        """A channel with all rights."""
        connection = self.connect()
        try:
            yield connection.channel()
        finally:
            with contextlib.suppress(pika.exceptions.AMQPError):
                connection.close()

    def connect(self) -> pika.BlockingConnection:
        broker = self.broker
        credentials = pika.PlainCredentials(broker.administrator, broker.secret)
        return pika.BlockingConnection(
            pika.ConnectionParameters(broker.host, broker.port, self.name, credentials)
        )

    def send(self, *bodies: bytes, **properties: Any) -> None:
        """Put notices into the stream, as an order system does, and be sure that they are there."""
        given = {"content_type": "application/cloudevents+json", "delivery_mode": 2, **properties}
        with self.channel() as channel:
            channel.confirm_delivery()
            for body in bodies:
                channel.basic_publish(
                    "ingest.notices", "", body, pika.BasicProperties(**given), mandatory=True
                )

    def read_stream(self, name: str, count: int | None = None, within_s: float = 20.0) -> list[Message]:
        """The messages of a stream from its beginning: so many, or those that come without a pause."""
        found: list[Message] = []
        with self.channel() as channel:
            channel.basic_qos(prefetch_count=500)
            patience_s = within_s if count is not None else 0.7
            for method, properties, body in channel.consume(
                name, arguments={"x-stream-offset": "first"}, inactivity_timeout=patience_s
            ):
                if method is None:
                    break
                channel.basic_ack(method.delivery_tag)
                found.append(Message(properties, body))
                if len(found) == count:
                    break
        return found

    def read_queue(self, name: str) -> list[Message]:
        """What is in a queue, taken out of it."""
        found: list[Message] = []
        with self.channel() as channel:
            while (got := channel.basic_get(name, auto_ack=True))[0] is not None:
                found.append(Message(got[1], got[2]))
        return found

    def ctl(self, command: str, *arguments: str) -> str:
        """A command of rabbitmqctl about this virtual host."""
        return self.broker.manager.ctl(command, "--vhost", self.name, *arguments)

    def close_connections(self) -> None:
        """The broker ends every connection of the station."""
        self.broker.manager.ctl("close_all_connections", "--vhost", self.name, "closed for a test")


@dataclass(frozen=True)
class Message:
    properties: Any
    body: bytes

    @property
    def id(self) -> str:
        return str(self.properties.message_id)


class Broker:
    """The broker of this session."""

    def __init__(self, manager: Manager, host: str, port: int, administrator: str, secret: str) -> None:
        self.manager = manager
        self.host, self.port = host, port
        self.administrator, self.secret = administrator, secret
        self._ready: list[str] = []
        self._made = 0

    def virtual_host(self) -> VirtualHost:
        if not self._ready:
            self._ready = self._make(_AT_ONCE)
        return VirtualHost(self, self._ready.pop(0))

    def node(self) -> PrivateNode:
        """The node itself, for tests that kill it; skips where it is not ours to kill."""
        if not isinstance(self.manager, PrivateNode):
            pytest.skip("needs a broker of its own that it may kill: rabbitmq-server of Debian")
        return self.manager

    def _make(self, count: int) -> list[str]:
        names = [f"ingestd-test-{os.getpid()}-{self._made + number}" for number in range(count)]
        self._made += count
        self.manager.ctl("import_definitions", given=json.dumps(definitions(names)))
        wait_for(lambda: all(self.has(name) for name in names), 60, "virtual hosts for tests")
        return names

    def has(self, name: str) -> bool:
        """Whether this virtual host and all of its queues can be used now."""
        # What pika leaves of a connection that is refused is collected now, not during some test.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            try:
                return self._has_queues(name)
            finally:
                gc.collect()

    def _has_queues(self, name: str) -> bool:
        try:
            with VirtualHost(self, name).channel() as channel:
                for queue in QUEUES:
                    channel.queue_declare(queue, passive=True)
        except pika.exceptions.AMQPError:
            return False
        return True


def definitions(virtual_hosts: list[str]) -> dict[str, list[Any]]:
    """Definitions and users as they are shipped, for each of these virtual hosts."""
    shipped = {
        **json.loads((DEPLOY / "definitions.json").read_text()),
        **json.loads((DEPLOY / "users.json").read_text()),
    }
    made: dict[str, list[Any]] = {name: [] for name in shipped}
    for host in virtual_hosts:
        for name, entries in shipped.items():
            key = "name" if name == "vhosts" else "vhost"
            made[name] += [{**entry, key: host} for entry in entries if name != "users"]
        made["permissions"].append(_rights(ADMINISTRATOR, host))
    for user in (STATION_USER, ADMINISTRATOR):
        tags = ["administrator"] if user == ADMINISTRATOR else []
        made["users"].append({"name": user, "password": PASSWORD, "tags": tags})
    others = [each["name"] for each in shipped["users"] if each["name"] != STATION_USER]
    made["users"] += [{"name": name, "password": PASSWORD, "tags": []} for name in others]
    return made


def _rights(user: str, host: str) -> Mapping[str, str]:
    return {"user": user, "vhost": host, "configure": ".*", "write": ".*", "read": ".*"}


def _docker_answers() -> bool:
    # Asked for at all, a client that finds nobody leaves a socket behind.
    if not (os.environ.get("DOCKER_HOST") or Path("/var/run/docker.sock").exists()):
        return False
    try:
        import docker

        docker.from_env(timeout=5).ping()
    except Exception:  # noqa: BLE001 - whatever is wrong with it, it is of no use here
        return False
    return True


@contextlib.contextmanager
def running_broker(folder: Path) -> Iterator[Broker]:
    """The broker of a session; see above. Skips when there is none."""
    url = os.environ.get("INGESTD_TEST_AMQP_URL")
    if url:
        parts = urlsplit(url)
        manager = ForeignBroker(os.environ.get("INGESTD_TEST_AMQP_MANAGE", "rabbitmqctl"))
        user, secret = unquote(parts.username or "guest"), unquote(parts.password or "guest")
        yield Broker(manager, parts.hostname or "localhost", parts.port or 5672, user, secret)
    elif _docker_answers():
        container = ContainerBroker()
        container.start()
        with contextlib.closing(container):
            yield Broker(container, "127.0.0.1", container.port, ADMINISTRATOR, PASSWORD)
    elif PrivateNode.available():
        node = PrivateNode(folder)
        with contextlib.closing(node):
            node.start()
            yield Broker(node, "127.0.0.1", node.port, ADMINISTRATOR, PASSWORD)
    else:
        pytest.skip("needs a broker: apt-get install rabbitmq-server")
