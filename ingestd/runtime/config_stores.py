"""The sections of the configuration that name destinations: a folder or a bucket."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from ingestd.runtime.config_section import Folder, Name, Section


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
    region: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")] = "us-east-1"
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]+(/[A-Za-z0-9._-]+)*$", max_length=200)] | None = (
        None
    )
    addressing: Literal["path", "virtual-host"] = "path"
    ca_file: Folder | None = None
    credentials_file: Annotated[str, Field(pattern=r"^(/.+|[A-Za-z0-9._-]+)$")] | None = None
    profile: str | None = None
    storage_class: Annotated[str, Field(pattern=r"^[A-Z0-9_]+$")] | None = None
    encryption: Literal["AES256", "aws:kms"] | None = None
    encryption_key_id: str | None = None
    checksums: Literal["auto", "on", "off"] = "auto"
    payload: Literal["auto", "signed", "unsigned"] = "auto"
    part_bytes: Annotated[int, Field(ge=5_242_880, le=5_368_709_120)] = 8_388_608
    connect_timeout_seconds: Annotated[float, Field(ge=1, le=120)] = 10.0
    timeout_seconds: Annotated[float, Field(ge=5, le=600)] = 60.0
    small_in_flight: Annotated[int, Field(ge=1, le=256)] = 16
    dead_uploads_after_seconds: Annotated[float, Field(ge=0)] = 3600.0
    tenant_in_prefix: bool = True


def _kind_of(section: Any) -> Any:
    """A store without a kind is a folder."""
    return section.get("kind", "folder") if isinstance(section, Mapping) else getattr(section, "kind", None)


STORE_KINDS: Mapping[str, type[Section]] = {"folder": FolderStoreSection, "s3": S3StoreSection}

StoreSection = Annotated[
    Annotated[FolderStoreSection, Tag("folder")] | Annotated[S3StoreSection, Tag("s3")],
    Discriminator(_kind_of),
]


def contradictions_of_s3(store: S3StoreSection) -> Iterator[str]:
    """What no single key of a bucket's section shows."""
    if store.encryption_key_id is not None and store.encryption != "aws:kms":
        yield 'encryption_key_id: means nothing without encryption = "aws:kms"; set both or neither'
    if store.ca_file is not None and (store.endpoint or "https").startswith("http:"):
        yield "ca_file: means nothing without TLS; begin the endpoint with https://, or leave it out"
    if store.payload == "unsigned" and (store.endpoint or "https").startswith("http:"):
        yield 'payload: "unsigned" would let anybody on the line alter data; use "signed", or TLS'
