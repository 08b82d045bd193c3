"""A log line that may come by the hundred thousand, kept to a number that a log can take."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from ingestd.telemetry import logs

EACH_SECOND = 20
"""So many lines a second are written as they are; the others of that second are counted in one."""


class Seldom:
    """Lines of one event. For any thread; `clock` is monotonic."""

    def __init__(self, event: str, clock: Callable[[], float], *, level: str = "info") -> None:
        self._event = event
        self._level = logging.getLevelNamesMapping()[level.upper()]
        self._clock = clock
        self._lock = threading.Lock()
        self._second = 0
        self._written = self._left_out = 0

    def tell(self, **about: object) -> None:
        """Write the line, or count it where there have been enough in this second."""
        self.tell_rest()
        with self._lock:
            self._written += 1
            enough = self._written > EACH_SECOND
            self._left_out += enough
        if not enough:
            logs.get().log(self._level, self._event, **about)

    def tell_rest(self) -> None:
        """When the second is over, write how many of its lines were left out."""
        second = int(self._clock())
        with self._lock:
            if second == self._second:
                return
            left_out, self._left_out = self._left_out, 0
            self._second, self._written = second, 0
        if left_out:
            logs.get().log(self._level, self._event, more=left_out)
