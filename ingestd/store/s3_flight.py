"""How many small objects are on their way to one store at a time, over all batches that are."""

from __future__ import annotations

import contextlib
import resource
import threading
import time
from collections.abc import Callable, Iterator

from ingestd.core.window import Window

_MOST = 1024
"""Of one store's connections for small objects, whatever the line."""


class Flight:
    """The window of one store, shared among its batches. Safe between threads.

    However short the line is, `each` are on their way for every batch: that many are needed to keep a
    thread at work.
    """

    def __init__(
        self, each: int, most: int | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._each = each
        self._clock = clock
        self._lock = threading.Lock()
        self._window = Window(each, max(each, _most() if most is None else most))
        self._batches = 0

    @contextlib.contextmanager
    def joined(self, count: int) -> Iterator[int]:
        """Take part for as long as a batch of so many is under way; how many may be on their way at first."""
        with self._lock:
            self._batches += 1
        try:
            yield min(count, self.width)
        finally:
            with self._lock:
                self._batches -= 1

    @property
    def width(self) -> int:
        """How many one of the batches should have on their way."""
        return max(self._each, self._window.size // max(1, self._batches))

    def answered(self, sent_at: float) -> None:
        """One of the objects has been answered that was sent at that moment."""
        with self._lock:
            now = self._clock()
            self._window.answered(now - sent_at, now)


def _most() -> int:
    """A quarter of the files that this process may have open, so that others find theirs."""
    limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return _MOST if limit == resource.RLIM_INFINITY else max(1, min(_MOST, limit // 4))
