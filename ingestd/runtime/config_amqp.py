"""The section [amqp] of the configuration: where brokers are, and how a station shows who it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any
from urllib.parse import SplitResult, unquote, urlsplit

from pydantic import AfterValidator, BeforeValidator, Field

from ingestd.bus.amqp.settings import Address, Names, Settings, Tls
from ingestd.runtime.config_section import Folder, Name, Section
from ingestd.runtime.secret import kept_in, read_secret

_PORTS = {"amqp": 5672, "amqps": 5671}


def _checked(url: str) -> str:
    """Raises ValueError with a sentence that does not repeat the URL: it may hold a password."""
    parts = urlsplit(url)
    if parts.scheme not in _PORTS:
        raise ValueError("must begin with amqp:// or amqps://")
    if parts.password is not None:
        raise ValueError(
            "holds a password, which everybody who may read the configuration would see; "
            "put it into amqp.password_file or amqp.password_credential, and change it on the broker"
        )
    if parts.username is not None:
        raise ValueError("holds a user name; put it into amqp.user")
    if not parts.hostname:
        raise ValueError("names no host")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError("has something after the host; the virtual host is amqp.virtual_host")
    _port(parts)
    return url


def _port(parts: SplitResult) -> int:
    try:
        return parts.port or _PORTS[parts.scheme]
    except ValueError:
        raise ValueError("has a port that is none") from None


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


Url = Annotated[str, AfterValidator(_checked)]
Urls = Annotated[tuple[Url, ...], BeforeValidator(_tuple), Field(min_length=1, max_length=16)]
Text = Annotated[str, Field(min_length=1, max_length=255)]


class AmqpSection(Section):
    """The brokers, for bus.kind = "amqp"."""

    urls: Urls | None = None
    user: Text = "ingest-station"
    password_file: Folder | None = None
    password_credential: Name | None = None
    virtual_host: Text = "/"
    ca_file: Folder | None = None
    certificate_file: Folder | None = None
    key_file: Folder | None = None
    heartbeat_seconds: Annotated[int, Field(ge=5, le=600)] = 30
    blocked_seconds: Annotated[float, Field(ge=1, le=3600)] = 60.0
    prefetch: Annotated[int, Field(ge=1, le=5000)] = 1000
    lease_seconds: Annotated[float, Field(ge=5, le=86_400)] = 300.0
    notices_stream: Text = "ingest.notices"
    claims_stream: Text = "ingest.claims"
    audit_stream: Text = "ingest.audit"
    events_exchange: Text = "ingest.events"
    refused_exchange: Text = "ingest.refused"

    def settings(self, station: str) -> Settings:
        """What the bus is made of."""
        return Settings(
            station=station,
            addresses=tuple(map(_address, self.urls or ())),
            user=self.user,
            password=self._secret,
            kept_in=self._kept_in(),
            virtual_host=self.virtual_host,
            tls=Tls(self.ca_file, self.certificate_file, self.key_file),
            names=Names(
                notices=self.notices_stream,
                claims=self.claims_stream,
                audit=self.audit_stream,
                events=self.events_exchange,
                refused=self.refused_exchange,
            ),
            heartbeat_s=self.heartbeat_seconds,
            prefetch=self.prefetch,
            blocked_s=self.blocked_seconds,
        )

    def contradictions(self) -> Iterator[str]:
        """What no single key shows, when the bus is AMQP."""
        if self.urls is None:
            yield 'amqp.urls: is missing; bus.kind = "amqp" needs the address of a broker'
        if (self.password_file is None) == (self.password_credential is None):
            yield "amqp.password_file: set either this or amqp.password_credential"
        if (self.certificate_file is None) != (self.key_file is None):
            yield "amqp.certificate_file: goes with amqp.key_file; set both or neither"
        tls = any(url.startswith("amqps:") for url in self.urls or ())
        if not tls and (self.ca_file or self.certificate_file):
            yield "amqp.ca_file, amqp.certificate_file: mean nothing without an amqps:// address in amqp.urls"

    def _kept_in(self) -> str:
        return kept_in(self.password_file, self.password_credential)

    def _secret(self) -> str:
        """Raises OSError or ValueError."""
        return read_secret(self._kept_in())


def _address(url: str) -> Address:
    parts = urlsplit(url)
    return Address(unquote(parts.hostname or ""), _port(parts), parts.scheme == "amqps")
