"""CMS: encrypted messages in ASN.1, as S/MIME and `openssl cms` write them.

Enveloped data (RFC 5652, section 6) and authenticated enveloped data (RFC 5083), in DER or with BER's
indefinite lengths. Signed data and plain data are told as what they are: not encrypted.
"""

from __future__ import annotations

from dataclasses import dataclass

from ingestd.content.sample import Content, Structure

_HEAD_BYTES = 64 << 10
_UNEVENNESS_MAX = 6.0
"""Of what stands before the content: of each recipient an encrypted key, and as many letters at most."""
_SEQUENCE, _SET, _OID, _INTEGER, _OCTETS = 0x30, 0x31, 0x06, 0x02, 0x04
_EXPLICIT = 0xA0
_CONTENT_PRIMITIVE, _CONTENT_CONSTRUCTED = 0x80, 0xA0

_PKCS7 = bytes.fromhex("2a864886f70d0107")
_DATA, _SIGNED, _ENVELOPED = (_PKCS7 + bytes([number]) for number in (1, 2, 3))
_AUTH_ENVELOPED = bytes.fromhex("2a864886f70d0109100117")


class _NotCms(Exception):
    """It goes on otherwise than CMS does."""


@dataclass(slots=True)
class _Reader:
    """Tags, lengths and values, from `at` on. A length of None is BER's indefinite one."""

    data: bytes
    at: int = 0

    def peek(self) -> int:
        if self.at >= len(self.data):
            raise _NotCms
        return self.data[self.at]

    def enter(self, tag: int) -> int | None:
        """Go to where the value of an element with this tag begins; its length."""
        if self.peek() != tag or self.at + 2 > len(self.data):
            raise _NotCms
        first = self.data[self.at + 1]
        self.at += 2
        if first < 0x80:
            return first
        if first == 0x80:
            return None
        width = first & 0x7F
        if width > 8 or self.at + width > len(self.data):
            raise _NotCms
        length = int.from_bytes(self.data[self.at : self.at + width], "big")
        self.at += width
        return length

    def value(self, tag: int) -> bytes:
        length = self.enter(tag)
        if length is None or self.at + length > len(self.data):
            raise _NotCms
        self.at += length
        return self.data[self.at - length : self.at]

    def skip(self, depth: int = 0) -> None:
        """Past one element, whatever it is, and however deep its indefinite lengths are."""
        constructed = self.peek() & 0x20
        length = self.enter(self.peek())
        if length is not None:
            self.at += length
            return
        if not constructed or depth > 16:
            raise _NotCms
        while self.data[self.at : self.at + 2] != b"\0\0":
            self.skip(depth + 1)
        self.at += 2


def structure(content: Content) -> Structure | None:
    """The structure of a CMS message whose recipients are in its first 64 KiB; None for anything else."""
    head = content.read(0, _HEAD_BYTES)
    if not head.startswith(bytes([_SEQUENCE])):
        return None
    try:
        return _content_info(_Reader(head))
    except _NotCms:
        return None


def _content_info(reader: _Reader) -> Structure:
    reader.enter(_SEQUENCE)
    kind = reader.value(_OID)
    if kind not in (_DATA, _SIGNED, _ENVELOPED, _AUTH_ENVELOPED):
        raise _NotCms
    reader.enter(_EXPLICIT)
    if kind == _DATA:
        reader.peek()
        return Structure("cms data", reader.at, encrypted=False)
    reader.enter(_SEQUENCE)
    reader.value(_INTEGER)
    return _signed(reader) if kind == _SIGNED else _enveloped(reader)


def _signed(reader: _Reader) -> Structure:
    """What is signed may itself be enveloped, which is not looked into."""
    if reader.peek() != _SET:
        raise _NotCms
    reader.skip()
    reader.enter(_SEQUENCE)
    if reader.value(_OID) != _DATA:
        raise _NotCms
    return Structure("cms signed data", reader.at, encrypted=False)


def _enveloped(reader: _Reader) -> Structure:
    if reader.peek() == _EXPLICIT:
        reader.skip()  # who sends it
    if reader.peek() != _SET:
        raise _NotCms
    reader.skip()  # who may read it
    reader.enter(_SEQUENCE)
    reader.value(_OID)
    if reader.peek() != _SEQUENCE:
        raise _NotCms
    reader.skip()  # the cipher
    if reader.peek() == _CONTENT_PRIMITIVE:
        reader.enter(_CONTENT_PRIMITIVE)
        return _sealed(reader)
    reader.enter(_CONTENT_CONSTRUCTED)
    chunk_at = reader.at
    reader.enter(_OCTETS)
    # In chunks, each behind a tag and a length.
    return _sealed(reader, framing=reader.data[chunk_at : reader.at])


def _sealed(reader: _Reader, framing: bytes = b"") -> Structure:
    return Structure(
        "cms enveloped data",
        reader.at,
        framing=framing,
        refine=_without_ends if framing else None,
        keys=reader.data[: reader.at],
        keys_unevenness_max=_UNEVENNESS_MAX,
    )


def _without_ends(block: bytes) -> bytes:
    """The block without the marks that end what has no length: two zeros for each that it lies in."""
    return block.rstrip(b"\0")
