"""Whether a ZIP archive is encrypted, entry by entry, as PKWARE's APPNOTE describes it.

Each entry is encrypted or not by itself (bit 0 of its flags), so one plain entry makes the archive
plain, and only its whole central directory, at the end, can prove that there is none. Names are
never secret; folders and empty files have no content and do not count.
"""

from __future__ import annotations

import dataclasses
import heapq
import struct
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from ingestd.content.randomness import (
    GAP_BYTES_MAX,
    PAYLOAD_BYTES_MIN,
    Measured,
    measure,
    payload_verdict,
)
from ingestd.content.sample import WINDOWS_MAX, Content, HeadContent, Verdict
from ingestd.core.found import Secrecy

HEAD_BYTES = 64 << 10
_BLOCK_BYTES = 1 << 20
_WINDOWS_EACH = 4
"""Windows taken of each of the largest entries, of which there are as many as that allows."""
_SAMPLES_EACH = 4
"""Entries whose data is looked at beside the largest, for each window that may be taken of the archive."""
_SAMPLE_BYTES_MAX = 16 << 10
_BESIDE_BYTES_MAX = 128
"""Beside an entry's data: extra fields behind its name, and its sizes once more behind its data."""
_SAID_BYTES_MAX = 512
"""Of an entry in the directory: its name, extra fields and comment."""
_SEALED_BYTES_MIN = 12
"""What PKWARE's encryption adds to an entry; AES adds more."""
_SPENT_EVERY = 256

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
    name_bytes: int
    said_bytes: int
    """Its name, extra fields and comment in the directory."""


