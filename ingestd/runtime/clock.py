"""Wall-clock time for records, monotonic time for durations."""

from __future__ import annotations

import time


class Clock:
    """The process's only clock; tests replace it."""

    def now(self) -> float:
        """Seconds since 1970, UTC."""
        return time.time()

    def monotonic(self) -> float:
        """Seconds that never go back."""
        return time.monotonic()
