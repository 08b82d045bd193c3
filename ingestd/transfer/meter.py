"""How fast something goes: bytes per second over the last few seconds."""

from __future__ import annotations

from collections import deque


class Meter:
    """Bytes per second over the last few seconds. Not for use by several threads at a time."""

    _SLOT_S = 0.25
    _SLOTS = 16

    def __init__(self, now: float) -> None:
        self._began = now
        self._slots: deque[tuple[int, int]] = deque(maxlen=self._SLOTS)
        """(number of the quarter second, bytes in it), for those in which there was something."""

    def add(self, size_bytes: int, now: float) -> None:
        slot = int(now / self._SLOT_S)
        if self._slots and self._slots[-1][0] == slot:
            self._slots[-1] = (slot, self._slots[-1][1] + size_bytes)
        else:
            self._slots.append((slot, size_bytes))

    def rate(self, now: float) -> float:
        newest = int(now / self._SLOT_S)
        oldest = newest - self._SLOTS + 1
        total = sum(size for slot, size in self._slots if slot >= oldest)
        seconds = now - max(self._began, oldest * self._SLOT_S)
        return total / max(seconds, self._SLOT_S)
