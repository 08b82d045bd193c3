"""Asking the uplink budget for bytes, in slices that do not depend on how they are sent."""

from __future__ import annotations

from ingestd.ports import Pace

SLICE_BYTES = 1 << 20
"""The most that is asked for at once, and so the most by which an uplink budget can be overdrawn."""


class Allowance:
    """Asks for a known total in slices, however small or large the pieces are that use it up."""

    def __init__(self, total_bytes: int, pace: Pace) -> None:
        self._pace = pace
        self._to_ask_for = total_bytes
        self._granted = 0

    def take(self, wanted_bytes: int) -> int:
        """How many of the wanted bytes may be written now: at least one, when any are wanted."""
        if not self._granted:
            self._granted = min(SLICE_BYTES, self._to_ask_for)
            self._to_ask_for -= self._granted
            self._pace(self._granted)
        taken = min(wanted_bytes, self._granted)
        self._granted -= taken
        return taken


def without_limit(size_bytes: int) -> None:
    """A pace for what no budget is asked for: requests about objects, not their content."""
    del size_bytes
