"""Whether a 7z archive is encrypted, from the list of coders that each of its folders went through.

The format is that of `7zFormat.txt` in the LZMA SDK: a fixed header at the start points to a header
at the end, which is usually compressed, and encrypted too where the names are to be secret. A folder
here is a run of packed data, not a folder of files.
"""

from __future__ import annotations

import lzma
import struct
import zlib
from dataclasses import dataclass

from ingestd.content.randomness import GAP_BYTES_MAX, measure, payload_verdict
from ingestd.content.sample import Content, Verdict
from ingestd.core.found import Secrecy

MAGIC = b"7z\xbc\xaf\x27\x1c"
_START_BYTES = 32
_HEADER_BYTES_MAX = 1 << 20
"""Of a header, what is read, and what is unpacked: room for some 20,000 folders. What comes behind them,
the names of files, may be longer than that where the header is packed, as it is of all but small archives."""
_PACKED_BYTES_MAX = _HEADER_BYTES_MAX + (_HEADER_BYTES_MAX >> 3) + (4 << 10)
"""No packed data is longer than this for what is unpacked of it."""
_COST = 8
"""A byte of this header takes as long to parse as eight of a ZIP's directory."""
_SPENT_EVERY = 8192
_NESTED_MAX = 4

_AES256_SHA256 = bytes.fromhex("06f10701")
_LZMA1 = bytes.fromhex("030101")
_LZMA2 = bytes.fromhex("21")

_END, _HEADER, _ARCHIVE_PROPERTIES, _ADDITIONAL, _MAIN_STREAMS, _FILES = range(6)
_PACK_INFO, _UNPACK_INFO, _SUBSTREAMS, _SIZE, _CRC, _FOLDER, _UNPACK_SIZES = range(6, 13)
_ENCODED_HEADER = 0x17

_UNTOLD = Secrecy.UNKNOWN, "7z archive whose header cannot be read"


class _Broken(Exception):
    """The header is not as the format has it, or of a kind that is not understood here."""


@dataclass(frozen=True, slots=True)
class _Coder:
    method: bytes
    properties: bytes


@dataclass(frozen=True, slots=True)
class _Streams:
    """What a header says about packed data. Of thousands of folders it keeps what is asked for only."""

    pack_at: int = 0
    packed_bytes: int = 0
    """Of all streams together."""
    sealed_folders: int = 0
    plain_folders: int = 0
    """Those that have content, and went through the AES coder or not."""
    coder: _Coder | None = None
    """Of the only folder, if it has one coder and one stream."""
    unpacked_bytes: int = 0
    """Of the last stream."""


def recognise(content: Content) -> Verdict | None:
    """The verdict on a 7z archive; None for anything else."""
    start = content.read(0, _START_BYTES)
    if not start.startswith(MAGIC) or len(start) < _START_BYTES:
        return None
    try:
        return _judge(content, start)
    except (_Broken, lzma.LZMAError, IndexError, struct.error):
        return _UNTOLD


def _judge(content: Content, start: bytes) -> Verdict:
    crc, offset, size, header_crc = struct.unpack_from("<IQQI", start, 8)
    if zlib.crc32(start[12:32]) != crc or size > _HEADER_BYTES_MAX:
        raise _Broken
    header_at = _START_BYTES + offset
    header = content.read(header_at, size)
    if len(header) != size or zlib.crc32(header) != header_crc:
        raise _Broken
    kind, streams = "7z", _Streams()
    known = [(header_at, header_at + size)]
    for _ in range(_NESTED_MAX):
        parser = _Parser(header, content)
        mark = parser.byte()
        if mark not in (_HEADER, _ENCODED_HEADER):
            raise _Broken
        streams = parser.main_streams() if mark == _HEADER else parser.streams()
        begin = _START_BYTES + streams.pack_at
        known.append((begin, begin + streams.packed_bytes))
        if mark == _HEADER:
            break
        if streams.sealed_folders and not streams.plain_folders:
            # How long the packed data is that it tells of stays secret: the archive counts as a whole.
            kind, known = "7z with an encrypted header", [(_START_BYTES, header_at + size)]
            break
        header = _unpacked(content, streams)
    else:
        raise _Broken
    return _verdict(content, kind, streams, header_at, known)


