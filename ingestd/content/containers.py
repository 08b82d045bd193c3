"""Encrypted formats with a header of their own: age, LUKS, and what `openssl enc` writes.

Each function returns the structure it recognises, None for anything else; none of them looks at the
payload.
"""

from __future__ import annotations

import hashlib
import json
import re

from ingestd.content.sample import Content, Structure

_AGE_MAGIC = b"age-encryption.org/v1\n"
_AGE_HEADER_BYTES_MAX = 1 << 20
_AGE_HEADER = re.compile(
    rb"age-encryption\.org/v1\n"
    rb"(?:-> [!-~]+(?: [!-~]+)*\n(?:[A-Za-z0-9+/]{64}\n)*[A-Za-z0-9+/]{0,63}\n)+"
    rb"--- [A-Za-z0-9+/]{43}\n"
)
_AGE_NONCE_BYTES = 16
_AGE_TAG_BYTES = 16

_SALTED_MAGIC = b"Salted__"
_SALT_BYTES = 8

_LUKS_MAGIC = b"LUKS\xba\xbe"
_LUKS_SECTOR_BYTES = 512
_LUKS1_HEADER_BYTES = 592
_LUKS2_HEADER_BYTES_MAX = 4 << 20
_LUKS2_BINARY_BYTES = 4096
_LUKS2_CHECKSUM = slice(448, 512)
_UNWRITTEN = bytes(_LUKS_SECTOR_BYTES)


def age(content: Content) -> Structure | None:
    """age v1 (C2SP age specification): a header of text lines, a nonce, sealed chunks."""
    head = content.read(0, 4096)
    if not head.startswith(_AGE_MAGIC):
        return None
    # A header with very many recipients is long; read so much only where the magic is there.
    header = _AGE_HEADER.match(head) or _AGE_HEADER.match(content.read(0, _AGE_HEADER_BYTES_MAX))
    if header is None:
        return None
    payload_at = header.end() + _AGE_NONCE_BYTES
    if content.size_bytes is not None and content.size_bytes < payload_at + _AGE_TAG_BYTES:
        return None
    return Structure("age", payload_at)


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
            return _luks("luks1", cipher, int.from_bytes(head[104:108], "big") * _LUKS_SECTOR_BYTES)
        case 2:
            return _luks2(content, int.from_bytes(head[8:16], "big"))
    return None


def _luks2(content: Content, header_bytes: int) -> Structure | None:
    if not _LUKS2_BINARY_BYTES < header_bytes <= _LUKS2_HEADER_BYTES_MAX:
        return None
    header = content.read(0, header_bytes)
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
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None
    worst = next((cipher for cipher in ciphers if _is_null(cipher)), ciphers[0])
    return _luks("luks2", worst.encode("ascii", "replace"), offset)


def _luks(kind: str, cipher: bytes, payload_at: int) -> Structure | None:
    if payload_at < _LUKS2_BINARY_BYTES:
        return None  # The header of a container that lies elsewhere.
    if _is_null(cipher.decode("ascii", "replace")):
        return Structure(f"{kind} container with a null cipher", payload_at, encrypted=False)
    return Structure(kind, payload_at, refine=_written)


def _is_null(cipher: str) -> bool:
    return cipher.startswith(("cipher_null", "null", "none"))


def _written(block: bytes) -> bytes:
    """The block without sectors of zeros: in a container, what was never written is not encrypted."""
    if _UNWRITTEN not in block:
        return block
    step = _LUKS_SECTOR_BYTES
    sectors = (block[at : at + step] for at in range(0, len(block), step))
    return b"".join(sector for sector in sectors if sector.strip(b"\0"))
