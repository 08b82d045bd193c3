"""Encrypted formats with a header of their own: age, LUKS, and what `openssl enc` writes.

Each function returns the structure it recognises, None for anything else; none of them looks at the
payload.
"""

from __future__ import annotations

import binascii
import hashlib
import json
import re

from ingestd.content.randomness import GAP_BYTES_MAX
from ingestd.content.sample import Content, Structure

_AGE_MAGIC = b"age-encryption.org/v1\n"
_AGE_HEADER_BYTES_MAX = 256 << 10
"""Room for 2,500 recipients."""
_AGE_HEADER = re.compile(
    rb"age-encryption\.org/v1\n"
    rb"(?:-> [!-~]+(?: [!-~]+)*\n(?:[A-Za-z0-9+/]{64}\n)*[A-Za-z0-9+/]{0,63}\n)+"
    rb"--- [A-Za-z0-9+/]{43}\n"
)
_AGE_WORD = re.compile(rb"[A-Za-z0-9+/]{22,}")
"""An argument of a stanza that stands for bytes: 16 of them at least."""
_AGE_WORDS_BYTES_MAX = 32
"""Of each stanza, beside such arguments: its type, and what that has to say in words."""
_AGE_NONCE_BYTES = 16
_AGE_TAG_BYTES = 16

_SALTED_MAGIC = b"Salted__"
_SALT_BYTES = 8

_LUKS_MAGIC = b"LUKS\xba\xbe"
_LUKS_SECTOR_BYTES = 512
_LUKS1_HEADER_BYTES = 592
_LUKS1_ROOM_AT = 2 * _LUKS_SECTOR_BYTES
_LUKS2_HEADER_BYTES_MAX = 4 << 20
_LUKS2_SECOND_MAGIC = b"SKUL\xba\xbe"
_JSON_BYTES_MAX = 128 << 10
"""Of the description of a LUKS2 container; one of 32 passwords takes some 20 KiB."""
_LUKS2_BINARY_BYTES = 4096
_LUKS2_CHECKSUM = slice(448, 512)
_UNWRITTEN = bytes(_LUKS_SECTOR_BYTES)


def age(content: Content) -> Structure | None:
    """age v1 (C2SP age specification): a header of text lines, a nonce, sealed chunks."""
    head = content.read(0, 4096)
    if not head.startswith(_AGE_MAGIC):
        return None
    # A header with very many recipients is long; read so much only where the magic is there.
    header = _AGE_HEADER.match(head)
    if header is None:
        content.spend(2 * _AGE_HEADER_BYTES_MAX)
        header = _AGE_HEADER.match(content.read(0, _AGE_HEADER_BYTES_MAX))
    if header is None:
        return None
    payload_at = header.end() + _AGE_NONCE_BYTES
    if content.size_bytes is not None and content.size_bytes < payload_at + _AGE_TAG_BYTES:
        return None
    return Structure("age", payload_at, keys=_said_in(header[0]))


def _said_in(header: bytes) -> bytes:
    """The bytes that the stanzas of an age header stand for, and the words of theirs, where they are many."""
    codes: list[bytes] = []
    words: list[bytes] = []
    stanzas = 0
    for line in header.splitlines()[1:-1]:
        if not line.startswith(b"-> "):
            codes.append(line)
            continue
        stanzas += 1
        for word in line[3:].split(b" "):
            (codes if _AGE_WORD.fullmatch(word) else words).append(word)
    text = b" ".join(words)
    said = b"".join(map(_unbased, codes))
    return said + text if len(text) > GAP_BYTES_MAX + stanzas * _AGE_WORDS_BYTES_MAX else said


def _unbased(code: bytes) -> bytes:
    """What unpadded base64 stands for. One character left over has no meaning."""
    code = code[: len(code) - (len(code) % 4 == 1)]
    return binascii.a2b_base64(code + b"=" * (-len(code) % 4))


