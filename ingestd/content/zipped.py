"""Whether a ZIP archive is encrypted, entry by entry, as PKWARE's APPNOTE describes it.

Each entry is encrypted or not by itself (bit 0 of its flags), so one plain entry makes the archive
plain, and only its whole central directory, at the end, can prove that there is none. Names are
never secret; folders and empty files have no content and do not count.
"""

from __future__ import annotations

import heapq
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from ingestd.content.randomness import Measured, measure, payload_verdict
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
    has_content: bool


def recognise(content: Content) -> Verdict | None:
    """The verdict on a ZIP archive; None for anything else."""
    head = content.read(0, HEAD_BYTES)
    if head.startswith(_END_MAGIC):
        return Secrecy.UNKNOWN, "zip archive without entries"
    if not head.startswith(_LOCAL_MAGIC):
        return None
    try:
        return plain_head(head) or _by_directory(content)
    except (_Broken, struct.error):
        return Secrecy.UNKNOWN, "zip archive whose directory cannot be read"


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
    ciphers: set[str] = set()
    largest: list[_Entry] = []
    for entry in _entries(content):
        if not entry.has_content:
            continue
        if not entry.encrypted:
            return _PLAIN
        ciphers.add("AES" if entry.aes else "PKWARE encryption")
        heapq.heappush(largest, entry)
        if len(largest) > _LARGEST_KEPT:
            heapq.heappop(largest)
    if not ciphers:
        return Secrecy.UNKNOWN, "zip archive without content"
    kind = f"zip ({' and '.join(sorted(ciphers))})"
    verdicts = (payload_verdict(kind, _measured(content, entry)) for entry in largest)
    return next((verdict for verdict in verdicts if verdict[0] is Secrecy.PLAIN), (Secrecy.PROVEN, kind))


def _measured(content: Content, entry: _Entry) -> Measured:
    local = content.read(entry.local_at, _LOCAL.size)
    magic, *_, name_length, extra_length = _LOCAL.unpack(local)
    if magic != _LOCAL_MAGIC:
        raise _Broken
    start = entry.local_at + _LOCAL.size + name_length + extra_length
    return measure(content, start, start + entry.packed_bytes)


def _entries(content: Content) -> Iterator[_Entry]:
    """The entries of the central directory, read in blocks. Raises _Broken unless all are there."""
    at, size, expected = _directory(content)
    feed = _Feed(content, at, at + size)
    seen = 0
    while feed.peek(len(_ENTRY_MAGIC)) == _ENTRY_MAGIC:
        fields = _ENTRY.unpack(feed.take(_ENTRY.size))
        flags, method, packed, unpacked, local_at = (fields[place] for place in (3, 4, 8, 9, 16))
        name_length, extra_length, comment_length = fields[10:13]
        name = feed.take(name_length)
        extra = feed.take(extra_length)
        feed.take(comment_length)
        unpacked, packed, local_at = _widened(extra, unpacked, packed, local_at)
        seen += 1
        yield _Entry(
            packed_bytes=packed,
            local_at=local_at,
            encrypted=bool(flags & _ENCRYPTED),
            aes=method == _METHOD_AES,
            has_content=unpacked > 0 and not (name.endswith(b"/") and not flags & _ENCRYPTED),
        )
    # Archives of more entries than 16 bits can count say how many modulo 2**16.
    if (seen ^ expected) & 0xFFFF:
        raise _Broken


def _directory(content: Content) -> tuple[int, int, int]:
    """Offset and length of the central directory in bytes, and how many entries it should have."""
    size_bytes = content.size_bytes
    if size_bytes is None:
        raise _Broken
    tail_at = max(0, size_bytes - _END.size - _COMMENT_BYTES_MAX)
    tail = content.read(tail_at, size_bytes - tail_at)
    end_at = tail.rfind(_END_MAGIC)
    while end_at >= 0 and end_at + _END.size + int.from_bytes(
        tail[end_at + 20 : end_at + 22], "little"
    ) != len(tail):
        end_at = tail.rfind(_END_MAGIC, 0, end_at)
    if end_at < 0:
        raise _Broken
    _, disk, first_disk, _, count, size, at, _ = _END.unpack_from(tail, end_at)
    if count == 0xFFFF or _IN_EXTRA in (size, at):
        at, size, count = _directory64(content, tail_at + end_at - _LOCATOR64.size) or (at, size, count)
    if (disk or first_disk) or size > _DIRECTORY_BYTES_MAX or at + size > tail_at + end_at:
        raise _Broken
    return at, size, count


def _directory64(content: Content, locator_at: int) -> tuple[int, int, int] | None:
    locator = content.read(max(0, locator_at), _LOCATOR64.size)
    if not locator.startswith(_LOCATOR64_MAGIC):
        return None
    _, _, end_at, _ = _LOCATOR64.unpack(locator)
    magic, *_, count, size, at = _END64.unpack(content.read(end_at, _END64.size))
    if magic != _END64_MAGIC:
        raise _Broken
    return at, size, count


def _widened(extra: bytes, *values: int) -> list[int]:
    """The values, those that did not fit into 32 bits taken from the ZIP64 extra field."""
    wide = list(values)
    at = 0
    while _IN_EXTRA in wide and at + 4 <= len(extra):
        kind, length = struct.unpack_from("<HH", extra, at)
        if kind == _EXTRA_ZIP64:
            rest = struct.iter_unpack("<Q", extra[at + 4 : at + 4 + length // 8 * 8])
            return [next(rest, (value,))[0] if value == _IN_EXTRA else value for value in wide]
        at += 4 + length
    return wide


class _Feed:
    """Reads a stretch of a file from front to back in blocks. Raises _Broken where it is too short."""

    def __init__(self, content: Content, start: int, end: int) -> None:
        self._content = content
        self._next = start
        self._end = end
        self._buffer = b""
        self._at = 0

    def peek(self, length: int) -> bytes:
        """The next bytes, fewer at the end."""
        if len(self._buffer) - self._at < length:
            wanted = min(max(length, _BLOCK_BYTES), self._end - self._next)
            self._buffer = self._buffer[self._at :] + self._content.read(self._next, wanted)
            self._next += wanted
            self._at = 0
        return self._buffer[self._at : self._at + length]

    def take(self, length: int) -> bytes:
        taken = self.peek(length)
        if len(taken) < length:
            raise _Broken
        self._at += length
        return taken
