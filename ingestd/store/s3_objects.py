"""Whole objects of a store: put without overwriting, looked at, compared, read and removed."""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import math
import threading
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from ingestd.core.names import printable, shortened
from ingestd.ports import (
    ObjectMissing,
    Pace,
    PortError,
    StoreConflict,
    StoreDigest,
    StoreRefused,
    StoreUnreachable,
)
from ingestd.store.pacing import without_limit
from ingestd.store.s3_abilities import NEVER_OVERWRITE, Probe, placement
from ingestd.store.s3_client import Client, Request
from ingestd.store.s3_errors import is_absent
from ingestd.store.s3_flight import Flight
from ingestd.store.s3_integrity import Protection, check, protection
from ingestd.store.s3_keys import BadKey, KeyTooLong, object_key
from ingestd.store.s3_settings import S3Settings
from ingestd.store.s3_wire import Answer

SHA256 = "x-amz-meta-ingest-sha256"
"""What an object's content was when the station put it there as a whole."""
ORIGIN = "x-amz-meta-ingest-origin"
"""Tells what one call or upload has put there from the same content put there by others."""

_READ_TRIES = 5
_WORDLESS = {400, 401, 403}
"""Refusals of which only the code says whether they last."""
_FIRST_OF_ALL = Request(method="GET", query=[("list-type", "2"), ("max-keys", "1")])
_BUCKET_SEEN_S = 1.0
"""For so long a bucket that was seen is taken to be there."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the store says about an object."""

    size_bytes: int
    etag: str
    sha256: bytes | None
    origin: str | None


@dataclass(frozen=True, slots=True)
class Whole:
    """One object to be put: the path as the port has it, and the key in the store."""

    path: bytes
    key: str
    body: memoryview
    sha256: bytes


@dataclass(slots=True)
class _Reading:
    """How far the reading of an object has come. The size is negative while it is not known."""

    key: str
    block: memoryview
    at: int = 0
    size_bytes: int = -1
    etag: str = ""

    @property
    def is_over(self) -> bool:
        return self.at == self.size_bytes

    def filled(self, pieces: Iterator[bytes | bytearray]) -> Iterator[memoryview]:
        """The pieces in blocks. What is in a block that did not become full is not counted as read,
        unless it is the last."""
        used = 0
        for piece in pieces:
            rest = memoryview(piece)
            while rest:
                taken = min(len(rest), len(self.block) - used)
                self.block[used : used + taken] = rest[:taken]
                rest, used = rest[taken:], used + taken
                if used == len(self.block) or self.at + used == self.size_bytes:
                    self.at += used
                    yield self.block[:used].toreadonly()
                    used = 0
        if self.size_bytes < 0:
            self.at = self.size_bytes = self.at + used
            if used:
                yield self.block[:used].toreadonly()


