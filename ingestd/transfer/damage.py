"""Finding out which bytes of a file cannot be read, without spending a day on a dying drive.

A block that fails as a whole is read again in smaller and smaller pieces, down to what the medium reads
at once, and there up to three times. When that helps, nothing has happened. When a piece stays unreadable
the file is lost, and what is left to find out is how much of it: in the manner of GNU ddrescue (its
manual, "Algorithm"), what reads well first, and closer and closer to the damage.

1. Forward in blocks; after each failure further and further ahead.
2. What was skipped, from its end backwards, then from its beginning, until something fails; then the rest.
3. Blocks that failed, in the same manner, in sixteen pieces; pieces that failed, in sectors.

It ends with every byte read, or when the time is up that a drive is granted for its failures, or when
256 reads of one file have failed. What is not known to be good by then counts as lost.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ingestd.core.found import ByteRange

BLOCK_BYTES = 1 << 20
PIECES = 16
"""Into so many a block is cut that failed: a block of 1 MiB into pieces of 64 KiB."""
TRIES = 3
"""How often the smallest piece is read before it counts as unreadable."""
FAILURES_MAX = 256
"""Reads of one file that may fail, each after the drive's own retries of many seconds."""
SKIP_MAX_BYTES = 256 << 20


@dataclass(frozen=True, slots=True)
class Attempt:
    """How a read ended: so many bytes from its beginning are good, then came this error, 0 for none."""

    good_bytes: int
    error: int = 0


ReadAt = Callable[[memoryview, int], Attempt]
"""Fill the view from an offset, as far as that works. Raises for everything but a failing medium."""


