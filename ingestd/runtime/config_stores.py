"""The sections of the configuration that name destinations: a folder or a bucket."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import Discriminator, Field, Tag

from ingestd.runtime.config_section import Folder, Name, Section
from ingestd.store.s3_settings import address_by_region


class FolderStoreSection(Section):
    """One destination that is a folder."""

    name: Name
    kind: Literal["folder"] = "folder"
    folder: Folder
    tenant_in_prefix: bool = True


class S3StoreSection(Section):
    """One destination that is a bucket. Credentials are never in the configuration itself."""

    name: Name
    kind: Literal["s3"]
    bucket: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{1,254}$")]
    endpoint: Annotated[str, Field(pattern=r"^https?://[^/?#@]+$")] | None = None
    region: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")] = "us-east-1"
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]+(/[A-Za-z0-9._-]+)*$", max_length=200)] | None = (
        None
    )
    addressing: Literal["path", "virtual-host"] = "path"
    ca_file: Folder | None = None
    credentials_file: Annotated[str, Field(pattern=r"^(/.+|[A-Za-z0-9._-]+)$")] | None = None
    profile: str | None = None
    storage_class: Annotated[str, Field(pattern=r"^[A-Z0-9_]+$")] | None = None
    encryption: Literal["AES256", "aws:kms", "aws:kms:dsse"] | None = None
    encryption_key_id: Annotated[str, Field(pattern=r"^[!-~]+$")] | None = None
    checksums: Literal["auto", "on", "off"] = "auto"
    payload: Literal["auto", "signed", "unsigned"] = "auto"
    part_bytes: Annotated[int, Field(ge=5_242_880, le=5_368_709_120)] = 8_388_608
    connect_timeout_seconds: Annotated[float, Field(ge=1, le=120)] = 10.0
    timeout_seconds: Annotated[float, Field(ge=5, le=600)] = 60.0
    small_in_flight: Annotated[int, Field(ge=1, le=256)] = 16
    dead_uploads_after_seconds: Annotated[float, Field(ge=0)] = 3600.0
    tenant_in_prefix: bool = True


_HOST = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*\.?\Z")
_IN_HOST = re.compile(r"(?=.{3,63}\Z)[a-z0-9][a-z0-9-]*(\.[a-z0-9][a-z0-9-]*)*\Z")
"""Amazon S3 User Guide, "General purpose bucket naming rules", as far as host names need them."""


def _kind_of(section: Any) -> Any:
    """A store without a kind is a folder."""
    return section.get("kind", "folder") if isinstance(section, Mapping) else getattr(section, "kind", None)


def _about_where(store: S3StoreSection) -> Iterator[str]:
    if store.endpoint is None:
        if address_by_region(store.region) is None:
            yield f"region: Amazon has none that is called {store.region}; name the endpoint of your store"
        return
    host = _host(store.endpoint)
    if host is None:
        shown = repr(store.endpoint)
        yield f"endpoint: is no address; got {shown}; write it as https://HOST or https://HOST:PORT"
    elif store.addressing == "virtual-host":
        name = f"addressing: {store.bucket}"
        if _is_number(host):
            yield 'addressing: an address in numbers has no names below it; use "path", or the host\'s name'
        elif not _IN_HOST.match(store.bucket):
            yield f'{name} cannot be a part of a host\'s name; use "path"'
        elif "." in store.bucket and store.endpoint.startswith("https:"):
            yield f'{name} has a dot, so that no certificate for *.{host} covers it; use "path"'


def _host(endpoint: str) -> str | None:
    """The host that an endpoint names; None where it names none."""
    try:
        parts = urlsplit(endpoint)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        return None
    return host if port != 0 and (_is_number(host) or _HOST.match(host)) else None


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


STORE_KINDS: Mapping[str, type[Section]] = {"folder": FolderStoreSection, "s3": S3StoreSection}

StoreSection = Annotated[
    Annotated[FolderStoreSection, Tag("folder")] | Annotated[S3StoreSection, Tag("s3")],
    Discriminator(_kind_of),
]


def contradictions_of_s3(store: S3StoreSection) -> Iterator[str]:
    """What no single key of a bucket's section shows."""
    yield from _about_where(store)
    keyed = (store.encryption or "").startswith("aws:kms")
    if store.encryption_key_id is not None and not keyed:
        yield 'encryption_key_id: means nothing without encryption = "aws:kms"; set both or neither'
    if store.ca_file is not None and (store.endpoint or "https").startswith("http:"):
        yield "ca_file: means nothing without TLS; begin the endpoint with https://, or leave it out"
    if store.payload == "unsigned" and (store.endpoint or "https").startswith("http:"):
        yield 'payload: "unsigned" would let anybody on the line alter data; use "signed", or TLS'