def salted(content: Content) -> Structure | None:
    """`openssl enc` with a password: eight letters and a salt, then the ciphertext."""
    if content.read(0, len(_SALTED_MAGIC)) != _SALTED_MAGIC:
        return None
    return Structure("openssl enc", len(_SALTED_MAGIC) + _SALT_BYTES, weak=True)


def luks(content: Content) -> Structure | None:
    """LUKS versions 1 and 2 (on-disk format specifications of cryptsetup)."""
    head = content.read(0, _LUKS1_HEADER_BYTES)
    if not head.startswith(_LUKS_MAGIC) or len(head) < _LUKS1_HEADER_BYTES:
        return None
    match int.from_bytes(head[6:8], "big"):
        case 1:
            cipher = head[8:40].rstrip(b"\0")
            payload_at = int.from_bytes(head[104:108], "big") * _LUKS_SECTOR_BYTES
            return _luks("luks1", cipher, payload_at, _LUKS1_ROOM_AT)
        case 2:
            return _luks2(content, int.from_bytes(head[8:16], "big"))
    return None


def _luks2(content: Content, header_bytes: int) -> Structure | None:
    if not _LUKS2_BINARY_BYTES < header_bytes <= _LUKS2_HEADER_BYTES_MAX:
        return None
    content.spend(header_bytes // 64)
    header = content.read(0, header_bytes)
    if not _is_description(header):
        return None
    blank = bytearray(header)
    blank[_LUKS2_CHECKSUM] = bytes(64)
    algorithm = header[72:104].rstrip(b"\0").decode("ascii", "replace")
    if algorithm not in ("sha1", "sha256", "sha512"):
        return None
    digest = hashlib.new(algorithm, blank, usedforsecurity=False).digest()
    if not header[_LUKS2_CHECKSUM].startswith(digest):
        return None
    try:
        area = json.loads(header[_LUKS2_BINARY_BYTES:].split(b"\0", 1)[0])
        segments = [area["segments"][key] for key in sorted(area["segments"])]
        offset = int(segments[0]["offset"])
        ciphers = [str(one["encryption"]) if one["type"] == "crypt" else "none" for one in segments]
    except (ValueError, LookupError, TypeError, AttributeError, OverflowError, RecursionError):
        return None
    worst = next((cipher for cipher in ciphers if _is_null(cipher)), ciphers[0])
    second = content.read(header_bytes, header_bytes)
    twice = second.startswith(_LUKS2_SECOND_MAGIC) and _is_description(second)
    room_at = header_bytes * 2 if twice else header_bytes
    return _luks("luks2", worst.encode("ascii", "replace"), offset, room_at)


def _is_description(header: bytes) -> bool:
    """Whether a header of LUKS2 has a description of sane length, and nothing behind it."""
    ends = header.find(b"\0", _LUKS2_BINARY_BYTES)
    return _LUKS2_BINARY_BYTES < ends <= _LUKS2_BINARY_BYTES + _JSON_BYTES_MAX and not header[ends:].strip(
        b"\0"
    )


def _luks(kind: str, cipher: bytes, payload_at: int, room_at: int) -> Structure | None:
    if payload_at < _LUKS2_BINARY_BYTES:
        return None  # The header of a container that lies elsewhere.
    if _is_null(cipher.decode("ascii", "replace")):
        return Structure(f"{kind} container with a null cipher", payload_at, encrypted=False)
    return Structure(kind, payload_at, refine=_written, gap_at=room_at)


def _is_null(cipher: str) -> bool:
    return cipher.startswith(("cipher_null", "null", "none"))


def _written(block: bytes) -> bytes:
    """The block without sectors of zeros: in a container, what was never written is not encrypted."""
    if _UNWRITTEN not in block:
        return block
    step = _LUKS_SECTOR_BYTES
    sectors = (block[at : at + step] for at in range(0, len(block), step))
    return b"".join(sector for sector in sectors if sector.strip(b"\0"))
