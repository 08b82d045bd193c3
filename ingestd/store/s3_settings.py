"""What a station has to know of one S3-compatible store, and how objects are cut into parts for it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

MIB = 1 << 20

PART_BYTES_MIN = 5 * MIB
PART_BYTES_MAX = 5 << 30
PARTS_MAX = 10_000
"""Amazon S3 User Guide, "Amazon S3 multipart upload limits"; the last part may be smaller."""


class Payload(Enum):
    """How what is sent is protected beyond TCP's own sums."""

    AUTO = "auto"
    """`unsigned` over TLS to a store that checks checksums by itself, else `signed`."""
    SIGNED = "signed"
    """The SHA-256 of every body is part of the request's signature, and the store refuses any other."""
    UNSIGNED = "unsigned"
    """TLS protects the line, and a CRC-32 or MD5 of every body lets the store check what it received."""


class Checksums(Enum):
    """Whether the `x-amz-checksum-...` headers are used, which some stores lack or refuse."""

    AUTO = "auto"
    ON = "on"
    OFF = "off"


@dataclass(frozen=True, slots=True, kw_only=True)
class S3Settings:
    """One store. Nothing of this is secret: credentials are found by `s3_credentials`."""

    name: str
    bucket: str
    region: str = "us-east-1"
    endpoint: str | None = None
    """`https://host[:port]`; None: Amazon's own endpoint for the region."""
    prefix: str = ""
    """Everything lies below it; without a slash at its ends."""
    station: str = ""
    path_addressing: bool = True
    """`endpoint/bucket/key`; else `bucket.endpoint/key`."""
    ca_file: str | None = None
    storage_class: str | None = None
    encryption: str | None = None
    """`AES256` or `aws:kms`, for the server's own encryption at rest."""
    encryption_key_id: str | None = None
    checksums: Checksums = Checksums.AUTO
    payload: Payload = Payload.AUTO
    profile: str | None = None
    credentials_file: str | None = None
    connect_timeout_s: float = 10.0
    timeout_s: float = 60.0
    """How long one step of a request may stand still."""
    in_flight: int = 16
    """Small objects on their way at a time, for each thread that sends: more where the line is long."""
    dead_after_s: float = 3600.0
    """Unfinished uploads of this station that nobody knows of are swept away at this age."""
    part_bytes: int = 8 * MIB
    """The size of parts, where 10,000 of them hold the object."""
    part_bytes_min: int = PART_BYTES_MIN


def address_by_region(region: str) -> str | None:
    """The host of Amazon's own store there; None for a region that is none of theirs."""
    # Not at the top: who reads a configuration without such a store should not wait for it.
    from botocore.regions import EndpointResolver
    from botocore.session import Session

    found = EndpointResolver(Session().get_data("endpoints")).construct_endpoint("s3", region)
    return None if found is None else str(found["hostname"])


def planned_part_bytes(settings: S3Settings, size_bytes: int) -> int:
    """The size of an object's parts: as configured where that makes no more than 10,000 of them, else as
    little more as does, in whole MiB. Raises ValueError for what no such parts can hold."""
    needed = -(-size_bytes // PARTS_MAX)
    planned = max(settings.part_bytes, settings.part_bytes_min)
    if needed > planned:
        planned = -(-needed // MIB) * MIB
    if planned > PART_BYTES_MAX:
        raise ValueError(f"{size_bytes} bytes do not fit into {PARTS_MAX} parts of {PART_BYTES_MAX}")
    return planned
