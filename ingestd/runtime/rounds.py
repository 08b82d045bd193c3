"""Rounds: a thread that lays its hand on something that all loads share, to see that it can still be had.

Senders and readers may stand still with good reason, since a store or a drive does. What they share may
not: a lock that is never given back would stop all of them, and no drive's limit would tell.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

_EVERY_S = 0.5


class Rounds:
    """Calls each of `touches`, again and again; `beat` is when it last came through."""

    def __init__(self, name: str, touches: Sequence[Callable[[], object]], every_s: float = _EVERY_S) -> None:
        """A touch has to be quick and to change nothing; what it raises is nothing that hangs."""
        self._touches = touches
        self._every_s = every_s
        self._stop = threading.Event()
        self.beat = time.monotonic()
        self._thread = threading.Thread(target=self._run, name=f"rounds-{name}", daemon=True)

    def start(self) -> None:
        self.beat = time.monotonic()
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            for touch in self._touches:
                touch()
            self.beat = time.monotonic()
