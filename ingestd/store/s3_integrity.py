"""How a body is protected on its way: what is said of it beforehand, and what the store says back.

Two ways, both checked by the store itself before it answers. `signed`: the body's SHA-256 is part of the
signature. `unsigned`: a CRC-32 in a header, or an MD5 where the store has no checksums; then TLS has to
keep the line from being tampered with, and a CPU core carries about twice as much. A SHA-256 that is
there already, as for small files, is used in either case.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from isal.isal_zlib import crc32

from ingestd.ports import StoreDigest
from ingestd.store.s3_abilities import Abilities
from ingestd.store.s3_sign import UNSIGNED
from ingestd.store.s3_wire import Answer


@dataclass(frozen=True, slots=True)
class Protection:
    """`payload` goes into the signature, the headers beside it."""

    payload: str
    headers: Mapping[str, str]


def protection(able: Abilities, body: memoryview, sha256: bytes | None = None) -> Protection:
    """For a part, or a whole object whose SHA-256 is known."""
    if sha256 is not None:
        kept = {"x-amz-checksum-sha256": _base64(sha256)} if able.checksums else {}
        return Protection(sha256.hex(), kept)
    if able.signed:
        return Protection(hashlib.sha256(body).hexdigest(), {})
    return _unsigned(able, body)


def _unsigned(able: Abilities, body: memoryview) -> Protection:
    if able.checksums:
        return Protection(UNSIGNED, {"x-amz-checksum-crc32": _base64(crc32(body).to_bytes(4, "big"))})
    digest = hashlib.md5(body, usedforsecurity=False).digest()
    return Protection(UNSIGNED, {"content-md5": _base64(digest)})


def _base64(digest: bytes) -> str:
    return base64.b64encode(digest).decode()


def check(answer: Answer, sent: Protection, where: str) -> None:
    """Raise StoreDigest when the store says that it has received something else."""
    for name, value in sent.headers.items():
        told = answer.headers.get(name, value)
        if name.startswith("x-amz-checksum-") and told != value:
            raise StoreDigest(f"{where}: the checksum of what arrived is not that of what was sent")


def checksum_of(headers: Mapping[str, str]) -> str | None:
    """The checksum of a part, as completing the upload has to repeat it."""
    return headers.get("x-amz-checksum-crc32")


def is_md5(etag: str) -> bool:
    """Whether an ETag looks like an MD5, as it does unless the store encrypts."""
    return re.fullmatch(r'"?[0-9a-f]{32}"?', etag) is not None


def combined_etag(etags: list[str]) -> str | None:
    """The ETag that an object from parts with these ETags has where ETags are MD5s; None where not.

    The MD5 of the parts' MD5s and their number: common to Amazon S3 and those who follow it.
    """
    try:
        joined = b"".join(bytes.fromhex(etag.strip('"')) for etag in etags)
    except ValueError:
        return None
    if len(joined) != 16 * len(etags):
        return None
    return f"{hashlib.md5(joined, usedforsecurity=False).hexdigest()}-{len(etags)}"
