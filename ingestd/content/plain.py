"""Formats that are not encrypted, known by their first bytes.

What is too short to mean anything by itself (two or three bytes of magic) counts only with more of
its structure: one file of random bytes in a hundred million may be taken for a known format, no more.
Of each format only the opening is looked at, so a sealed thing inside of it goes unnoticed.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

HEAD_BYTES = 64 << 10

_MAGICS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"\xfd7zXZ\0", "xz"),
    (0, b"\x28\xb5\x2f\xfd", "zstd"),
    (0, b"\x04\x22\x4d\x18", "lz4"),
    (0, b"\x02\x21\x4c\x18", "lz4"),
    (0, b"LZIP\x01", "lzip"),
    (0, b"\x89LZO\0\r\n\x1a\n", "lzop"),
    (0, b"\xff\x06\0\0sNaPpY", "snappy"),
    (0, b"MSCF\0\0\0\0", "cabinet"),
    (0, b"MSWIM\0\0\0", "windows image"),
    (0, b"PACK\0\0\0\x02", "git pack"),
    (0, b"JM\x01\0PK\x03\x04", "java module"),
    (0, b"\x89PNG\r\n\x1a\n", "png"),
    (0, b"GIF87a", "gif"),
    (0, b"GIF89a", "gif"),
    (0, b"II*\0", "tiff"),
    (0, b"MM\0*", "tiff"),
    (0, b"II+\0\x08\0\0\0", "tiff"),
    (0, b"\0\0\0\x0cjP  \r\n\x87\n", "jpeg 2000"),
    (0, b"\0\0\0\x0cJXL \r\n\x87\n", "jpeg xl"),
    (0, b"AT&TFORM", "djvu"),
    (0, b"wOFF", "font"),
    (0, b"wOF2", "font"),
    (0, b"SQLite format 3\0", "sqlite"),
    (0, b"\x89HDF\r\n\x1a\n", "hdf5"),
    (0, b"CDF\x01", "netcdf"),
    (0, b"CDF\x02", "netcdf"),
    (0, b"CDF\x05", "netcdf"),
    (0, b"SIMPLE  =", "fits"),
    (0, b"fLaC", "flac"),
    (0, b"OggS\0", "ogg"),
    (0, b"\x1a\x45\xdf\xa3", "matroska"),
    (0, b"\x7fELF", "elf"),
    (0, b"hsqs", "squashfs"),
    (0, b"XFSB\0", "xfs image"),
    (3, b"NTFS    ", "ntfs image"),
    (3, b"EXFAT   ", "exfat image"),
    (54, b"FAT12   ", "fat image"),
    (54, b"FAT16   ", "fat image"),
    (82, b"FAT32   ", "fat image"),
    (32_769, b"CD001", "iso 9660 image"),
    (0, b"!<arch>\n", "ar"),
    (0, b"070701", "cpio"),
    (0, b"PAR1", "parquet"),
)


def plain_kind(head: bytes) -> str | None:
    """Name of the format that these first bytes (up to 64 KiB are looked at) belong to, or None."""
    for offset, magic, kind in _MAGICS:
        if head.startswith(magic, offset):
            return kind
    return next((kind for kind, fits in _STRUCTURES if fits(head)), None)


def _is_gzip(head: bytes) -> bool:
    """RFC 1952: deflate, reserved flags clear, and one of the two levels or none."""
    return (
        head.startswith(b"\x1f\x8b\x08") and len(head) >= 18 and not head[3] & 0xE0 and head[8] in (0, 2, 4)
    )


def _is_bzip2(head: bytes) -> bool:
    """A level, then the mark of a first block or of the end."""
    level = head[:4] in {b"BZh%d" % level for level in range(1, 10)}
    return level and head[4:10] in (bytes.fromhex("314159265359"), bytes.fromhex("177245385090"))


def _is_lzma(head: bytes) -> bool:
    """The form before xz (LZMA_Alone): properties, a size of dictionary that programs choose, a size of
    the content that is unknown or sane, and the range coder's first byte, which is zero."""
    if len(head) < 18 or head[0] >= 9 * 5 * 5 or head[13]:
        return False
    dictionary, size = struct.unpack_from("<IQ", head, 1)
    rounded = 1 << max(12, dictionary.bit_length() - 1)
    return dictionary in (rounded, rounded * 3 // 2) and (size == 2**64 - 1 or size < 1 << 44)


def _is_mp3(head: bytes) -> bool:
    """A tag of ID3 version 2 with a length in seven-bit bytes, and what may come after it."""
    if head[:3] != b"ID3" or len(head) < 10 or head[3] not in (2, 3, 4) or max(head[6:10]) > 0x7F:
        return False
    after = 10 + sum(byte << 7 * (3 - place) for place, byte in enumerate(head[6:10]))
    frame = head[after : after + 2]
    return len(frame) < 2 or frame == b"\0\0" or (frame[0] == 0xFF and frame[1] & 0xE0 == 0xE0)


def _is_tar(head: bytes) -> bool:
    """POSIX.1-1988 or GNU: the magic, and a checksum of the first header that is right."""
    header = head[:512]
    if len(header) < 512 or header[257:263] not in (b"ustar\0", b"ustar "):
        return False
    digits = header[148:156].strip(b" \0")
    if not digits or digits.strip(b"01234567"):
        return False
    return int(digits, 8) == sum(header[:148]) + 8 * 0x20 + sum(header[156:])


def _is_jpeg(head: bytes) -> bool:
    """Start of image, then a segment of a kind and length that may come first."""
    if not head.startswith(b"\xff\xd8\xff") or len(head) < 6:
        return False
    known = head[3] in (0xC0, 0xC2, 0xC4, 0xDB, 0xFE, *range(0xE0, 0xF0))
    after = 4 + int.from_bytes(head[4:6], "big")
    return known and head[after : after + 1] in (b"\xff", b"")


def _is_riff(head: bytes) -> bool:
    return head[:4] in (b"RIFF", b"RF64") and head[8:12] in (b"WAVE", b"AVI ", b"WEBP")


def _is_mp4(head: bytes) -> bool:
    """ISO/IEC 14496-12: a file-type box of a sane size comes first."""
    return head[4:8] == b"ftyp" and 16 <= int.from_bytes(head[:4], "big") <= 4096


def _is_ext_image(head: bytes) -> bool:
    """ext2, ext3 or ext4: the superblock's magic, and sane values in the fields around it."""
    if len(head) < 1024 + 264:
        return False
    inodes, blocks, _, _, _, _, log_block, log_cluster = struct.unpack_from("<8I", head, 1024)
    magic, state, errors = struct.unpack_from("<3H", head, 1024 + 56)
    (revision,) = struct.unpack_from("<I", head, 1024 + 76)
    sane = inodes and blocks and log_block <= 6 and log_cluster <= 16 and revision <= 1
    return bool(magic == 0xEF53 and sane and state <= 7 and errors <= 3)


_STRUCTURES: tuple[tuple[str, Callable[[bytes], bool]], ...] = (
    ("gzip", _is_gzip),
    ("bzip2", _is_bzip2),
    ("lzma", _is_lzma),
    ("mp3", _is_mp3),
    ("tar", _is_tar),
    ("jpeg", _is_jpeg),
    ("riff", _is_riff),
    ("mp4", _is_mp4),
    ("ext image", _is_ext_image),
)
