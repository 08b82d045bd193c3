"""Whether a 7z archive is encrypted, from the list of coders that each of its folders went through.

The format is that of `7zFormat.txt` in the LZMA SDK: a fixed header at the start points to a header
at the end, which is usually compressed, and encrypted too where the names are to be secret. A folder
here is a run of packed data, not a folder of files.
"""

from __future__ import annotations

import lzma
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from ingestd.content.randomness import measure, payload_verdict
from ingestd.content.sample import Content, Verdict
from ingestd.core.model import Secrecy

MAGIC = b"7z\xbc\xaf\x27\x1c"
_START_BYTES = 32
_HEADER_BYTES_MAX = 64 << 20
_LISTED_MAX = 1 << 20
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
    """What a header says about packed data."""

    pack_at: int = 0
    pack_sizes: tuple[int, ...] = ()
    folders: tuple[tuple[_Coder, ...], ...] = ()
    unpack_sizes: tuple[tuple[int, ...], ...] = ()

    @property
    def encrypted(self) -> list[bool]:
        """Of each folder that has content, whether it went through the AES coder."""
        sized = zip(self.folders, self.unpack_sizes, strict=True)
        return [
            any(coder.method == _AES256_SHA256 for coder in folder) for folder, sizes in sized if any(sizes)
        ]


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
    header = content.read(_START_BYTES + offset, size)
    if len(header) != size or zlib.crc32(header) != header_crc:
        raise _Broken
    kind, streams = "7z", _Streams()
    for _ in range(_NESTED_MAX):
        parser = _Parser(header)
        mark = parser.byte()
        if mark == _HEADER:
            streams = parser.main_streams()
            break
        if mark != _ENCODED_HEADER:
            raise _Broken
        streams = parser.streams()
        if streams.encrypted and all(streams.encrypted):
            kind = "7z with an encrypted header"
            break
        header = _unpacked(content, streams)
    else:
        raise _Broken
    return _verdict(content, kind, streams.encrypted, _START_BYTES + offset)


def _verdict(content: Content, kind: str, encrypted: list[bool], end: int) -> Verdict:
    if not encrypted:
        return Secrecy.UNKNOWN, "7z archive without content"
    if not all(encrypted):
        return Secrecy.PLAIN, "7z archive with content that is not encrypted"
    return payload_verdict(f"{kind} (AES-256)", measure(content, _START_BYTES, end))


def _unpacked(content: Content, streams: _Streams) -> bytes:
    """The header that an encoded header stands for: one folder through one LZMA coder."""
    try:
        ((coder,),), ((size,),), (packed_size,) = streams.folders, streams.unpack_sizes, streams.pack_sizes
    except ValueError:
        raise _Broken from None
    if size > _HEADER_BYTES_MAX or packed_size > _HEADER_BYTES_MAX:
        raise _Broken
    packed = content.read(_START_BYTES + streams.pack_at, packed_size)
    # A dictionary larger than the result is never used; the archive's own wish could be 4 GiB.
    decoder = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=[_filter(coder, max(size, 4096))])
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

    def __init__(self, header: bytes) -> None:
        self._header = header
        self._at = 0

    def byte(self) -> int:
        value = self._header[self._at]
        self._at += 1
        return value

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
        if value > _LISTED_MAX:
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
        pack_at = 0
        pack_sizes: tuple[int, ...] = ()
        mark = self.byte()
        if mark == _PACK_INFO:
            pack_at, pack_sizes = self._pack_info()
            mark = self.byte()
        if mark != _UNPACK_INFO:
            return _Streams(pack_at, pack_sizes)
        if self.byte() != _FOLDER:
            raise _Broken
        folder_count = self.count()
        if self.byte() != 0:
            raise _Broken  # The folders lie in another stream.
        parsed = [self._folder() for _ in range(folder_count)]
        if self.byte() != _UNPACK_SIZES:
            raise _Broken
        sizes = tuple(tuple(self.number() for _ in range(outs)) for _, outs in parsed)
        self._skip_digests(folder_count)
        return _Streams(pack_at, pack_sizes, tuple(coders for coders, _ in parsed), sizes)

    def _pack_info(self) -> tuple[int, tuple[int, ...]]:
        at, stream_count = self.number(), self.count()
        sizes: tuple[int, ...] = ()
        mark = self.byte()
        if mark == _SIZE:
            sizes = tuple(self._each(stream_count, self.number))
            mark = self.byte()
        if mark == _CRC:
            self._digests(stream_count)
            mark = self.byte()
        if mark != _END:
            raise _Broken
        return at, sizes

    def _folder(self) -> tuple[tuple[_Coder, ...], int]:
        """The coders of one folder, and how many streams come out of them."""
        coders: list[_Coder] = []
        ins = outs = 0
        for _ in range(self.count()):
            flags = self.byte()
            method = self.take(flags & 0x0F)
            coder_ins, coder_outs = (self.count(), self.count()) if flags & 0x10 else (1, 1)
            properties = self.take(self.count()) if flags & 0x20 else b""
            if flags & 0xC0:
                raise _Broken
            coders.append(_Coder(method, properties))
            ins, outs = ins + coder_ins, outs + coder_outs
        bound = max(0, outs - 1)
        self._each(2 * bound, self.number)
        if ins - bound > 1:
            self._each(ins - bound, self.number)
        return tuple(coders), outs

    def _each(self, count: int, read: Callable[[], int]) -> list[int]:
        if count > len(self._header) - self._at:
            raise _Broken
        return [read() for _ in range(count)]

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
