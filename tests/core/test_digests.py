"""The names of checksum algorithms, for people and for the program."""

from __future__ import annotations

import pytest

from ingestd.core.digests import bits_of, blake2b, sized, spoken


def test_names_for_people() -> None:
    names = ("md5", "sha1", "sha224", "sha256", "sha512", "blake2b-160")
    assert [spoken(name) for name in names] == [
        "MD5",
        "SHA-1",
        "SHA-224",
        "SHA-256",
        "SHA-512",
        "BLAKE2b-160",
    ]


def test_lengths() -> None:
    assert (bits_of("md5"), bits_of("sha384"), bits_of("blake2b-160")) == (128, 384, 160)
    assert sized("sha256", 64) == "sha256"
    assert sized("blake2b", 64) == "blake2b-256"


@pytest.mark.parametrize("bits", [0, 7, 12, 520])
def test_lengths_that_blake2b_cannot_have(bits: int) -> None:
    with pytest.raises(ValueError, match="no digests"):
        blake2b(bits)


def test_a_digest_of_another_length_is_none() -> None:
    with pytest.raises(ValueError, match="MD5 has no digests of 64 hex digits"):
        sized("md5", 64)
