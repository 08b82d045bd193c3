"""What the AMQP bus needs to know: where brokers are, who we are, and what things are called there."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from dataclasses import dataclass, field

import pika

from ingestd.ports import BusDown


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What the broker's things are called; `deploy/rabbitmq/definitions.json` has the same names."""

    notices: str = "ingest.notices"
    """The stream of notices: every station reads all of it."""
    claims: str = "ingest.claims"
    """The stream of those events that stations need of each other."""
    audit: str = "ingest.audit"
    """The stream of all events."""
    events: str = "ingest.events"
    """The topic exchange that events are published to, by their type."""
    refused: str = "ingest.refused"
    """The exchange for copies of messages that could not be understood."""

    @property
    def streams(self) -> tuple[str, ...]:
        return self.notices, self.claims

    @property
    def records(self) -> tuple[str, ...]:
        """The streams that events have to get into."""
        return self.claims, self.audit

    @property
    def exchanges(self) -> tuple[str, ...]:
        return self.events, self.refused


@dataclass(frozen=True, slots=True)
class Tls:
    """How a broker proves who it is, and we to it. The host name is always checked."""

    ca_file: str | None = None
    """Certificates of authorities that are trusted; None: those of the system."""
    certificate_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True)
class Address:
    """One broker."""

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'amqps' if self.tls else 'amqp'}://{host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Settings:
    """One station's way to its brokers."""

    station: str
    addresses: tuple[Address, ...]
    user: str
    password: Callable[[], str] = field(repr=False)
    """Asked at each connection, so that a renewed one is taken. Raises OSError or ValueError."""
    kept_in: str = "the password"
    """Where it is kept, for people."""
    virtual_host: str = "/"
    tls: Tls = field(default_factory=Tls)
    names: Names = field(default_factory=Names)
    heartbeat_s: int = 30
    prefetch: int = 1000
    """Deliveries of one stream that may be unacknowledged."""
    open_s: float = 10.0
    """The longest that opening a connection may take."""
    confirm_s: float = 20.0
    """The longest that the broker may confirm nothing while something waits for it."""
    blocked_s: float = 60.0
    """The longest that a connection stays open on which the broker takes nothing."""

    def parameters(self, address: Address) -> pika.ConnectionParameters:
        """For one attempt. Raises BusDown when the password or a certificate cannot be read."""
        return pika.ConnectionParameters(
            host=address.host,
            port=address.port,
            virtual_host=self.virtual_host,
            credentials=pika.PlainCredentials(self.user, self._secret(), erase_on_connect=True),
            ssl_options=self._ssl_options(address) if address.tls else None,
            heartbeat=self.heartbeat_s,
            blocked_connection_timeout=self.blocked_s,
            socket_timeout=self.open_s,
            stack_timeout=self.open_s,
            client_properties={"connection_name": f"ingestd {self.station}"},
        )

    def _secret(self) -> str:
        try:
            return self.password()
        except (OSError, ValueError) as error:
            raise BusDown(
                f"the broker's password cannot be read from {self.kept_in}: "
                f"{getattr(error, 'strerror', None) or error}; put it there, readable for the daemon's user"
            ) from None

    def _ssl_options(self, address: Address) -> pika.SSLOptions:
        try:
            context = ssl.create_default_context(cafile=self.tls.ca_file)
            if self.tls.certificate_file is not None:
                context.load_cert_chain(self.tls.certificate_file, self.tls.key_file)
        except OSError as error:
            raise BusDown(
                f"{self._certificates()} cannot be used: {error}; see [amqp] in the configuration"
            ) from None
        return pika.SSLOptions(context, address.host)

    def _certificates(self) -> str:
        files = self.tls.ca_file, self.tls.certificate_file, self.tls.key_file
        return "one of the certificate files " + ", ".join(file for file in files if file)