class Claims:
    """Keys that this process is about to give to objects, for stores that cannot refuse to overwrite."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._busy: set[str] = set()

    @contextlib.contextmanager
    def on(self, keys: Collection[str], *, needed: bool) -> Iterator[None]:
        """Have them to oneself, all or none, so that nobody waits crosswise."""
        if not needed:
            yield
            return
        wanted = set(keys)
        with self._changed:
            self._changed.wait_for(lambda: not self._busy & wanted)
            self._busy |= wanted
        try:
            yield
        finally:
            with self._changed:
                self._busy -= wanted
                self._changed.notify_all()


class Objects:
    """Raises the errors of the port. Safe between threads."""

    def __init__(self, client: Client, probe: Probe) -> None:
        self.client = client
        self.settings: S3Settings = client.settings
        self.probe = probe
        self.claims = Claims()
        self.flight = Flight(self.settings.in_flight)
        self.looks = Flight(self.settings.in_flight)
        self._bucket_seen_at = -math.inf

    # -- keys and their errors --------------------------------------------------------------------

    def key_of(self, path: bytes) -> str:
        try:
            return object_key(self.settings.prefix, path)
        except KeyTooLong as error:
            raise StoreRefused(
                f"{self.client}: {_shown(path)!r} cannot be stored: {error}; "
                "have it put into an archive, or use a store that takes longer names"
            ) from None
        except BadKey as error:
            raise StoreConflict(
                f"{self.client}: {_shown(path)!r} cannot be a key: {error}; give the job another destination"
            ) from None

    def conflict(self, path: bytes) -> StoreConflict:
        return StoreConflict(
            f"{self.client}: something else lies under {_shown(path)!r} and was left as it is; "
            "move it away, or give the job another destination"
        )

    # -- putting ----------------------------------------------------------------------------------

    def request(self, whole: Whole, origin: str) -> tuple[Request, Protection]:
        """The request that puts a whole object under a key that nothing has."""
        able = self.probe.abilities()
        sent = protection(able, whole.body, whole.sha256)
        headers = {
            **placement(self.settings),
            **sent.headers,
            **(NEVER_OVERWRITE if able.conditional_put else {}),
            SHA256: whole.sha256.hex(),
            ORIGIN: origin,
        }
        request = Request(method="PUT", key=whole.key, body=whole.body, headers=headers, payload=sent.payload)
        return request, sent

    def place(self, whole: Whole, origin: str, pace: Pace = without_limit) -> bool:
        """Put one object; whether the same content was there already. Raises StoreConflict."""
        conditional = self.probe.abilities().conditional_put
        with self.claims.on([whole.key], needed=not conditional):
            if not conditional and (found := self.find(whole.key)) is not None:
                return self.settle(whole, origin, found)
            request, sent = self.request(whole, origin)
            return self.answered(whole, origin, sent, self.client.ask(request, pace))

    def answered(self, whole: Whole, origin: str, sent: Protection, answer: Answer) -> bool:
        """What an answer to a put means: whether the same content was there already."""
        if answer.status == 412:
            found = self.find(whole.key)
            if found is None:
                raise StoreUnreachable(f"{self.client}: a key was taken and is free again; it is tried again")
            return self.settle(whole, origin, found)
        check(self.client.kept(answer), sent, str(self.client))
        return False

    def settle(self, whole: Whole, origin: str, found: Found) -> bool:
        """A key is taken: whether by somebody else with the same content, or by this very call."""
        if not self.is_same(whole.key, found, len(whole.body), whole.sha256, whole.body):
            raise self.conflict(whole.path)
        return found.origin != origin

    def replace(self, key: str, body: bytes) -> None:
        """Store one of our own small records, over what is there."""
        digest = hashlib.sha256(body).digest()
        sent = protection(self.probe.abilities(), memoryview(body), digest)
        headers = {**placement(self.settings), **sent.headers, SHA256: digest.hex()}
        request = Request(method="PUT", key=key, body=memoryview(body), headers=headers, payload=sent.payload)
        check(self.client.kept(self.client.ask(request)), sent, str(self.client))

    # -- looking ----------------------------------------------------------------------------------

    def find(self, key: str) -> Found | None:
        return self.found_in(key, self.client.ask(self.look(key)))

    def look(self, key: str) -> Request:
        """The request whose answer tells what is under a key."""
        headers = {"x-amz-checksum-mode": "ENABLED"} if self.probe.abilities().checksums else {}
        return Request(method="HEAD", key=key, headers=headers)

    def found_in(self, key: str, answer: Answer) -> Found | None:
        """What the answer to `look` says; None where there is nothing."""
        if answer.status == 404:
            return None
        if answer.status in _WORDLESS:
            raise self._refusal(Request(method="GET", key=key, headers={"range": "bytes=0-0"}), answer)
        headers = dict(self.client.judged(answer).headers)
        if not (headers.get("etag") and headers.get("content-length", "").isdecimal()):
            raise self.client.not_its_own("it tells no ETag or no size of an object")
        return Found(
            size_bytes=int(headers["content-length"]),
            etag=headers.get("etag", "").strip('"'),
            sha256=_sha256_in(headers),
            origin=headers.get(ORIGIN),
        )

    def require_bucket(self) -> None:
        """Raise StoreMissing where there is no bucket: a HEAD does not tell that from a missing object."""
        now = time.monotonic()
        if now - self._bucket_seen_at > _BUCKET_SEEN_S:
            answer = self.client.ask(Request(method="HEAD"))
            if answer.status in _WORDLESS:
                raise self._refusal(_FIRST_OF_ALL, answer)
            self.client.judged(answer)
            self._bucket_seen_at = now

    def _refusal(self, in_words: Request, answer: Answer) -> PortError:
        """What the refusal of a HEAD means. Its answer has no body, so no code either: the same is asked in
        a way that has one, lest a clock or a token that is out of date pass for missing rights."""
        said = self.client.ask(in_words)
        if said.status in _WORDLESS:
            return self.client.error_of(said)
        self.client.error_of(answer)
        return StoreUnreachable(
            f"{self.client}: it refused what it permits a moment later; it is tried again"
        )

    def is_same(
        self, key: str, found: Found, size_bytes: int, sha256: bytes, body: memoryview | None = None
    ) -> bool:
        """Whether an object has this content: by its size and SHA-256, else its MD5, else read back."""
        if found.size_bytes != size_bytes:
            return False
        if found.sha256 is not None:
            return found.sha256 == sha256
        if body is not None and found.etag == hashlib.md5(body, usedforsecurity=False).hexdigest():
            return True
        digest = hashlib.sha256()
        for block in self.read(key, 1 << 20):
            digest.update(block)
        return digest.digest() == sha256

    def read(self, key: str, block_bytes: int) -> Iterator[memoryview]:
        """See `Store`. A connection that breaks costs what had not come, not what had."""
        reading = _Reading(key, memoryview(bytearray(block_bytes)))
        tries = 0
        while not reading.is_over:
            before = reading.at
            try:
                yield from self._on(reading)
            except StoreUnreachable:
                tries = tries + 1 if reading.at == before else 1
                if tries >= _READ_TRIES or not reading.etag:
                    raise

    def _on(self, reading: _Reading) -> Iterator[memoryview]:
        """Go on with the object where the last try broke off; it has to be the same one still."""
        at = reading.at
        headers = {"range": f"bytes={at}-", "if-match": reading.etag} if at else {}
        with self.client.fetching(Request(method="GET", key=reading.key, headers=headers)) as (answer, body):
            if answer.status == 404:
                raise ObjectMissing(
                    f"{self.client}: an object is not there; find out who took it away, then load it again"
                )
            if answer.status == 412:
                raise StoreDigest(f"{self.client}: an object was exchanged while it was read")
            if answer.status not in (200, 206):
                raise self.client.error_of(answer)
            if at and answer.status != 206:
                raise StoreUnreachable(f"{self.client}: it does not read on in an object; it is tried again")
            if not answer.headers.get("etag"):
                raise self.client.not_its_own("it gives an object without an ETag")
            reading.etag = answer.headers["etag"]
            length = _length(answer)
            if length is None and not _is_chunked(answer):
                raise self.client.not_its_own("it tells no length of what it gives")
            reading.size_bytes = -1 if length is None else at + length
            yield from reading.filled(body)

    def remove(self, key: str) -> None:
        answer = self.client.ask(Request(method="DELETE", key=key))
        if is_absent(answer):
            return
        self.client.judged(answer)


def _is_chunked(answer: Answer) -> bool:
    return "chunked" in answer.headers.get("transfer-encoding", "").lower()


def _length(answer: Answer) -> int | None:
    """Of the body, where it is told beforehand."""
    told = answer.headers.get("content-length", "")
    return int(told) if told.isdecimal() and not _is_chunked(answer) else None


def _sha256_in(headers: dict[str, str]) -> bytes | None:
    """The SHA-256 of the whole content: the store's own, or the one that was kept with it."""
    own = headers.get("x-amz-checksum-sha256", "")
    if own and "-" not in own and headers.get("x-amz-checksum-type", "FULL_OBJECT") == "FULL_OBJECT":
        with contextlib.suppress(binascii.Error):
            return base64.b64decode(own, validate=True)
    with contextlib.suppress(ValueError):
        return bytes.fromhex(headers.get(SHA256, "")) or None
    return None


def _shown(path: bytes) -> str:
    return shortened(printable(path))
