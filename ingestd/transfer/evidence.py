"""What the store says about an object, and which objects a load may call its own."""

from __future__ import annotations

import hashlib

from ingestd.ports import CancelToken, Manifest, ObjectMissing, PendingFile, Store
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


def digest_of_parts(manifest: Manifest, file: PendingFile) -> bytes | None:
    """The SHA-256 of a file all of whose parts the store was given; None when some are missing.

    Only such an upload can have been completed, and the last part's prefix is the whole file.
    """
    if file.upload_token is None or not file.part_bytes:
        return None
    count = -(-file.size_bytes // file.part_bytes)
    parts = manifest.parts(file.file_no)
    if any(number not in parts for number in range(1, count + 1)):
        return None
    return parts[count] if count else hashlib.sha256().digest()


def left_by_us(store: Store, manifest: Manifest, file: PendingFile, key: bytes, cancel: CancelToken) -> bool:
    """Whether the object under the key of a pending file, of which something may have been sent, is of
    this load: put there just before it died.

    An upload in parts leaves its digest in the manifest. A small file leaves nothing, so that any object
    of its size counts, unless its announced checksum is known.
    """
    if file.upload_token is not None:
        sha256 = digest_of_parts(manifest, file)
        return sha256 is not None and is_stored(store, key, file.size_bytes, sha256, cancel)
    if file.expected_sha256 is not None:
        return is_stored(store, key, file.size_bytes, file.expected_sha256, cancel)
    found = store.stat(key)
    return found is not None and found.size_bytes == file.size_bytes
