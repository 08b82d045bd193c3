"""Asking the uplink budget for bytes, in slices that do not depend on how they are sent."""

from __future__ import annotations

import time
from collections.abc import Callable

from ingestd.ports import Pace

SLICE_BYTES = 1 << 20
"""The most that is asked for at once, and so the most by which an uplink budget can be overdrawn."""
_SLICE_MIN_BYTES = 16 << 10
_GROWTH = 4
_QUICK_S = 0.2
_SLOW_S = 1.0


class Allowance:
    """Asks for a known total in slices, however small or large the pieces are that use it up.

    A request whose body has begun is silent while it waits for the next slice, and the far end gives one up
    that is silent for long. So the first slice is small; they grow while they are granted at once, and
    shrink where they are waited for.
    """

    def __init__(self, total_bytes: int, pace: Pace, clock: Callable[[], float] = time.monotonic) -> None:
        self._pace = pace
        self._clock = clock
        self._to_ask_for = total_bytes
        self._granted = 0
        self._slice_bytes = _SLICE_MIN_BYTES

    def take(self, wanted_bytes: int) -> int:
        """How many of the wanted bytes may be written now: at least one, when any are wanted."""
        if not self._granted:
            self._granted = min(self._slice_bytes, self._to_ask_for)
            self._to_ask_for -= self._granted
            self._ask(self._granted)
        taken = min(wanted_bytes, self._granted)
        self._granted -= taken
        return taken

    def _ask(self, size_bytes: int) -> None:
        asked_at = self._clock()
        self._pace(size_bytes)
        took_s = self._clock() - asked_at
        if took_s < _QUICK_S:
            self._slice_bytes = min(SLICE_BYTES, self._slice_bytes * _GROWTH)
        elif took_s > _SLOW_S:
            self._slice_bytes = max(_SLICE_MIN_BYTES, self._slice_bytes // _GROWTH)


def without_limit(size_bytes: int) -> None:
    """A pace for what no budget is asked for: requests about objects, not their content."""
    del size_bytes
