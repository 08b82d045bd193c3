"""A budget of bytes over time, and in how large pieces it is best used up.

The bucket is the committed one of RFC 2697, section 3: full at first, filled at a constant rate, never
above its burst. So no more than rate * T + burst bytes pass in any window of T seconds. Nothing here
waits: time is an argument, in seconds of any one clock that does not run backwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

_KIB = 1024
_ROUNDING_S = 1e-6
"""Added to every wait, lest the last digit of a float cost a second, useless one."""


def slice_bytes(rate_bytes_per_second: int) -> int:
    """How much to take at a time: a fiftieth of a second's worth, 64 KiB at least, 1 MiB at most."""
    return max(64 * _KIB, min(1024 * _KIB, rate_bytes_per_second // 50))


def default_burst_bytes(rate_bytes_per_second: int) -> int:
    """An eighth of a second's worth, and room for two slices.

    While one slice is being waited for, the next one fits in beside it: a thread that the system wakes
    up late then finds what came in meanwhile, and the average stays exact.
    """
    return max(rate_bytes_per_second // 8, 2 * slice_bytes(rate_bytes_per_second))


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenBucket:
    """A budget in bytes. `tokens` is what it held at the moment `at`."""

    rate_bytes_per_second: float
    burst_bytes: float
    tokens: float
    at: float

    def __post_init__(self) -> None:
        if self.rate_bytes_per_second <= 0 or self.burst_bytes <= 0:
            raise ValueError("the rate and the burst of a budget have to be above zero")

    @classmethod
    def full(cls, rate_bytes_per_second: float, burst_bytes: float, now: float) -> TokenBucket:
        return cls(
            rate_bytes_per_second=rate_bytes_per_second, burst_bytes=burst_bytes, tokens=burst_bytes, at=now
        )

    def level(self, now: float) -> float:
        """How many bytes it holds at this moment."""
        gained = self.rate_bytes_per_second * max(0.0, now - self.at)
        return min(self.burst_bytes, self.tokens + gained)

    def refilled(self, now: float) -> TokenBucket:
        """The same bucket with what has come in since."""
        return replace(self, tokens=self.level(now), at=max(now, self.at))

    def wait_s(self, size_bytes: float, now: float) -> float:
        """Seconds until so many bytes may be taken; 0 when they may be now.

        Raises ValueError for more than the burst, which no wait would ever bring: slice it.
        """
        if size_bytes > self.burst_bytes:
            raise ValueError(f"{size_bytes} bytes never fit into a burst of {self.burst_bytes}: slice them")
        short = size_bytes - self.level(now)
        return self.fill_s(short) if short > 0 else 0.0

    def fill_s(self, size_bytes: float) -> float:
        """Seconds in which so many bytes come in."""
        return size_bytes / self.rate_bytes_per_second + _ROUNDING_S

    def taken(self, size_bytes: float, now: float) -> TokenBucket:
        """The bucket without these bytes. Raises ValueError when it does not hold them."""
        level = self.level(now)
        if size_bytes > level:
            raise ValueError(f"{size_bytes} bytes taken from a bucket that holds {level:.0f}")
        return replace(self, tokens=level - size_bytes, at=max(now, self.at))

    def with_rate(self, rate_bytes_per_second: float, burst_bytes: float, now: float) -> TokenBucket:
        """The bucket under a new cap. What was saved up stays, as far as the new burst has room."""
        filled = self.refilled(now)
        return replace(
            filled,
            rate_bytes_per_second=rate_bytes_per_second,
            burst_bytes=burst_bytes,
            tokens=min(filled.tokens, burst_bytes),
        )

    @property
    def whole_max_bytes(self) -> int:
        """Up to this much is granted in one piece, so that two pieces fit into the burst."""
        return max(1, int(self.burst_bytes) // 2)

    @property
    def slice_max_bytes(self) -> int:
        """The pieces in which more than that is granted."""
        return min(slice_bytes(int(self.rate_bytes_per_second)), self.whole_max_bytes)
