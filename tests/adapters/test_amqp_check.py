"""What `ingestd check` says of a broker: what is wrong, and what to do about it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.amqp.settings import Address, Settings, Tls
from ingestd.ports import BusDown, Problem
from tests.support.broker import PASSWORD, STATION_USER, VirtualHost
from tests.support.daemon import wait_for
from tests.support.post_office import settings


def problems(made: Settings) -> list[Problem]:
    bus = AmqpBus(made)
    with contextlib.closing(bus):
        return list(bus.problems())


def one(made: Settings) -> str:
    """The one problem there is, as people read it; the daemon itself says the same."""
    (problem,) = problems(made)
    bus = AmqpBus(made)
    with contextlib.closing(bus), pytest.raises(BusDown) as caught:
        bus.poll(0.0)
        bus.acknowledge(refused_one(), ("not understood",))
    text = f"the broker {problem.where} {problem.text}; {problem.remedy}"
    assert str(caught.value) == text
    assert problem.fatal
    return text


def refused_one() -> Any:
    from ingestd.ports import Delivery, Position

    return Delivery("amqp:ingest.notices:0", "ingest.notices@0", b"", Position("ingest.notices", 0))


def test_a_broker_with_the_shipped_definitions_and_rights_is_all_a_station_needs(
    virtual_host: VirtualHost,
) -> None:
    assert problems(settings(virtual_host)) == []


def test_looking_changes_nothing(virtual_host: VirtualHost) -> None:
    virtual_host.send(b"{}")
    problems(settings(virtual_host))
    assert len(virtual_host.read_stream("ingest.notices")) == 1
    assert virtual_host.read_stream("ingest.audit") == []
    assert virtual_host.read_queue("ingest.refused") == []


def elsewhere(host: VirtualHost, name: str, port: int, **changes: Any) -> Settings:
    return settings(host, addresses=(Address(name, port, tls=False),), **changes)


def test_nobody_listens(virtual_host: VirtualHost) -> None:
    assert "amqp://127.0.0.1:1 refuses connections; start the broker, or" in one(
        elsewhere(virtual_host, "127.0.0.1", 1)
    )


def test_the_name_cannot_be_resolved(virtual_host: VirtualHost) -> None:
    text = one(elsewhere(virtual_host, "rabbit-1.invalid", 5672))
    assert "rabbit-1.invalid:5672 has a name that cannot be resolved; correct amqp.urls" in text


@pytest.fixture
def mute() -> Iterator[int]:
    """A port that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


def test_somebody_listens_and_does_not_answer(virtual_host: VirtualHost, mute: int) -> None:
    assert "does not answer in time; look at" in one(elsewhere(virtual_host, "127.0.0.1", mute, open_s=0.5))


def test_the_password_is_wrong(virtual_host: VirtualHost) -> None:
    text = one(settings(virtual_host, password=lambda: "wrong", kept_in="/etc/ingestd/amqp-password"))
    assert f"refuses the name or password of the user {STATION_USER}; correct amqp.user and" in text
    assert "/etc/ingestd/amqp-password, or: rabbitmqctl change_password" in text


def test_there_is_no_such_virtual_host(virtual_host: VirtualHost) -> None:
    text = one(settings(virtual_host, virtual_host="harrow"))
    assert "has no virtual host harrow; create it: rabbitmqctl add_vhost harrow" in text


def test_the_user_has_no_rights_there(virtual_host: VirtualHost) -> None:
    virtual_host.ctl("clear_permissions", STATION_USER)
    text = one(settings(virtual_host))
    assert f"does not let the user {STATION_USER} into the virtual host {virtual_host.name}" in text


@pytest.mark.parametrize("name", ["ingest.notices", "ingest.claims", "ingest.audit"])
def test_a_stream_is_missing(virtual_host: VirtualHost, name: str) -> None:
    with virtual_host.channel() as channel:
        channel.queue_delete(name)
    text = one(settings(virtual_host))
    assert f"has no queue {name} in the virtual host {virtual_host.name}; create everything: " in text
    assert "rabbitmqctl import_definitions deploy/rabbitmq/definitions.json" in text


@pytest.mark.parametrize("name", ["ingest.events", "ingest.refused"])
def test_an_exchange_is_missing(virtual_host: VirtualHost, name: str) -> None:
    with virtual_host.channel() as channel:
        channel.exchange_delete(name)
    assert f"has no exchange {name} in the virtual host" in one(settings(virtual_host))


