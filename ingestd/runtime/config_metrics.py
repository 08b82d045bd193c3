"""The section [metrics] of the configuration: where Prometheus finds this station."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address
from typing import Annotated

from pydantic import AfterValidator, Field

from ingestd.runtime.config_section import Folder, Name, Section
from ingestd.runtime.secret import kept_in, read_secret
from ingestd.telemetry.exposition import Listening


def _address(listen: str) -> str:
    """Raises ValueError unless it is `off` or HOST:PORT."""
    if listen != "off":
        _parts(listen)
    return listen


def _parts(listen: str) -> tuple[str, int]:
    host, colon, port = listen.rpartition(":")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65_535:
        raise ValueError('must be HOST:PORT, such as "127.0.0.1:9758", or "off"')
    return host.strip("[]"), int(port)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class MetricsSection(Section):
    """Metrics and health over HTTP."""

    listen: Annotated[str, AfterValidator(_address)] = "127.0.0.1:9758"
    certificate_file: Folder | None = None
    key_file: Folder | None = None
    user: Annotated[str, Field(min_length=1, max_length=255, pattern="^[^:]*$")] | None = None
    password_file: Folder | None = None
    password_credential: Name | None = None

    def listening(self) -> Listening | None:
        """None when nothing is to be served."""
        if self.listen == "off":
            return None
        host, port = _parts(self.listen)
        return Listening(
            host=host,
            port=port,
            certificate_file=self.certificate_file,
            key_file=self.key_file,
            user=self.user,
            password=None if self.user is None else self._secret,
        )

    def _secret(self) -> str:
        """Raises OSError or ValueError."""
        return read_secret(kept_in(self.password_file, self.password_credential))

    def contradictions(self) -> Iterator[str]:
        """What no single key shows."""
        secrets = (self.password_file is not None) + (self.password_credential is not None)
        if secrets != (self.user is not None):
            yield (
                "metrics.user: goes with exactly one of metrics.password_file and "
                "metrics.password_credential; set both or neither"
            )
        if (self.certificate_file is None) != (self.key_file is None):
            yield "metrics.certificate_file: goes with metrics.key_file; set both or neither"
        if self.listen != "off" and self.user is None and not _is_loopback(_parts(self.listen)[0]):
            yield (
                f"metrics.listen: {self.listen} can be reached from other hosts; set metrics.user with a "
                "password and a certificate, or listen on 127.0.0.1"
            )
