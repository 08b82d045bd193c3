"""What is said of a body before it is sent, against what others make of the same bytes."""

from __future__ import annotations

import base64
import hashlib
import zlib
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from ingestd.store.s3_abilities import Abilities
from ingestd.store.s3_integrity import protection
from ingestd.store.s3_sign import UNSIGNED

UNCHECKED = Abilities(
    conditional_put=True, conditional_complete=True, checksums=False, signed=False, chunks=True
)
CHECKED = replace(UNCHECKED, checksums=True)


def crc32_of(body: bytes) -> int:
    told = protection(CHECKED, memoryview(body)).headers["x-amz-checksum-crc32"]
    return int.from_bytes(base64.b64decode(told, validate=True), "big")


def test_the_check_value_of_crc_32() -> None:
    # The CRC of the nine digits, as catalogues of CRCs give it for CRC-32/ISO-HDLC; from memory.
    assert crc32_of(b"123456789") == 0xCBF43926


@given(st.binary(max_size=5_000), st.integers(0, 63))
def test_the_crc_32_is_that_of_zlib(body: bytes, begin: int) -> None:
    """Of any length, and from any place in memory: it is computed many bytes at a time."""
    assert crc32_of(body[begin:]) == zlib.crc32(body[begin:])


def test_a_store_without_checksums_is_given_an_md5() -> None:
    sent = protection(UNCHECKED, memoryview(b"sonar"))
    assert sent.payload == UNSIGNED
    assert base64.b64decode(sent.headers["content-md5"]) == hashlib.md5(b"sonar").digest()
