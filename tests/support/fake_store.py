"""A store in memory that passes the same contract suite as the real ones."""

from __future__ import annotations

import hashlib
import threading
import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from ingestd.ports import (
    ObjectMissing,
    Pace,
    Problem,
    SmallObject,
    StoreConflict,
    StoreDigest,
    StoredObject,
    StoreUnreachable,
)
from ingestd.store.one_by_one import stat_each

Fault = Callable[[str, bytes], None]
"""Called before each operation with its name and key; what it raises comes out of the operation."""

_SLICE_BYTES = 1 << 20


def _no_fault(operation: str, key: bytes) -> None:
    del operation, key


@dataclass
class FakeMedium:
    """What outlives a process: hand it to a second store to see what the first one left behind."""

    objects: dict[bytes, bytes] = field(default_factory=dict)
    uploads: dict[str, dict[int, bytes]] = field(default_factory=dict)
    """By token: the parts, by offset."""
    lock: threading.RLock = field(default_factory=threading.RLock)


class FakeStore:
    """Implements `Store`. Stricter than any real one: a digest that does not fit is always noticed."""

    def __init__(
        self,
        name: str = "fake",
        medium: FakeMedium | None = None,
        *,
        fault: Fault = _no_fault,
        vouches: bool = False,
        part_bytes: int | None = None,
    ) -> None:
        """`fault` may be exchanged at any time; `vouches`: `stat` and `complete` tell the digest;
        `part_bytes`: the size of parts, else as the station prefers."""
        self._name = name
        self.medium = medium or FakeMedium()
        self.fault = fault
        self.vouches = vouches
        self._part_bytes = part_bytes

    @property
    def name(self) -> str:
        return self._name

    @property
    def objects(self) -> dict[bytes, bytes]:
        """Key to content, of everything that has arrived whole."""
        return self.medium.objects

    @property
    def trouble(self) -> str | None:
        return None

    def part_bytes(self, size_bytes: int, preferred_bytes: int) -> int:
        return self._part_bytes or preferred_bytes

    def carries(self, key: bytes) -> bool:
        del key
        return True

    def begin(self, key: bytes, size_bytes: int) -> FakeUpload:
        check_key(key)
        self.fault("begin", key)
        token = uuid.uuid4().hex
        with self.medium.lock:
            self.medium.uploads[token] = {}
        return FakeUpload(self, key, token)

    def resume(self, key: bytes, size_bytes: int, token: str) -> FakeUpload | None:
        check_key(key)
        self.fault("resume", key)
        return FakeUpload(self, key, token) if token in self.medium.uploads else None

    def adopt(self, key: bytes, size_bytes: int, part_bytes: int) -> None:
        return None

    def put_batch(self, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
        for small in batch:
            check_key(small.key)
        pace_all(sum(len(small.body) for small in batch), pace)
        placed = set[bytes]()
        for small in batch:
            self.fault("put_batch", small.key)
            try:
                if not self.put_whole(small.key, bytes(small.body), small.sha256).existed:
                    placed.add(small.key)
            except StoreConflict as conflict:
                raise StoreConflict(str(conflict), placed) from None
        return {small.key for small in batch} - placed

    def put_whole(self, key: bytes, body: bytes, sha256: bytes) -> StoredObject:
        if hashlib.sha256(body).digest() != sha256:
            raise StoreDigest(f"{self._name}: what arrived has another digest than was said")
        with self.medium.lock:
            existed = key in self.medium.objects
            if self.medium.objects.setdefault(key, body) != body:
                raise StoreConflict(f"{self._name}: something else lies under {key!r}")
        return replace(self._told(key, body), existed=existed)

    def _told(self, key: bytes, body: bytes) -> StoredObject:
        return StoredObject(key, len(body), hashlib.sha256(body).digest() if self.vouches else None)

    def replace(self, key: bytes, body: bytes) -> None:
        check_key(key)
        self.fault("replace", key)
        with self.medium.lock:
            self.medium.objects[key] = bytes(body)

    def stat(self, key: bytes) -> StoredObject | None:
        check_key(key)
        self.fault("stat", key)
        body = self.medium.objects.get(key)
        return None if body is None else self._told(key, body)

    def stat_many(self, keys: Sequence[bytes]) -> Mapping[bytes, StoredObject | None]:
        return stat_each(self.stat, keys)

    def read(self, key: bytes, block_bytes: int) -> Iterator[memoryview]:
        check_key(key)
        self.fault("read", key)
        body = self.medium.objects.get(key)
        if body is None:
            raise ObjectMissing(f"{self._name}: there is no {key!r}")
        block = bytearray(block_bytes)
        for at in range(0, len(body), block_bytes):
            got = body[at : at + block_bytes]
            block[: len(got)] = got
            yield memoryview(block)[: len(got)].toreadonly()

    def remove(self, key: bytes) -> None:
        check_key(key)
        self.fault("remove", key)
        with self.medium.lock:
            self.medium.objects.pop(key, None)

    def abandon(self, token: str) -> None:
        self.fault("abandon", b"")
        with self.medium.lock:
            self.medium.uploads.pop(token, None)

    def sweep(self, live_tokens: Iterable[str]) -> int:
        self.fault("sweep", b"")
        with self.medium.lock:
            dead = set(self.medium.uploads) - set(live_tokens)
            for token in dead:
                del self.medium.uploads[token]
        return len(dead)

    def problems(self) -> Sequence[Problem]:
        return ()


class FakeUpload:
    """Implements `Upload`."""

    def __init__(self, store: FakeStore, key: bytes, token: str) -> None:
        self._store = store
        self._key = key
        self._token = token
        self._done: StoredObject | None = None

    @property
    def token(self) -> str:
        return self._token

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        pace_all(len(body), pace)
        self._store.fault("put_part", self._key)
        with self._store.medium.lock:
            self._parts()[offset] = bytes(body)

    def stream_part(
        self,
        number: int,
        offset: int,
        size_bytes: int,
        block_bytes: int,
        blocks: Iterator[memoryview],
        pace: Pace,
    ) -> None:
        body = b"".join(map(bytes, blocks))
        assert len(body) == size_bytes
        self.put_part(number, offset, memoryview(body), pace)

    def may_hold(self, number: int, size_bytes: int) -> bool:
        return False

    def holds(self, number: int, size_bytes: int, md5: bytes) -> bool:
        return False

    def complete(self, size_bytes: int, sha256: bytes) -> StoredObject:
        self._store.fault("complete", self._key)
        with self._store.medium.lock:
            if self._done is None:
                body = self._assembled(size_bytes)
                self._done = self._store.put_whole(self._key, body, sha256)
                self.abort()
            return self._done

    def abort(self) -> None:
        with self._store.medium.lock:
            self._store.medium.uploads.pop(self._token, None)

    def _parts(self) -> dict[int, bytes]:
        parts = self._store.medium.uploads.get(self._token)
        if parts is None:
            raise StoreUnreachable(f"{self._store.name}: this upload is over; send the file anew")
        return parts

    def _assembled(self, size_bytes: int) -> bytes:
        whole = bytearray()
        for offset, part in sorted(self._parts().items()):
            if offset != len(whole):
                raise StoreDigest(f"{self._store.name}: a part is missing at {len(whole)}")
            whole += part
        if len(whole) != size_bytes:
            raise StoreDigest(f"{self._store.name}: {len(whole)} bytes have arrived of {size_bytes}")
        return bytes(whole)


def check_key(key: bytes) -> None:
    parts = key.split(b"/")
    if b"\0" in key or any(part in (b"", b".", b"..") for part in parts) or parts[0] == b".ingest-parts":
        raise StoreConflict(f"{key!r} cannot be a key")


def pace_all(size_bytes: int, pace: Pace) -> None:
    """Ask for so many bytes, at most one MiB at a time."""
    for at in range(0, size_bytes, _SLICE_BYTES):
        pace(min(_SLICE_BYTES, size_bytes - at))
