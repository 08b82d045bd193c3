"""What the line carries in the days to come: the site's caps, and the limits of stores and bays.

Times are in seconds since 1970, rates in bytes per second.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from ingestd.core.line import Link

Step = tuple[float, float | None]
"""From when on, and the site's cap from then on; None is no cap."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """The first step is now, the others are in order; nothing is known of caps after `until`. The limits
    `within` are taken to stay."""

    steps: tuple[Step, ...]
    until: float
    within: Mapping[Link, float] = field(default_factory=dict)

    def rate(self, at: float) -> float | None:
        """The cap at this moment; None without one."""
        return next((rate for begin, rate in reversed(self.steps) if begin <= at), self.steps[0][1])

    def next_change(self, at: float) -> float:
        """When the cap is another, after this moment; `until` when that is not known."""
        return next((begin for begin, _ in self.steps if begin > at), self.until)

    def begin_by(self, size_bytes: float, due_at: float, most: float = math.inf) -> float:
        """The last moment to begin sending so much, alone on the line and at no more than `most`, to be
        done in time: minus infinity where it is past, infinity where there is no limit to go by.

        After the steps that are known the last one is taken to last.
        """
        end, left = due_at, size_bytes
        for begin, cap in reversed(self.steps):
            if begin < end:
                rate = most if cap is None else min(cap, most)
                if math.isinf(rate):
                    return math.inf
                if (end - begin) * rate >= left:
                    return end - left / rate
                left -= (end - begin) * rate
                end = begin
        return -math.inf

    def done_at(self, size_bytes: float, most: float = math.inf) -> float:
        """When so much would have been sent, begun now, alone on the line and at no more than `most`."""
        left, ends = size_bytes, (*(begin for begin, _ in self.steps[1:]), math.inf)
        for (begin, cap), end in zip(self.steps, ends, strict=True):
            rate = most if cap is None else min(cap, most)
            if math.isinf(rate):
                return begin
            if (end - begin) * rate >= left:
                return begin + left / rate
            left -= (end - begin) * rate
        raise AssertionError("the last step has no end")
