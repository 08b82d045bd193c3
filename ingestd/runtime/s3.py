"""An S3 store as its section of the configuration describes it."""

from __future__ import annotations

from ingestd.runtime.config_stores import S3StoreSection
from ingestd.store.s3 import S3Store
from ingestd.store.s3_settings import Checksums, Payload, S3Settings


def make_s3_store(section: S3StoreSection, station: str) -> S3Store:
    return S3Store(
        S3Settings(
            name=section.name,
            station=station,
            bucket=section.bucket,
            endpoint=section.endpoint,
            region=section.region,
            prefix=section.prefix or "",
            path_addressing=section.addressing == "path",
            ca_file=section.ca_file,
            credentials_file=section.credentials_file,
            profile=section.profile,
            storage_class=section.storage_class,
            encryption=section.encryption,
            encryption_key_id=section.encryption_key_id,
            checksums=Checksums(section.checksums),
            payload=Payload(section.payload),
            part_bytes=section.part_bytes,
            connect_timeout_s=section.connect_timeout_seconds,
            timeout_s=section.timeout_seconds,
            in_flight=section.small_in_flight,
            dead_after_s=section.dead_uploads_after_seconds,
        )
    )
