"""The checksum algorithms that lists and bags may use, by the names that they have inside the program.

Every one has a name as the tools have it (`sha256`); BLAKE2b, whose length can be chosen, has its bits
in it (`blake2b-256`).
"""

from __future__ import annotations

import re

SHA256 = "sha256"
BLAKE2B = "blake2b"
"""The family. A digest's algorithm is the family with a number of bits: see `blake2b`."""

WEAK = frozenset({"md5", "sha1"})
"""Collisions can be made on purpose: these tell accidents, and prove nothing against a person."""

ALGORITHMS_MAX = 8
"""So many different ones at most are taken account of on one drive, since each is one more hash of all
that is read."""

_BITS = {"md5": 128, "sha1": 160, "sha224": 224, SHA256: 256, "sha384": 384, "sha512": 512}
_SPOKEN = {"md5": "MD5", "sha1": "SHA-1"}
_BLAKE2B = re.compile(r"blake2b-([0-9]{1,3})")


def blake2b(bits: int) -> str:
    """BLAKE2b with a digest of so many bits. Raises ValueError for a length that it cannot have."""
    if not 8 <= bits <= 512 or bits % 8:
        raise ValueError(f"BLAKE2b has no digests of {bits} bits")
    return f"{BLAKE2B}-{bits}"


def sized(algorithm: str, hex_digits: int) -> str:
    """The algorithm, or the one of its family, that has digests of so many hex digits.

    Raises ValueError where none has.
    """
    if algorithm == BLAKE2B:
        return blake2b(4 * hex_digits)
    if bits_of(algorithm) != 4 * hex_digits:
        raise ValueError(f"{spoken(algorithm)} has no digests of {hex_digits} hex digits")
    return algorithm


def bits_of(algorithm: str) -> int:
    """Raises KeyError for what is no algorithm."""
    if found := _BLAKE2B.fullmatch(algorithm):
        return int(found[1])
    return _BITS[algorithm]


def spoken(algorithm: str) -> str:
    """As people write it: SHA-256, MD5, BLAKE2b-256."""
    if algorithm.startswith("sha") and algorithm not in _SPOKEN:
        return f"SHA-{algorithm[3:]}"
    return _SPOKEN.get(algorithm, algorithm.replace("blake", "BLAKE"))
