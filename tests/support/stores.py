"""Small words for tests that put something into a store and look at it."""

from __future__ import annotations

import hashlib
import random

from ingestd.ports import SmallObject, Store, StoredObject


def at_will(size_bytes: int) -> None:
    """A pace without a limit."""
    del size_bytes


def some_bytes(size: int, seed: int = 0) -> bytes:
    return random.Random(seed).randbytes(size)


def sha256(body: bytes) -> bytes:
    return hashlib.sha256(body).digest()


def small(key: bytes, body: bytes) -> SmallObject:
    return SmallObject(key, memoryview(body), sha256(body))


def parts(body: bytes, part_bytes: int) -> list[tuple[int, int, memoryview]]:
    """Number, from 1, offset and content of each part."""
    view = memoryview(body)
    offsets = range(0, len(body), part_bytes)
    return [(number, at, view[at : at + part_bytes]) for number, at in enumerate(offsets, start=1)]


def put(store: Store, key: bytes, body: bytes) -> StoredObject:
    upload = store.begin(key, len(body))
    for part in parts(body, 64_000):
        upload.put_part(*part, at_will)
    return upload.complete(len(body), sha256(body))


def content(store: Store, key: bytes, block_bytes: int = 100_000) -> bytes:
    return b"".join(bytes(block) for block in store.read(key, block_bytes))
