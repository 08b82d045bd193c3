"""Builders of encrypted formats and of their plain likenesses, each after its standard."""

from __future__ import annotations

import base64
import hashlib
import json
import lzma
import random
import struct
import zlib
from collections.abc import Sequence


def noise(length: int, seed: int = 1) -> bytes:
    """Bytes that look random and are the same every time."""
    return random.Random(seed).randbytes(length)


def prose(length: int) -> bytes:
    line = b"Line 04 runs along the western slope, where the kelp grows thickest in spring.\n"
    return (line * (length // len(line) + 1))[:length]


# -- OpenPGP (RFC 9580) ---------------------------------------------------------------------------


def packet(tag: int, body: bytes, *, old: bool = False, part_bytes: int | None = None) -> bytes:
    """A packet in the current or the old format, or in parts of a power of two."""
    if part_bytes is not None:
        return bytes([0xC0 | tag]) + _parts(body, part_bytes)
    if old:
        return bytes([0x80 | tag << 2 | 2]) + struct.pack(">I", len(body)) + body
    return bytes([0xC0 | tag]) + new_length(len(body)) + body


def new_length(length: int) -> bytes:
    if length < 192:
        return bytes([length])
    if length < 8384:
        return bytes([192 + (length - 192 >> 8), length - 192 & 0xFF])
    return b"\xff" + struct.pack(">I", length)


def _parts(body: bytes, part_bytes: int) -> bytes:
    mark = bytes([224 + part_bytes.bit_length() - 1])
    whole = (len(body) - 1) // part_bytes * part_bytes
    parts = b"".join(mark + body[at : at + part_bytes] for at in range(0, whole, part_bytes))
    return parts + new_length(len(body) - whole) + body[whole:]


def pkesk(number: int) -> bytes:
    """To a key of RSA, another one for each number."""
    key_id, sealed = noise(8, 2 * number + 1), noise(256, 2 * number + 2)
    return packet(1, b"\x03" + key_id + b"\x01" + b"\x08\x00" + sealed)


PKESK = pkesk(5)
PKESK_V6 = packet(1, b"\x06\x21\x06" + noise(32, 13) + b"\x19" + noise(72, 14))
SKESK = packet(3, b"\x04\x09\x03\x08" + noise(8, 15) + b"\x60", old=True)
SKESK_V6 = packet(3, b"\x06\x1a\x09\x02\x0b\x03\x08" + noise(8, 16) + b"\x60" + noise(47, 17))


def seipd(payload: bytes, **how: int | bool | None) -> bytes:
    return packet(18, b"\x01" + payload, **how)  # type: ignore[arg-type]


def seipd2(payload: bytes) -> bytes:
    return packet(18, b"\x02\x09\x02\x0c" + noise(32, 18) + payload)


def pgp_armour(body: bytes, headers: bytes = b"") -> bytes:
    lines = base64.encodebytes(body).replace(b"\n", b"")
    text = b"".join(lines[at : at + 64] + b"\n" for at in range(0, len(lines), 64))
    return b"-----BEGIN PGP MESSAGE-----\n%s\n%s=abcd\n-----END PGP MESSAGE-----\n" % (headers, text)


# -- age v1 ---------------------------------------------------------------------------------------


def age(payload: bytes, recipients: int = 1, stanzas: bytes = b"") -> bytes:
    to = b"".join(
        b"-> X25519 " + _code(noise(32, 2 * at)) + b"\n" + _code(noise(32, 2 * at + 1)) + b"\n"
        for at in range(recipients)
    )
    grease = b"-> u-grease 7 x!\n" + b"A" * 64 + b"\n\n"
    mac = b"--- " + _code(noise(32, 23)) + b"\n"
    return b"age-encryption.org/v1\n" + to + stanzas + grease + mac + payload


def _code(body: bytes) -> bytes:
    return base64.b64encode(body).rstrip(b"=")


def age_armour(body: bytes) -> bytes:
    lines = base64.b64encode(body)
    text = b"".join(lines[at : at + 64] + b"\n" for at in range(0, len(lines), 64))
    return b"-----BEGIN AGE ENCRYPTED FILE-----\n%s-----END AGE ENCRYPTED FILE-----\n" % text


# -- LUKS -----------------------------------------------------------------------------------------


def luks1(payload: bytes, cipher: bytes = b"aes", sectors: int = 4096, room: bytes = b"") -> bytes:
    """`room` is what lies between header and payload, where keys do."""
    header = struct.pack(">6sH32s32s32sI", b"LUKS\xba\xbe", 1, cipher, b"xts-plain64", b"sha256", sectors)
    return (header.ljust(4096, b"\0") + room).ljust(sectors * 512, b"\0") + payload


def luks2(
    payload: bytes, cipher: str = "aes-xts-plain64", *, area: bytes | None = None, room: bytes = b""
) -> bytes:
    offset, size = 1 << 16, 16384
    segment = {"type": "crypt", "offset": str(offset), "encryption": cipher, "size": "dynamic"}
    area = json.dumps({"segments": {"0": segment}}).encode() if area is None else area
    binary = bytearray(4096)
    struct.pack_into(">6sHQ", binary, 0, b"LUKS\xba\xbe", 2, size)
    binary[72:78] = b"sha256"
    header = binary + area.ljust(size - 4096, b"\0")
    header[448:480] = hashlib.sha256(header).digest()
    return (bytes(header) + room).ljust(offset, b"\0") + payload


# -- ZIP ------------------------------------------------------------------------------------------


class Zip:
    """A ZIP archive, entry by entry. Nothing is compressed; encrypted entries hold what they are given."""

    def __init__(self) -> None:
        self._body = bytearray()
        self._directory = bytearray()
        self._count = 0

    def add(
        self,
        name: bytes,
        body: bytes,
        *,
        encrypted: bool,
        aes: bool = False,
        streamed: bool = False,
        wide: bool = False,
    ) -> Zip:
        flags = (1 if encrypted else 0) | (8 if streamed else 0)
        method = 99 if aes else 0
        crc, size, at = zlib.crc32(body), len(body), len(self._body)
        local = (0, 0, 0) if streamed else (crc, size, size)
        fixed = (20, flags, method, 0, 0)
        self._body += struct.pack("<4s5H3I2H", b"PK\3\4", *fixed, *local, len(name), 0) + name + body
        if streamed:
            self._body += struct.pack("<4s3I", b"PK\7\x08", crc, size, size)
        extra = struct.pack("<2H3Q", 1, 24, size, size, at) if wide else b""
        shown = (0xFFFFFFFF, 0xFFFFFFFF, 0xFFFFFFFF) if wide else (size, size, at)
        self._directory += struct.pack(
            "<4s6H3I5H2I", b"PK\1\2", 20, *fixed, crc, *shown[:2], len(name), len(extra), 0, 0, 0, 0, shown[2]
        )
        self._directory += name + extra
        self._count += 1
        return self

    def skip(self, body: bytes) -> Zip:
        """Bytes that belong to no entry."""
        self._body += body
        return self

    def built(self, *, comment: bytes = b"", wide: bool = False, behind: bytes = b"") -> bytes:
        at, size, count = len(self._body), len(self._directory), self._count
        ends = behind
        if wide:
            ends += struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44, 45, 45, 0, 0, count, count, size, at)
            ends += struct.pack("<4sIQI", b"PK\6\7", 0, at + size, 1)
            at, size, count = 0xFFFFFFFF, 0xFFFFFFFF, 0xFFFF
        ends += struct.pack(
            "<4s4H2IH", b"PK\5\6", 0, 0, count & 0xFFFF, count & 0xFFFF, size, at, len(comment)
        )
        return bytes(self._body + self._directory + ends + comment)


# -- 7z -------------------------------------------------------------------------------------------

AES = bytes.fromhex("06f10701")
COPY = b"\0"


def sevenzip(payload: bytes, folders: Sequence[bytes], *, size: int | None = None) -> bytes:
    """An archive with a plain header, one stream of the payload for each folder's one coder."""
    size = len(payload) // max(1, len(folders)) if size is None else size
    count = len(folders)
    header = bytes([1, 4, 6, 0, count, 9]) + b"".join(number(size) for _ in folders) + b"\0"
    header += bytes([7, 0x0B, count, 0])
    header += b"".join(bytes([1, len(method)]) + method for method in folders)
    header += b"\x0c" + b"".join(number(size) for _ in folders) + b"\0" + b"\0" + b"\0"
    return sevenzip_around(payload, header)


def sevenzip_around(payload: bytes, header: bytes) -> bytes:
    start = struct.pack("<QQI", len(payload), len(header), zlib.crc32(header))
    return b"7z\xbc\xaf\x27\x1c\0\4" + struct.pack("<I", zlib.crc32(start)) + start + payload + header


def sevenzip_packed(whole: bytes) -> bytes:
    """The same archive, its header packed by LZMA."""
    offset, size = struct.unpack_from("<QQ", whole, 12)
    packed_at, header = 32 + offset, whole[32 + offset :]
    filters = [{"id": lzma.FILTER_LZMA1, "dict_size": 1 << 16, "lc": 3, "lp": 0, "pb": 2}]
    packed = lzma.compress(header, lzma.FORMAT_RAW, filters=filters)
    outer = b"\x17\x06" + number(offset) + b"\x01\x09" + number(len(packed)) + b"\0"
    outer += b"\x07\x0b\x01\0\x01\x23\x03\x01\x01\x05\x5d\0\0\x01\0"
    outer += b"\x0c" + number(size) + b"\0\0"
    return sevenzip_around(whole[32:packed_at] + packed, outer)


def number(value: int) -> bytes:
    """A number of the 7z header, in its longest form."""
    return b"\xff" + struct.pack("<Q", value)


# -- disks ----------------------------------------------------------------------------------------


def mbr_image(size: int, *, start: int = 2048, content: bytes = b"") -> bytes:
    image = bytearray(size)
    image[446:462] = struct.pack("<B3sB3sII", 0x80, b"", 0x83, b"", start, 4096)
    image[510:512] = b"\x55\xaa"
    image[start * 512 : start * 512 + len(content)] = content
    return bytes(image)


def gpt_image(size: int, *, start: int = 2048, content: bytes = b"") -> bytes:
    image = bytearray(size)
    struct.pack_into("<8sIII", image, 512, b"EFI PART", 0x10000, 92, 0)
    struct.pack_into("<QII", image, 512 + 72, 2, 128, 128)
    struct.pack_into("<16s16sQQ", image, 1024, noise(16, 31), noise(16, 32), start, start + 4096)
    image[start * 512 : start * 512 + len(content)] = content
    return bytes(image)
