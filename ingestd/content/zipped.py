"""Whether a ZIP archive is encrypted, entry by entry, as PKWARE's APPNOTE describes it.

Each entry is encrypted or not by itself (bit 0 of its flags), so one plain entry makes the archive
plain, and only its whole central directory, at the end, can prove that there is none. Names are
never secret; folders and empty files have no content and do not count.
"""

from __future__ import annotations

import heapq
import itertools
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from ingestd.content.randomness import PAYLOAD_BYTES_MIN, plain_part
from ingestd.content.sample import Content, Verdict
from ingestd.core.model import Secrecy

HEAD_BYTES = 64 << 10
_DIRECTORY_BYTES_MAX = 256 << 20
_BLOCK_BYTES = 1 << 20
_LARGEST_KEPT = 4

_LOCAL = struct.Struct("<4s5H3I2H")
_ENTRY = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
_END64 = struct.Struct("<4sQ2H2I4Q")
_LOCATOR64 = struct.Struct("<4sIQI")
_LOCAL_MAGIC, _ENTRY_MAGIC, _END_MAGIC = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
_END64_MAGIC, _LOCATOR64_MAGIC, _DESCRIPTOR_MAGIC = b"PK\x06\x06", b"PK\x06\x07", b"PK\x07\x08"
_COMMENT_BYTES_MAX = 0xFFFF
_IN_EXTRA = 0xFFFFFFFF
_EXTRA_ZIP64 = 0x0001
_METHOD_AES = 99
_ENCRYPTED, _STREAMED = 0x0001, 0x0008
_EMPTY_DEFLATED = b"\x03\x00"

_PLAIN = Secrecy.PLAIN, "zip archive with an entry that is not encrypted"


class _Broken(Exception):
    """The central directory is not where or as the format has it."""


@dataclass(frozen=True, slots=True, order=True)
class _Entry:
    packed_bytes: int
    local_at: int
    encrypted: bool
    aes: bool
    empty: bool


def recognise(content: Content) -> Verdict | None:
    """The verdict on a ZIP archive; None for anything else."""
    head = content.read(0, HEAD_BYTES)
    if head.startswith(_END_MAGIC):
        return Secrecy.UNKNOWN, "zip archive without entries"
    if not head.startswith(_LOCAL_MAGIC):
        return None
    try:
        return _by_directory(content)
    except (_Broken, struct.error):
        return plain_head(head) or (Secrecy.UNKNOWN, "zip archive whose directory cannot be read")


def plain_head(head: bytes) -> Verdict | None:
    """PLAIN when one of the first entries is not encrypted; None when that cannot be told."""
    at = 0
    while at + _LOCAL.size <= len(head):
        magic, _, flags, _, _, _, _, packed, size, name_length, extra_length = _LOCAL.unpack_from(head, at)
        if magic != _LOCAL_MAGIC:
            return None
        data_at = at + _LOCAL.size + name_length + extra_length
        name = head[at + _LOCAL.size : at + _LOCAL.size + name_length]
        streamed = bool(flags & _STREAMED)
        has_content = _streams_content(head[data_at : data_at + 4]) if streamed else size > 0
        if has_content and not flags & _ENCRYPTED and not name.endswith(b"/"):
            return _PLAIN
        if streamed or packed == _IN_EXTRA:
            return None  # Where the next entry begins is not said here.
        at = data_at + packed
    return None


def _streams_content(data: bytes) -> bool:
    """Whether an entry whose size comes after its data has any, as far as its first bytes tell."""
    return len(data) == 4 and data != _DESCRIPTOR_MAGIC and not data.startswith(_EMPTY_DEFLATED)


def _by_directory(content: Content) -> Verdict:
    entries = [entry for entry in _entries(content) if not entry.empty]
    if any(not entry.encrypted for entry in entries):
        return _PLAIN
    return Secrecy.UNKNOWN, ""


def _entries(content: Content) -> Iterator[_Entry]:
    raise NotImplementedError
