"""One direction of the bus: whether it works, why not, and when it is tried again."""

from __future__ import annotations

import random
from collections.abc import Callable

from ingestd.ports import BusDown
from ingestd.runtime.clock import Clock
from ingestd.telemetry import logs

LONGEST_PAUSE_S = 60.0


def step_s(failures: int) -> float:
    """How long to leave the bus alone after so many failures in a row, at most."""
    return min(LONGEST_PAUSE_S, 0.5 * 2.0 ** min(failures, 8))


class Lane:
    """Tries again for ever, with full jitter, and says once when it goes down and once when it is up."""

    def __init__(self, direction: str, clock: Clock) -> None:
        self._direction = direction
        self._clock = clock
        self._failures = 0
        self._again_at = 0.0
        self.trouble = ""
        """Why nothing goes this way, in words; empty while it does."""

    @property
    def due(self) -> bool:
        return self._clock.monotonic() >= self._again_at

    def attempt(self, work: Callable[[], None]) -> bool:
        """Do it if it is due; whether it was, and has worked."""
        if not self.due:
            return False
        try:
            work()
        except BusDown as error:
            self._failed(str(error))
            return False
        self._worked()
        return True

    def hurry(self) -> None:
        """Try again at once: the other direction works again."""
        self._again_at = 0.0

    def _failed(self, text: str) -> None:
        self._failures += 1
        self.trouble = text
        self._again_at = self._clock.monotonic() + random.uniform(0, step_s(self._failures))  # noqa: S311
        if self._failures == 1:
            logs.get().error("bus_down", direction=self._direction, text=text)

    def _worked(self) -> None:
        if self._failures:
            logs.get().info("bus_up", direction=self._direction, failures=self._failures)
        self._failures, self._again_at, self.trouble = 0, 0.0, ""