@dataclass(frozen=True, slots=True)
class _Directory:
    at: int
    size_bytes: int
    entries: int
    excess_bytes: int
    """What lies behind it, beside its end."""


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
    largest_kept = max(1, content.windows_max // _WINDOWS_EACH)
    spread = _Spread(_SAMPLES_EACH * min(content.windows_max, WINDOWS_MAX))
    directory = _directory(content)
    layout = _Layout(directory)
    for entry in _entries(content, directory):
        layout.add(entry)
        if not entry.has_content:
            continue
        if not entry.encrypted:
            return _PLAIN
        if entry.packed_bytes < _SEALED_BYTES_MIN:
            raise _Broken
        ciphers.add("AES" if entry.aes else "PKWARE encryption")
        spread.add(entry)
        heapq.heappush(largest, entry)
        if len(largest) > largest_kept:
            heapq.heappop(largest)
    if not ciphers:
        return Secrecy.UNKNOWN, "zip archive without content"
    kind = f"zip ({' and '.join(sorted(ciphers))})"
    verdict = payload_verdict(kind, _measured(content, largest, spread.kept))
    outside = layout.outside()
    if verdict[0] is Secrecy.PROVEN and outside > GAP_BYTES_MAX:
        return Secrecy.UNKNOWN, f"zip archive with {outside:,} bytes that belong to no entry"
    return verdict


class _Spread:
    """Up to `most` entries, spread evenly over all of them."""

    def __init__(self, most: int) -> None:
        self.kept: list[_Entry] = []
        self._most = most
        self._step = 1
        self._seen = 0

    def add(self, entry: _Entry) -> None:
        if self._seen % self._step == 0:
            if len(self.kept) == self._most:
                del self.kept[1::2]
                self._step *= 2
            if self._seen % self._step == 0:
                self.kept.append(entry)
        self._seen += 1


class _Layout:
    """Where entries lie, and how much of the archive they leave out: 16 bytes for each."""

    def __init__(self, directory: _Directory) -> None:
        self._directory = directory
        self._begins, self._ends = array("Q"), array("Q")
        self._excess = directory.excess_bytes
        self._in_order = True

    def add(self, entry: _Entry) -> None:
        begin = entry.local_at
        end = begin + _LOCAL.size + entry.name_bytes + entry.packed_bytes * entry.has_content
        if end > self._directory.at:
            raise _Broken
        self._in_order = self._in_order and (not self._begins or begin >= self._begins[-1])
        self._begins.append(begin)
        # Many programs say the name once more, in UTF-8, in a field of its own.
        self._ends.append(end + entry.name_bytes)
        self._excess += max(0, entry.said_bytes - entry.name_bytes - _SAID_BYTES_MAX)

    def outside(self) -> int:
        """Bytes that belong to no entry, beyond what there may be beside each."""
        order: Iterable[int] = range(len(self._begins))
        if not self._in_order:
            order = sorted(order, key=self._begins.__getitem__)
        outside, reached = self._excess, 0
        for number in order:
            outside += max(0, self._begins[number] - reached - _BESIDE_BYTES_MAX)
            reached = max(reached, self._ends[number])
        return outside + max(0, self._directory.at - reached - _BESIDE_BYTES_MAX)


def _measured(content: Content, largest: list[_Entry], spread: list[_Entry]) -> Measured:
    """Look for data that cannot be ciphertext: in the largest entries, in others, and in what is too small
    to be looked at by itself, taken together."""
    windows = 0
    together = b""
    most = max(2, content.windows_max // len(largest))
    for entry in {*largest, *spread}:
        start = _data_at(content, entry)
        if entry in largest and entry.packed_bytes > _SAMPLE_BYTES_MAX:
            measured = measure(content, start, start + entry.packed_bytes, most=most)
        else:
            data = content.read(start, min(entry.packed_bytes, _SAMPLE_BYTES_MAX))
            measured = measure(HeadContent(data), 0, len(data))
            together += data if len(data) < PAYLOAD_BYTES_MIN else b""
        if measured.plain is not None:
            return measured
        windows += measured.windows
    measured = measure(HeadContent(together), 0, len(together))
    return dataclasses.replace(measured, windows=windows + measured.windows)


def _data_at(content: Content, entry: _Entry) -> int:
    local = content.read(entry.local_at, _LOCAL.size)
    magic, _, flags, *_, name_length, extra_length = _LOCAL.unpack(local)
    if magic != _LOCAL_MAGIC or not flags & _ENCRYPTED:
        raise _Broken
    return entry.local_at + _LOCAL.size + int(name_length) + int(extra_length)


def _entries(content: Content, directory: _Directory) -> Iterator[_Entry]:
    """The entries of the central directory, read in blocks. Raises _Broken unless all are there."""
    feed = _Feed(content, directory.at, directory.at + directory.size_bytes)
    seen = unpaid = 0
    while feed.peek(len(_ENTRY_MAGIC)) == _ENTRY_MAGIC:
        fields = _ENTRY.unpack(feed.take(_ENTRY.size))
        flags, method, packed, unpacked, local_at = (fields[place] for place in (3, 4, 8, 9, 16))
        name_length, extra_length, comment_length = fields[10:13]
        name = feed.take(name_length)
        extra = feed.take(extra_length)
        feed.take(comment_length)
        unpacked, packed, local_at = _widened(extra, unpacked, packed, local_at)
        said_bytes = name_length + extra_length + comment_length
        seen += 1
        unpaid += _ENTRY.size + said_bytes
        if seen % _SPENT_EVERY == 0:
            content.spend(unpaid)
            unpaid = 0
        yield _Entry(
            packed_bytes=packed,
            local_at=local_at,
            encrypted=bool(flags & _ENCRYPTED),
            aes=method == _METHOD_AES,
            has_content=unpacked > 0 and not (name.endswith(b"/") and not flags & _ENCRYPTED),
            name_bytes=name_length,
            said_bytes=said_bytes,
        )
    content.spend(unpaid)
    # Archives of more entries than 16 bits can count say how many modulo 2**16.
    if (seen ^ directory.entries) & 0xFFFF:
        raise _Broken


def _directory(content: Content) -> _Directory:
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
    _, disk, first_disk, _, count, size, at, comment = _END.unpack_from(tail, end_at)
    if count == 0xFFFF or _IN_EXTRA in (size, at):
        at, size, count = _directory64(content, tail_at + end_at - _LOCATOR64.size) or (at, size, count)
    behind = tail_at + end_at - at - size
    if disk or first_disk or behind < 0:
        raise _Broken
    ends = _END64.size + _LOCATOR64.size
    return _Directory(at, size, count, excess_bytes=max(0, behind - ends) + comment)


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