def _verdict(
    content: Content, kind: str, streams: _Streams, end: int, known: list[tuple[int, int]]
) -> Verdict:
    if streams.plain_folders:
        return Secrecy.PLAIN, "7z archive with content that is not encrypted"
    if not streams.sealed_folders:
        return Secrecy.UNKNOWN, "7z archive without content"
    verdict = payload_verdict(f"{kind} (AES-256)", measure(content, _START_BYTES, end))
    outside = _outside(content, known)
    if verdict[0] is Secrecy.PROVEN and outside > GAP_BYTES_MAX:
        return Secrecy.UNKNOWN, f"7z archive with {outside:,} bytes that belong to none of its files"
    return verdict


def _outside(content: Content, known: list[tuple[int, int]]) -> int:
    """How many bytes lie in none of the stretches."""
    outside, reached = 0, _START_BYTES
    for begin, end in sorted(known):
        outside += max(0, begin - reached)
        reached = max(reached, end)
    return outside + max(0, (content.size_bytes or 0) - reached)


def _unpacked(content: Content, streams: _Streams) -> bytes:
    """The beginning of the header that an encoded header stands for: one folder through one LZMA coder."""
    if streams.coder is None:
        raise _Broken
    size = min(streams.unpacked_bytes, _HEADER_BYTES_MAX)
    packed_bytes = min(streams.packed_bytes, _PACKED_BYTES_MAX)
    content.spend(packed_bytes)
    packed = content.read(_START_BYTES + streams.pack_at, packed_bytes)
    # A dictionary larger than the result is never used; the archive's own wish could be 4 GiB.
    decoder = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=[_filter(streams.coder, max(size, 4096))])
    unpacked = decoder.decompress(packed, max_length=size)
    if len(unpacked) != size:
        raise _Broken
    return unpacked


def _filter(coder: _Coder, dict_size: int) -> dict[str, int]:
    if coder.method == _LZMA2:
        return {"id": lzma.FILTER_LZMA2, "dict_size": dict_size}
    if coder.method != _LZMA1 or len(coder.properties) != 5:
        raise _Broken
    packed, lc = divmod(coder.properties[0], 9)
    pb, lp = divmod(packed, 5)
    if lc + lp > 4 or pb > 4:
        raise _Broken
    return {"id": lzma.FILTER_LZMA1, "dict_size": dict_size, "lc": lc, "lp": lp, "pb": pb}


