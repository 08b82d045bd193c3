"""Whether a file is an OpenPGP message, and whether that message is encrypted (RFC 9580).

An encrypted message is session-key packets followed by one packet of encrypted data that ends where
the file does. Signed, compressed and literal messages are plain, whatever programs call them.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

from ingestd.content.randomness import measure
from ingestd.content.sample import Content, HeadContent, Structure

_SESSION_KEYS_MAX = 1000
_SESSION_KEY_BYTES_MAX = 16 << 10
"""Of one packet before the encrypted data. Keys of RSA have 0.5 KiB, those that a quantum computer does not
find 1.7 KiB."""
_SESSION_KEYS_BYTES_MAX = 1 << 20
_PACKET_COST_BYTES = 256
_PARTS_FOLLOWED_MAX = 64
_FIRST_PART_BYTES_MIN = 512
_PACKED_BYTES = 4096
_NESTED_MAX = 3
_UNCOMPRESSED, _ZIP, _ZLIB, _BZIP2 = range(4)
_BZIP2_BLOCK = bytes.fromhex("314159265359")


class _Tag(IntEnum):
    """Packet types (section 5)."""

    PKESK = 1
    SIGNATURE = 2
    SKESK = 3
    ONE_PASS = 4
    COMPRESSED = 8
    SED = 9
    MARKER = 10
    LITERAL = 11
    SEIPD = 18
    AEAD = 20
    PADDING = 21


_ENCRYPTED = frozenset((_Tag.SED, _Tag.SEIPD, _Tag.AEAD))
_PLAIN = frozenset((_Tag.SIGNATURE, _Tag.ONE_PASS, _Tag.COMPRESSED, _Tag.LITERAL))
_CIPHERS = frozenset((1, 2, 3, 4, 7, 8, 9, 10, 11, 12, 13))
_FIXED_BYTES: Mapping[int, int] = {_Tag.PKESK: 12, _Tag.SKESK: 4}
"""What packets of one message may have in common before what is random in them."""
_MODES = frozenset((1, 2, 3))
_HASHES = frozenset((1, 2, 3, 8, 9, 10, 11, 12, 14))
_S2K_TYPES = frozenset((0, 1, 3, 4))
_SIGNATURE_TYPES = frozenset((0x00, 0x01, 0x02))
"""Of signatures over documents."""
_KEY_ALGORITHMS = range(1, 111)


@dataclass(frozen=True, slots=True)
class _Packet:
    tag: int
    body_at: int
    length: int | None
    """None where the packet comes in parts or reaches to the end of the file."""
    first_part: int | None = None
    """Octet that announces the first part, where the packet comes in parts."""


def structure(content: Content) -> Structure | None:
    """The structure of a binary OpenPGP message; None for anything else.

    Where it is not known how the content ends, neither is it checked that the message ends there.
    """
    at = keys = 0
    said = bytearray()
    for _ in range(_SESSION_KEYS_MAX):
        packet = _packet(content, at)
        if packet is None:
            return None
        if packet.tag in _ENCRYPTED:
            found = _encrypted(content, packet, after_keys=keys > 0)
            return found and replace(found, keys=bytes(said))
        if not keys and packet.tag in _PLAIN:
            return _plain(content, packet)
        if packet.length is None or packet.length > _SESSION_KEY_BYTES_MAX:
            return None
        if not _may_come_first(content, packet) or len(said) > _SESSION_KEYS_BYTES_MAX:
            return None
        content.spend(_PACKET_COST_BYTES + packet.length)
        said += content.read(packet.body_at, packet.length)[_FIXED_BYTES.get(packet.tag, 0) :]
        keys += packet.tag in (_Tag.PKESK, _Tag.SKESK)
        at = packet.body_at + packet.length
    return None


def _packet(content: Content, at: int) -> _Packet | None:
    """The packet that begins at `at` (section 4.2), if one does."""
    head = content.read(at, 6)
    if len(head) < 2 or not head[0] & 0x80:
        return None
    if head[0] & 0x40:
        tag = head[0] & 0x3F
        if _announces_part(head[1]):
            return _Packet(tag, at + 2, None, first_part=head[1])
        length, size = _length(head[1:])
        return _Packet(tag, at + 1 + size, length)
    size = (1, 2, 4, 0)[head[0] & 0x03]
    stated = int.from_bytes(head[1 : 1 + size], "big") if size else None
    return _Packet(head[0] >> 2 & 0x0F, at + 1 + size, stated)


def _announces_part(octet: int) -> bool:
    return 224 <= octet < 255


def _length(octets: bytes) -> tuple[int, int]:
    """A length that is not that of a part, and how many octets say it."""
    if octets[0] < 192:
        return octets[0], 1
    if octets[0] < 224:
        return (octets[0] - 192 << 8) + int.from_bytes(octets[1:2], "big") + 192, 2
    return int.from_bytes(octets[1:5], "big"), 5


# -- encrypted ------------------------------------------------------------------------------------


def _may_come_first(content: Content, packet: _Packet) -> bool:
    """Whether this packet may stand before encrypted data, and is what it says it is."""
    body = content.read(packet.body_at, min(packet.length or 0, 16))
    match packet.tag:
        case _Tag.PKESK if len(body) >= 12:
            if body[0] in (2, 3):
                return body[9] in _KEY_ALGORITHMS
            return body[0] == 6
        case _Tag.SKESK if len(body) >= 4:
            if body[0] == 4:
                return body[1] in _CIPHERS and body[2] in _S2K_TYPES
            cipher_at = {5: 1, 6: 2}.get(body[0])
            return cipher_at is not None and body[cipher_at] in _CIPHERS and body[cipher_at + 1] in _MODES
        case _Tag.MARKER:
            return body == b"PGP"
        case _Tag.PADDING:
            return True
    return False


def _encrypted(content: Content, packet: _Packet, *, after_keys: bool) -> Structure | None:
    body = content.read(packet.body_at, 4)
    framing = _framing(content, packet)
    if framing is None or not _may_be_encrypted(packet.tag, body):
        return None
    # Alone, these are so little structure that one random file in some 100,000 has it.
    if not after_keys and (packet.tag == _Tag.SED or packet.length is None or not content.ended):
        return None
    return Structure("openpgp", packet.body_at, framing=framing)


def _may_be_encrypted(tag: int, body: bytes) -> bool:
    if len(body) < 4 or tag == _Tag.SED:
        return len(body) == 4
    if tag == _Tag.SEIPD and body[0] == 1:
        return True
    version = 2 if tag == _Tag.SEIPD else 1
    return body[0] == version and body[1] in _CIPHERS and body[2] in _MODES and body[3] <= 56


def _framing(content: Content, packet: _Packet) -> bytes | None:
    """The octets seen to announce parts of a packet; None when it does not end with the content."""
    size_bytes = content.size_bytes if content.ended else None
    if packet.first_part is None:
        ends = packet.length is None or size_bytes in (None, packet.body_at + packet.length)
        return b"" if ends else None
    if 1 << (packet.first_part & 0x1F) < _FIRST_PART_BYTES_MIN:
        return None
    at, octet, seen = packet.body_at, packet.first_part, set()
    for _ in range(_PARTS_FOLLOWED_MAX):
        seen.add(octet)
        content.spend(_PACKET_COST_BYTES)
        at += 1 << (octet & 0x1F)
        head = content.read(at, 5)
        if not head:
            return bytes(seen) if size_bytes is None else None
        octet = head[0]
        if not _announces_part(octet):
            length, size = _length(head)
            return bytes(seen) if size_bytes in (None, at + size + length) else None
        at += 1
    return bytes(seen)


# -- not encrypted --------------------------------------------------------------------------------


def _plain(content: Content, packet: _Packet) -> Structure | None:
    if not _is_plain(content, packet):
        return None
    return Structure("openpgp message that is not encrypted", packet.body_at, encrypted=False)


def _is_plain(content: Content, packet: _Packet, nested: int = 0) -> bool:
    """Whether a packet is the beginning of a message for all to read."""
    body = content.read(packet.body_at, _PACKED_BYTES)
    if len(body) < 14:
        return False
    match packet.tag:
        case _Tag.SIGNATURE:
            return _is_signature(body)
        case _Tag.ONE_PASS:
            return _is_one_pass(body, packet.length)
        case _Tag.LITERAL:
            return _is_literal(content, packet, body) or (nested > 0 and body[0] in b"btul1m")
        case _Tag.COMPRESSED if body[0] == _BZIP2:
            # Nothing comes out of this before the end of a block, which may be far.
            return body[1:4] == b"BZh" and body[5:11] == _BZIP2_BLOCK
        case _Tag.COMPRESSED if nested < _NESTED_MAX:
            part = 1 << (packet.first_part & 0x1F) if packet.first_part else len(body)
            inner = HeadContent(_unpacked(body[0], body[1:part]))
            first = _packet(inner, 0)
            return first is not None and first.tag in _PLAIN and _is_plain(inner, first, nested + 1)
    return False


def _is_signature(body: bytes) -> bool:
    if body[0] in (2, 3):
        return body[1] == 5 and body[2] in _SIGNATURE_TYPES and body[15:16] != b""
    kind, algorithm, hashed_with = body[1:4]
    known = kind in _SIGNATURE_TYPES and algorithm in _KEY_ALGORITHMS and hashed_with in _HASHES
    return body[0] in (4, 5, 6) and known


def _is_one_pass(body: bytes, length: int | None) -> bool:
    kind, hashed_with, algorithm = body[1:4]
    known = kind in _SIGNATURE_TYPES and algorithm in _KEY_ALGORITHMS and hashed_with in _HASHES
    return known and ((body[0] == 3 and length == 13 and body[12] <= 1) or body[0] == 6)


def _is_literal(content: Content, packet: _Packet, body: bytes) -> bool:
    """Whether this is text or data as it is: its end fits, or statistics tell it from random."""
    if body[0] not in b"btul1m" or content.size_bytes is None or _framing(content, packet) is None:
        return False
    if packet.length is not None:
        return True
    return measure(content, packet.body_at, content.size_bytes).plain is not None


def _unpacked(algorithm: int, packed: bytes) -> bytes:
    """The first bytes of compressed data (section 9.4); b"" for what is none."""
    window_bits = {_ZIP: -15, _ZLIB: 15}.get(algorithm)
    if window_bits is None:
        return packed if algorithm == _UNCOMPRESSED else b""
    try:
        return zlib.decompressobj(window_bits).decompress(packed, _PACKED_BYTES)
    except zlib.error:
        return b""
