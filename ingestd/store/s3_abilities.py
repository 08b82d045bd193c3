"""What a store can do beyond the least that all have, found out by trying, once."""

from __future__ import annotations

import base64
import hashlib
import threading
import uuid
from dataclasses import dataclass

from ingestd.store.s3_client import Client, Framing, Request, Stream
from ingestd.store.s3_keys import RESERVED, joined
from ingestd.store.s3_listing import Part, completion, text_of
from ingestd.store.s3_settings import Checksums, Payload, S3Settings
from ingestd.store.s3_wire import Answer

NEVER_OVERWRITE = {"if-none-match": "*"}
"""RFC 9110, section 13.1.2; Amazon S3 User Guide, "Conditional writes"."""
SEALED_WITH = "x-amz-server-side-encryption"
_BODY = memoryview(b"a scratch object of the ingest station; it can be removed\n")


@dataclass(frozen=True, slots=True)
class Abilities:
    """What may be relied on."""

    conditional_put: bool
    conditional_complete: bool
    checksums: bool
    """SHA-256 and CRC-32 of bodies are checked, kept and told by the store."""
    signed: bool
    """Bodies are sent with their SHA-256 in the signature."""
    chunks: bool
    """Bodies may come in chunks that are signed one by one."""

    @property
    def part_checksums(self) -> bool:
        """Whether parts carry a CRC-32, which an upload has to say when it is begun."""
        return self.checksums and not self.signed


class Probe:
    """Finds out at the first use and remembers. Safe between threads; raises what the client does."""

    def __init__(self, client: Client, known: Abilities | None = None) -> None:
        self._client = client
        self._lock = threading.Lock()
        self._found = known

    def abilities(self) -> Abilities:
        found = self._found
        if found is None:
            with self._lock:
                found = self._found = self._found or _tried_out(self._client)
        return found


def _tried_out(client: Client) -> Abilities:
    key = joined(client.settings.prefix, f"{RESERVED.decode()}/scratch/{uuid.uuid4().hex}")
    # As data is going to be put, so that what the store does not take shows before there is any.
    client.kept(client.ask(Request(method="PUT", key=key, body=_BODY, headers=placement(client.settings))))
    try:
        checksums, kept = _checksums(client, key), encryption(client.settings)
        return Abilities(
            conditional_put=_refuses(
                client.ask(Request(method="PUT", key=key, body=_BODY, headers={**kept, **NEVER_OVERWRITE}))
            ),
            conditional_complete=_conditional_complete(client, key),
            checksums=checksums,
            signed=_signed(client, checksums=checksums),
            chunks=_chunks(client, key),
        )
    finally:
        client.ask(Request(method="DELETE", key=key))


def _refuses(answer: Answer) -> bool:
    return answer.status == 412


def _signed(client: Client, *, checksums: bool) -> bool:
    if client.settings.payload is Payload.AUTO:
        return not (client.url.startswith("https:") and checksums)
    return client.settings.payload is Payload.SIGNED


def _checksums(client: Client, key: str) -> bool:
    wanted = client.settings.checksums
    if wanted is not Checksums.AUTO:
        return wanted is Checksums.ON
    value = base64.b64encode(hashlib.sha256(_BODY).digest()).decode()
    headers = {"x-amz-checksum-sha256": value, **encryption(client.settings)}
    answer = client.ask(Request(method="PUT", key=key, body=_BODY, headers=headers))
    return answer.status == 200 and answer.headers.get("x-amz-checksum-sha256") == value


def _chunks(client: Client, key: str) -> bool:
    stream = Stream(iter([_BODY]), len(_BODY), len(_BODY), Framing.SIGNED)
    headers = encryption(client.settings)
    answer = client.ask(Request(method="PUT", key=key, stream=stream, headers=headers))
    if answer.status != 200:
        return False
    kept = client.must(Request(method="HEAD", key=key)).headers
    return kept.get("content-length") == str(len(_BODY))


def _conditional_complete(client: Client, key: str) -> bool:
    headers = encryption(client.settings)
    begun = client.must(Request(method="POST", key=key, query=[("uploads", "")], headers=headers))
    upload = ("uploadId", text_of(client, begun.body, "UploadId"))
    try:
        query = [("partNumber", "1"), upload]
        etag = client.must(Request(method="PUT", key=key, query=query, body=_BODY)).headers.get("etag", "")
        body = memoryview(completion([Part(1, len(_BODY), etag)]))
        return _refuses(
            client.ask(Request(method="POST", key=key, query=[upload], body=body, headers=NEVER_OVERWRITE))
        )
    finally:
        client.ask(Request(method="DELETE", key=key, query=[upload]))


def placement(settings: S3Settings) -> dict[str, str]:
    """Headers that say how an object is to be kept."""
    placed = {"x-amz-storage-class": settings.storage_class} if settings.storage_class else {}
    return placed | encryption(settings)


def encryption(settings: S3Settings) -> dict[str, str]:
    """Those of the store's own encryption, for whatever is put there: a bucket may refuse all else."""
    wanted = {
        SEALED_WITH: settings.encryption,
        "x-amz-server-side-encryption-aws-kms-key-id": settings.encryption_key_id,
    }
    return {name: value for name, value in wanted.items() if value}
