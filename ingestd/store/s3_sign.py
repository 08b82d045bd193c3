"""Signature Version 4, as far as S3 needs it: a few lines instead of a library's objects for each request.

Source: Amazon S3 API Reference, "Authenticating Requests (AWS Signature Version 4)": "Signature
Calculations for the Authorization Header: Transferring Payload in a Single Chunk" and "... in Multiple
Chunks". Paths are encoded once, as S3 wants it. The tests hold the published examples, and botocore.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import quote

UNSIGNED = "UNSIGNED-PAYLOAD"
STREAMING = "STREAMING-AWS4-HMAC-SHA256-PAYLOAD"
EMPTY_SHA256 = hashlib.sha256(b"").hexdigest()

_ALGORITHM = "AWS4-HMAC-SHA256"

Query = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Secret:
    """One set of credentials. Its text shows nothing of them."""

    access_key: str
    secret_key: str
    token: str | None = None

    def __repr__(self) -> str:
        return "Secret(...)"


def _hmac(key: bytes, text: str) -> bytes:
    return hmac.digest(key, text.encode(), "sha256")


def signing_key(secret: Secret, day: str, region: str) -> bytes:
    """The key for one day, region and S3."""
    key = f"AWS4{secret.secret_key}".encode()
    for step in (day, region, "s3", "aws4_request"):
        key = _hmac(key, step)
    return key


def query_text(query: Query) -> str:
    """The query as it stands in the URL and in the signature."""
    pairs = sorted((quote(name, safe="-_.~"), quote(value, safe="-_.~")) for name, value in query)
    return "&".join(f"{name}={value}" for name, value in pairs)


def stamp(moment: float) -> str:
    """Seconds since 1970 as signatures have the time."""
    return datetime.fromtimestamp(moment, UTC).strftime("%Y%m%dT%H%M%SZ")


class Signer:
    """Signs the requests of one store. Safe to use from several threads."""

    def __init__(self, region: str) -> None:
        self._region = region
        self._cached: tuple[Secret, str, bytes] | None = None

    def _key(self, secret: Secret, day: str) -> bytes:
        cached = self._cached
        if cached is None or cached[0] != secret or cached[1] != day:
            cached = self._cached = (secret, day, signing_key(secret, day, self._region))
        return cached[2]

    def authorization(
        self, secret: Secret, method: str, path: str, query: str, headers: Mapping[str, str]
    ) -> str:
        """The value of the header. `headers` have names in lower case and hold all that is to be signed,
        `host`, `x-amz-date` and `x-amz-content-sha256` among them, without blanks that the rules would
        squeeze; `path` and `query` are encoded."""
        names = sorted(headers)
        signed = ";".join(names)
        lines = "".join(f"{name}:{headers[name]}\n" for name in names)
        payload, at = headers["x-amz-content-sha256"], headers["x-amz-date"]
        canonical = f"{method}\n{path}\n{query}\n{lines}\n{signed}\n{payload}"
        scope = self.scope(at)
        hashed = hashlib.sha256(canonical.encode()).hexdigest()
        signature = _hmac(self._key(secret, at[:8]), f"{_ALGORITHM}\n{at}\n{scope}\n{hashed}").hex()
        return (
            f"{_ALGORITHM} Credential={secret.access_key}/{scope},"
            f"SignedHeaders={signed},Signature={signature}"
        )

    def scope(self, at: str) -> str:
        return f"{at[:8]}/{self._region}/s3/aws4_request"

    def chunks(self, secret: Secret, at: str, authorization: str) -> ChunkSigner:
        """Signs the chunks of a body whose head has this authorization, in their order."""
        seed = authorization.rpartition("Signature=")[2]
        return ChunkSigner(self._key(secret, at[:8]), at, self.scope(at), seed)


class ChunkSigner:
    """The chain of signatures of one body that is sent in chunks."""

    def __init__(self, key: bytes, at: str, scope: str, seed: str) -> None:
        self._key = key
        self._head = f"{_ALGORITHM}-PAYLOAD\n{at}\n{scope}\n"
        self._last = seed

    def sign(self, chunk: memoryview | bytes) -> str:
        """The signature of the next chunk; the empty one comes last."""
        hashed = hashlib.sha256(chunk).hexdigest()
        self._last = _hmac(self._key, f"{self._head}{self._last}\n{EMPTY_SHA256}\n{hashed}").hex()
        return self._last

    def frame(self, chunk: memoryview | bytes) -> bytes:
        """What stands before the chunk on the wire; CR LF stands behind it."""
        return f"{len(chunk):x};chunk-signature={self.sign(chunk)}\r\n".encode()


def framed_bytes(size_bytes: int, chunk_bytes: int) -> int:
    """How long a body becomes on the wire, cut into chunks of this size and the empty one."""
    full, rest = divmod(size_bytes, chunk_bytes)
    total = full * _frame_bytes(chunk_bytes) + _frame_bytes(0)
    return total + (_frame_bytes(rest) if rest else 0)


def _frame_bytes(chunk_bytes: int) -> int:
    return len(f"{chunk_bytes:x}") + len(";chunk-signature=") + 64 + 2 + chunk_bytes + 2
