"""The digests of a file, all from the one time that it is read.

The SHA-256 is always taken, for the store and the manifest. What lists and bags on the drive say by other
algorithms costs one more hash of the same buffer each, for the files that they name.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import cast

from ingestd.core.digests import BLAKE2B, SHA256, bits_of
from ingestd.ports import Said


def hash_by(algorithm: str) -> hashlib._Hash:
    """A fresh hash. Raises KeyError for what is no algorithm."""
    bits = bits_of(algorithm)
    if algorithm.startswith(BLAKE2B):
        # One type to those who use it; the interpreter has two.
        return cast("hashlib._Hash", hashlib.blake2b(digest_size=bits // 8))
    return hashlib.new(algorithm, usedforsecurity=False)


class Hashes:
    """Of one file, as it is read from its beginning to its end."""

    def __init__(self, expected: Sequence[Said] = ()) -> None:
        self._sha256 = hashlib.sha256()
        others = {said.algorithm for said in expected} - {SHA256}
        self._by = {SHA256: self._sha256} | {algorithm: hash_by(algorithm) for algorithm in sorted(others)}
        self._expected = expected

    def update(self, block: memoryview) -> None:
        for each in self._by.values():
            each.update(block)

    def copy(self) -> hashlib._Hash:
        """The SHA-256 as far as it is. What is read a second time goes into copies, and so into nothing
        but this one."""
        return self._sha256.copy()

    def digest(self) -> bytes:
        """The SHA-256 of what was read so far."""
        return self._sha256.digest()

    def broken(self) -> tuple[Said, bytes] | None:
        """The first of what was said that is not true, and the digest in truth; None when all is."""
        for said in self._expected:
            found = self._by[said.algorithm].digest()
            if found != said.digest:
                return said, found
        return None
