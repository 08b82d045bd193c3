"""Finding out which bytes of a file cannot be read, without spending a day on a dying drive."""

from __future__ import annotations

from collections.abc import Callable

from ingestd.core.model import ByteRange

BLOCK_BYTES = 1 << 20
COARSE_BYTES = 64 << 10
FINE_BYTES = 4 << 10
FAILURES_MAX = 256
"""Small reads of one file that may fail, each after the drive's own retries of many seconds."""

ReadAt = Callable[[memoryview, int], bool]
"""Fill the view from an offset; whether that worked. Raises for everything but a failing medium."""


class Damage:
    """The unreadable ranges of one file of `size_bytes`, in ascending order, neighbours merged.

    Good data first, then closer and closer to the damage: a block that fails is read again in pieces
    of 64 KiB, a piece that fails in sectors of 4 KiB, each of those twice. Once 256 small reads have
    failed, the rest of the file counts as unreadable.
    """

    def __init__(self, size_bytes: int, read_at: ReadAt) -> None:
        self._size_bytes = size_bytes
        self._read_at = read_at
        self._failures = 0
        self._ranges: list[ByteRange] = []

    @property
    def ranges(self) -> tuple[ByteRange, ...]:
        return tuple(self._ranges)

    @property
    def exhausted(self) -> bool:
        return self._failures >= FAILURES_MAX

    def search(self, block: memoryview, offset: int) -> None:
        """Read a block that failed as a whole again, piece by piece, into its own memory."""
        for at in range(0, len(block), COARSE_BYTES):
            piece = block[at : at + COARSE_BYTES]
            if self.exhausted:
                self._add(offset + at, len(block) - at)
                return
            if not self._try(piece, offset + at):
                self._search_piece(piece, offset + at)

    def _search_piece(self, piece: memoryview, offset: int) -> None:
        for at in range(0, len(piece), FINE_BYTES):
            sector = piece[at : at + FINE_BYTES]
            if self.exhausted:
                self._add(offset + at, len(piece) - at)
                return
            if not self._try(sector, offset + at) and not self._try(sector, offset + at):
                self._add(offset + at, len(sector))

    def scan(self, block: memoryview, offset: int) -> None:
        """Look at the rest of the file from `offset` on; `block` is memory to read into."""
        while offset < self._size_bytes:
            if self.exhausted:
                self._add(offset, self._size_bytes - offset)
                return
            view = block[: min(len(block), self._size_bytes - offset)]
            if not self._read_at(view, offset):
                self.search(view, offset)
            offset += len(view)

    def _try(self, view: memoryview, offset: int) -> bool:
        if self._read_at(view, offset):
            return True
        self._failures += 1
        return False

    def _add(self, offset: int, length: int) -> None:
        last = self._ranges[-1] if self._ranges else None
        if last and last.offset_bytes + last.length_bytes == offset:
            self._ranges[-1] = ByteRange(
                offset_bytes=last.offset_bytes, length_bytes=last.length_bytes + length
            )
        else:
            self._ranges.append(ByteRange(offset_bytes=offset, length_bytes=length))