class Patience:
    """The time that one drive is granted for reads that fail, and for finding its way around them."""

    def __init__(self, limit_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._limit_s = limit_s
        self._clock = clock
        self._used_s = 0.0

    @property
    def spent(self) -> bool:
        return self._used_s >= self._limit_s

    def now(self) -> float:
        return self._clock()

    def use(self, since: float) -> None:
        """So much of it is gone: what has passed since."""
        self._used_s += self._clock() - since


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes of a file that are not known to be good; `error` is of a read that failed on them, or 0."""

    begin: int
    end: int
    error: int = 0


class Damage:
    """The look at one damaged file, from the first read that failed.

    `grain_bytes` is what the medium reads at once. Offsets of reads are multiples of the pieces' sizes,
    wherever a view begins.
    """

    def __init__(
        self,
        size_bytes: int,
        read_at: ReadAt,
        patience: Patience,
        *,
        grain_bytes: int,
        block_bytes: int = BLOCK_BYTES,
    ) -> None:
        self._size_bytes = size_bytes
        self._read_at = read_at
        self._patience = patience
        self._steps = (block_bytes, max(block_bytes // PIECES, grain_bytes), grain_bytes)
        self._failures = 0
        self._lost: list[Span] = []

    @property
    def exhausted(self) -> bool:
        return self._failures >= FAILURES_MAX or self._patience.spent

    @property
    def first_error(self) -> int:
        """The number of the error with which the file was lost."""
        return self._lost[0].error if self._lost else 0

    @property
    def ranges(self) -> tuple[ByteRange, ...]:
        """What is lost, ascending, neighbours of one kind merged."""
        return tuple(
            ByteRange(
                offset_bytes=span.begin,
                length_bytes=span.end - span.begin,
                error=errno.errorcode.get(span.error, "") if span.error else "",
            )
            for span in _merged(self._lost)
        )

    # -- getting it after all ---------------------------------------------------------------------

    def search(self, view: memoryview, offset: int) -> int | None:
        """Read a block that failed as a whole again, piece by piece, into its own memory.

        None when all of it is there now; else where the first sector ends that stays unreadable.
        """
        for piece, at in _pieces(view, offset, self._steps[1]):
            if self._try(piece, at).error:
                lost_until = self._search_piece(piece, at)
                if lost_until is not None:
                    return lost_until
        return None

    def _search_piece(self, piece: memoryview, offset: int) -> int | None:
        for sector, at in _pieces(piece, offset, self._steps[2]):
            if error := self._insist(sector, at):
                self._lost.append(Span(at, at + len(sector), error))
                return at + len(sector)
        return None

    def _insist(self, sector: memoryview, offset: int) -> int:
        """The error that stays, 0 when one of the tries succeeds."""
        error = 0
        for _ in range(TRIES):
            error = self._try(sector, offset).error
            if not error or self.exhausted:
                break
        return error

    # -- how much is lost -------------------------------------------------------------------------

    def survey(self, memory: memoryview, offset: int) -> None:
        """Look at the file from `offset` on; `memory` is a block to read into."""
        failed, skipped = self._sweep(memory, Span(offset, self._size_bytes))
        for step_bytes in self._steps:
            failed += self._close_in(memory[:step_bytes], skipped)
            if step_bytes == self._steps[-1]:
                break
            skipped, failed = _merged(failed), []
        self._lost += failed

    def _sweep(self, memory: memoryview, span: Span) -> tuple[list[Span], list[Span]]:
        """Forward through a span in blocks: what failed, and what was skipped after a failure."""
        failed: list[Span] = []
        skipped: list[Span] = []
        at, ahead = span.begin, 0
        while at < span.end:
            if self.exhausted:
                skipped.append(Span(at, span.end))
                break
            bad = self._look(memory, at, span.end)
            at = _boundary(at, len(memory), span.end)
            if bad is None:
                ahead = 0
                continue
            failed.append(bad)
            ahead = min(max(2 * ahead, len(memory)), SKIP_MAX_BYTES)
            begin, at = at, _boundary(at + ahead - len(memory), len(memory), span.end)
            if begin < at:
                skipped.append(Span(begin, at))
        return failed, skipped

    def _close_in(self, memory: memoryview, spans: list[Span]) -> list[Span]:
        """Read what is in these spans, piece by piece; gives what failed, and what was not looked at."""
        failed: list[Span] = []
        inner = [self._trim(memory, span, failed) for span in reversed(spans)]
        for span in reversed(inner):
            at = span.begin
            while at < span.end:
                if self.exhausted:
                    failed.append(Span(at, span.end, span.error))
                    break
                if bad := self._look(memory, at, span.end):
                    failed.append(bad)
                at = _boundary(at, len(memory), span.end)
        return failed

    def _trim(self, memory: memoryview, span: Span, failed: list[Span]) -> Span:
        """Read a span from its end backwards, then forward, each until it fails; what is left between."""
        begin, end = span.begin, span.end
        bad: Span | None = None
        while begin < end and not bad and not self.exhausted:
            at = max(begin, (end - 1) // len(memory) * len(memory))
            bad = self._look(memory, at, end)
            end = at
        failed += [bad] if bad else []
        bad = None
        while begin < end and not bad and not self.exhausted:
            bad = self._look(memory, begin, end)
            begin = _boundary(begin, len(memory), end)
        failed += [bad] if bad else []
        return Span(begin, end, span.error)

    def _look(self, memory: memoryview, at: int, end: int) -> Span | None:
        """Read up to the next boundary; what of it is not good."""
        until = _boundary(at, len(memory), end)
        got = self._try(memory[: until - at], at)
        if not got.error:
            return None
        good_until = (at + got.good_bytes) // self._steps[-1] * self._steps[-1]
        return Span(max(at, good_until), until, got.error)

    def _try(self, view: memoryview, offset: int) -> Attempt:
        began = self._patience.now()
        got = self._read_at(view, offset)
        if got.error:
            self._failures += 1
        if got.error or len(view) < self._steps[0]:
            self._patience.use(began)
        return got


def _boundary(at: int, step_bytes: int, end: int) -> int:
    """Where the piece ends that begins at, or holds, this offset."""
    return min(end, (at // step_bytes + 1) * step_bytes)


def _pieces(view: memoryview, offset: int, step_bytes: int) -> Iterator[tuple[memoryview, int]]:
    """A view cut at multiples of the step, each piece with the offset that it is for."""
    at, end = offset, offset + len(view)
    while at < end:
        until = _boundary(at, step_bytes, end)
        yield view[at - offset : until - offset], at
        at = until


def _merged(spans: list[Span]) -> list[Span]:
    """Ascending, with neighbours joined that failed in the same way."""
    merged: list[Span] = []
    for span in sorted(spans, key=lambda span: span.begin):
        if merged and merged[-1].end == span.begin and merged[-1].error == span.error:
            merged[-1] = Span(merged[-1].begin, span.end, span.error)
        else:
            merged.append(span)
    return merged
