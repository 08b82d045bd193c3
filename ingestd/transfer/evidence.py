"""What the store says about an object, and which objects a load may call its own."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from ingestd.ports import CancelToken, ObjectMissing, Store
from ingestd.transfer.damage import BLOCK_BYTES


def read_back(store: Store, key: bytes, cancel: CancelToken) -> tuple[int, bytes] | None:
    """Size and SHA-256 of what the store gives out under a key; None when there is nothing."""
    digest, size_bytes = hashlib.sha256(), 0
    try:
        for block in store.read(key, BLOCK_BYTES):
            cancel.check()
            digest.update(block)
            size_bytes += len(block)
            cancel.beat()
    except ObjectMissing:
        return None
    return size_bytes, digest.digest()


def is_stored(store: Store, key: bytes, size_bytes: int, sha256: bytes, cancel: CancelToken) -> bool:
    """Whether exactly this content lies under the key, by the store's word or else read back."""
    found = store.stat(key)
    if found is None or found.size_bytes != size_bytes:
        return False
    if found.sha256 is not None:
        return found.sha256 == sha256
    return read_back(store, key, cancel) == (size_bytes, sha256)


def remove_left(
    store: Store, key: bytes, sha256: bytes, check: Callable[[], None], cancel: CancelToken
) -> int:
    """Remove what this load has left under a key, and say how many bytes that was; -1 if it is not there.

    What has another content is somebody else's and stays. `check` raises Cancelled where this is not for
    the caller to do any more; it is asked at the last moment, since reading an object back may take long.
    """
    found = store.stat(key)
    if found is None or not is_stored(store, key, found.size_bytes, sha256, cancel):
        return -1
    check()
    store.remove(key)
    return found.size_bytes