@pytest.mark.parametrize("kind", ["classic", "quorum"])
def test_another_type_of_queue_stands_where_the_stream_should_be(
    virtual_host: VirtualHost, kind: str
) -> None:
    with virtual_host.channel() as channel:
        channel.queue_delete("ingest.notices")
        channel.queue_declare("ingest.notices", durable=True, arguments={"x-queue-type": kind})
        channel.basic_publish("", "ingest.notices", b"a message that stays")
    text = one(settings(virtual_host))
    assert "has a queue ingest.notices of another type, where a stream has to be; move what it holds" in text
    wait_for(lambda: [m.body for m in virtual_host.read_queue("ingest.notices")], 10, "the message")


def test_rights_are_missing(virtual_host: VirtualHost) -> None:
    virtual_host.ctl("set_permissions", STATION_USER, "^$", r"^ingest\.refused$", r"^ingest\.notices$")
    told = [problem.text for problem in problems(settings(virtual_host))]
    assert told == [
        f"does not let the user {STATION_USER} read the queue ingest.claims",
        f"does not let the user {STATION_USER} write to the exchange ingest.events",
    ]


def test_one_broker_of_several_that_is_away_is_a_warning(virtual_host: VirtualHost) -> None:
    good = settings(virtual_host).addresses
    made = settings(virtual_host, addresses=(Address("127.0.0.1", 1, tls=False), *good))
    (problem,) = problems(made)
    assert not problem.fatal


# -- TLS -------------------------------------------------------------------------------------------


def over_tls(host: VirtualHost, name: str = "127.0.0.1", port: int = 0, **tls: str) -> Settings:
    node = host.broker.node()
    files = {key: str(node.certificates / value) for key, value in tls.items()}
    return settings(host, addresses=(Address(name, port or node.tls_port, tls=True),), tls=Tls(**files))


def test_a_broker_with_a_certificate_of_a_known_authority_is_trusted(virtual_host: VirtualHost) -> None:
    assert problems(over_tls(virtual_host, ca_file="ca.pem")) == []
    own = over_tls(virtual_host, ca_file="ca.pem", certificate_file="station.pem", key_file="station.key")
    assert problems(own) == []


@pytest.mark.parametrize("other", [False, True], ids=["those of the system", "another"])
def test_an_unknown_authority_is_not_trusted(virtual_host: VirtualHost, other: bool) -> None:
    text = one(over_tls(virtual_host, ca_file="other.pem") if other else over_tls(virtual_host))
    assert "has a certificate that is not trusted: " in text
    assert "; name the file of its authority in amqp.ca_file" in text


def test_a_certificate_for_another_host_is_not_accepted(virtual_host: VirtualHost) -> None:
    text = one(over_tls(virtual_host, name="localhost", ca_file="ca.pem"))
    assert "amqps://localhost:" in text
    assert "has a certificate for another host name; name the broker in amqp.urls as its" in text


def test_tls_on_a_port_without_it(virtual_host: VirtualHost) -> None:
    text = one(over_tls(virtual_host, port=virtual_host.broker.port, ca_file="ca.pem"))
    assert "does not speak TLS on this port" in text or "hangs up" in text


def test_no_tls_on_a_port_that_wants_it(virtual_host: VirtualHost) -> None:
    node = virtual_host.broker.node()
    text = one(elsewhere(virtual_host, "127.0.0.1", node.tls_port, open_s=3.0))
    assert "TLS" in text or "hung up" in text or "does not speak AMQP" in text


def test_a_file_of_certificates_that_is_missing_is_named(virtual_host: VirtualHost) -> None:
    assert "nowhere.pem cannot be used: " in str(problems(over_tls(virtual_host, ca_file="nowhere.pem"))[0])


def test_all_of_it_works_over_tls(virtual_host: VirtualHost) -> None:
    virtual_host.send(b"{}")
    bus = AmqpBus(over_tls(virtual_host, ca_file="ca.pem"))
    with contextlib.closing(bus):
        (delivery,) = wait_for(lambda: bus.poll(0.5), 10, "the notice")
        bus.acknowledge(delivery, ("not understood",))
    (copy,) = virtual_host.read_queue("ingest.refused")
    assert copy.body == b"{}"
    assert PASSWORD not in repr(bus)
