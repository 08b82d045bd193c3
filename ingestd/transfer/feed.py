"""A part on its way that is larger than a buffer: read into one piece of one after the other, sent likewise.

The reader puts, a sender takes, and each piece is free again as soon as it was sent. So a part that is
lost on its way has to be read again: `Session` does so, and the journal never hears of it before.
"""

from __future__ import annotations

import hashlib
import threading
from collections import deque
from collections.abc import Generator

from ingestd.ports import CancelToken
from ingestd.transfer.buffers import BufferPool, Piece

_LOOK_S = 0.1


class FeedBroken(Exception):
    """The reader will not bring the rest of this part."""


class PartFeed:
    """Between one reader and one sender. Every piece that is put is released exactly once."""

    def __init__(self, pool: BufferPool, before: hashlib._Hash) -> None:
        """`before`: the digest of the file up to this part, to tell whether it reads the same again."""
        self.before = before
        self._pool = pool
        self._changed = threading.Condition()
        self._waiting: deque[tuple[Piece, memoryview]] = deque()
        self._prefix: bytes | None = None
        self._broken = False
        self._over = False
        self._error: BaseException | None = None

    # -- the reader's side ------------------------------------------------------------------------

    def put(self, piece: Piece, view: memoryview) -> None:
        """Hand over what was read; it is dropped when nobody takes it any more."""
        with self._changed:
            taken = not self._over
            if taken:
                self._waiting.append((piece, view))
                self._changed.notify_all()
        if not taken:
            self._pool.release_piece(piece)

    def finish(self, prefix_sha256: bytes) -> None:
        """All of the part was put; the digest of the file up to here."""
        with self._changed:
            self._prefix = prefix_sha256
            self._changed.notify_all()

    def break_off(self) -> None:
        with self._changed:
            self._broken = True
            self._changed.notify_all()

    def outcome(self, token: CancelToken) -> None:
        """Return once the store has the part. Raises what the sender did not get over, and Cancelled."""
        with self._changed:
            while not self._over:
                token.check()
                token.beat()
                self._changed.wait(_LOOK_S)
            if self._error is not None:
                raise self._error

    # -- the sender's side ------------------------------------------------------------------------

    def blocks(self, token: CancelToken) -> Generator[memoryview, None, None]:
        """What was put, each valid until the next one is asked for. Raises FeedBroken and Cancelled."""
        while (taken := self._next(token)) is not None:
            piece, view = taken
            try:
                yield view
            finally:
                self._pool.release_piece(piece)

    def _next(self, token: CancelToken) -> tuple[Piece, memoryview] | None:
        with self._changed:
            while not self._waiting:
                if self._prefix is not None:
                    return None
                if self._broken:
                    raise FeedBroken
                token.check()
                self._changed.wait(_LOOK_S)
            return self._waiting.popleft()

    def prefix(self) -> bytes:
        """What `finish` was told, which has been called by then."""
        assert self._prefix is not None, "the part was read to its end"
        return self._prefix

    def end(self, error: BaseException | None = None) -> None:
        """The sender is done with it, one way or the other."""
        with self._changed:
            self._over, self._error = True, error
            left, self._waiting = self._waiting, deque()
            self._changed.notify_all()
        for piece, _ in left:
            self._pool.release_piece(piece)