class _Parser:
    """Reads a header from front to back. Raises _Broken or IndexError where it ends too early."""

    def __init__(self, header: bytes, content: Content) -> None:
        self._header = header
        self._content = content
        self._at = 0
        self._paid_until = 0

    def byte(self) -> int:
        if self._at >= self._paid_until:
            self._pay()
        value = self._header[self._at]
        self._at += 1
        return value

    def _pay(self) -> None:
        self._content.spend(_COST * _SPENT_EVERY)
        self._paid_until = self._at + _SPENT_EVERY

    def take(self, length: int) -> bytes:
        if length > len(self._header) - self._at:
            raise _Broken
        self._at += length
        return self._header[self._at - length : self._at]

    def number(self) -> int:
        """An integer whose first byte tells, by its leading ones, how many bytes follow."""
        first = self.byte()
        value = 0
        mask = 0x80
        for place in range(8):
            if not first & mask:
                return value | (first & (mask - 1)) << (8 * place)
            value |= self.byte() << (8 * place)
            mask >>= 1
        return value

    def count(self) -> int:
        """A number of things to come, none of which is shorter than a bit."""
        value = self.number()
        if value > 8 * len(self._header):
            raise _Broken
        return value

    def main_streams(self) -> _Streams:
        """The packed data that files are in, from a header after its first byte."""
        mark = self.byte()
        if mark == _ARCHIVE_PROPERTIES:
            while self.byte() != _END:
                self.take(self.count())
            mark = self.byte()
        if mark == _ADDITIONAL:
            self.streams()
            mark = self.byte()
        if mark == _MAIN_STREAMS:
            return self.streams()
        if mark in (_FILES, _END):
            return _Streams()
        raise _Broken

    def streams(self) -> _Streams:
        """Packed data, up to what is said about the files in it, which is left unread."""
        pack_at = packed_bytes = 0
        mark = self.byte()
        if mark == _PACK_INFO:
            pack_at, packed_bytes = self._pack_info()
            mark = self.byte()
        if mark != _UNPACK_INFO:
            return _Streams(pack_at, packed_bytes)
        if self.byte() != _FOLDER:
            raise _Broken
        folder_count = self.count()
        if self.byte() != 0:
            raise _Broken  # The folders lie in another stream.
        # Of each folder, whether it is sealed; of each of its streams, whether it is the folder's last.
        sealed, lasts = bytearray(), bytearray()
        coder = None
        for _ in range(folder_count):
            coder, folder_is_sealed, outs = self._folder()
            sealed.append(folder_is_sealed)
            lasts += bytes(outs - 1) + b"\1"
            if len(lasts) > len(self._header):
                raise _Broken  # Each takes a byte at least.
        if self.byte() != _UNPACK_SIZES:
            raise _Broken
        counts = [0, 0]
        size = folder = 0
        has_content = False
        for last in lasts:
            size = self.number()
            has_content |= size > 0
            if last:
                counts[sealed[folder]] += has_content
                folder, has_content = folder + 1, False
        self._skip_digests(folder_count)
        only = coder if len(lasts) == 1 else None
        return _Streams(pack_at, packed_bytes, counts[True], counts[False], only, size)

    def _pack_info(self) -> tuple[int, int]:
        """Where packed data begins, and how long its streams are together."""
        at, stream_count = self.number(), self.count()
        packed_bytes = 0
        mark = self.byte()
        if mark == _SIZE:
            for _ in range(stream_count):
                packed_bytes += self.number()
            mark = self.byte()
        if mark == _CRC:
            self._digests(stream_count)
            mark = self.byte()
        if mark != _END:
            raise _Broken
        return at, packed_bytes

    def _folder(self) -> tuple[_Coder | None, bool, int]:
        """Of one folder its coder where it has just one, whether it is sealed, and how many streams come
        out of it."""
        coder: _Coder | None = None
        sealed = False
        ins = outs = 0
        coder_count = self.count()
        for _ in range(coder_count):
            flags = self.byte()
            method = self.take(flags & 0x0F)
            coder_ins, coder_outs = (self.count(), self.count()) if flags & 0x10 else (1, 1)
            properties = self.take(self.count()) if flags & 0x20 else b""
            if flags & 0xC0:
                raise _Broken
            coder = _Coder(method, properties)
            sealed = sealed or method == _AES256_SHA256
            ins, outs = ins + coder_ins, outs + coder_outs
        bound = max(0, outs - 1)
        for _ in range(2 * bound + (ins - bound if ins - bound > 1 else 0)):
            self.number()
        if outs == 0 or outs > len(self._header):
            raise _Broken
        return (coder if coder_count == 1 else None), sealed, outs

    def _digests(self, count: int) -> None:
        defined = count
        if self.byte() == 0:
            defined = sum(byte.bit_count() for byte in self.take((count + 7) // 8))
        self.take(4 * defined)

    def _skip_digests(self, count: int) -> None:
        mark = self.byte()
        if mark == _CRC:
            self._digests(count)
            mark = self.byte()
        if mark != _END:
            raise _Broken
