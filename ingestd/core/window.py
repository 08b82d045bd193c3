"""How many requests are best on their way to one store at a time, found out as they are answered.

By Little's law (J. D. C. Little, A Proof for the Queuing Formula L = lambda W, 1961) what is on the way is
what comes through in a second times the seconds that each takes. So the most that was seen to come through,
times the least that a request was seen to take, is what fills the line without a queue before it; twice as
many are aimed at. While the line has room, more come through for it, and the window doubles with every round;
once it is full no more do, and the window stays. N. Cardwell et al., BBR: Congestion-Based Congestion
Control, ACM Queue 2016, do so for the bytes of a connection.

The least that a request takes is found again from time to time, with a quarter as many on the way for one
round: the line may have become another, and a queue of one's own must not pass for it.
"""

from __future__ import annotations

import math
from collections import deque

_GAIN = 2.0
_ROUND_S = 0.5
"""How long a round is at least; it is never shorter than two requests take."""
_ROUNDS = 8
"""For so many the most that came through counts."""
_LOOK_ROUNDS = 60
"""For so many the least that a request took is believed."""
_LOOK_SOON_ROUNDS = 10
_SLOW = 3.0
"""So many times the least is more than a queue of one's own explains: it is looked for soon."""
_LOOK_WITH = 4
_IDLE_ROUNDS = 4


class Window:
    """Time is an argument, in seconds of any one clock. Not for use by several threads at a time."""

    def __init__(self, least: int, most: int) -> None:
        if not 1 <= least <= most:
            raise ValueError(f"a window of {least} to {most} requests lets nothing through")
        self._bounds = (least, most)
        self._rates: deque[float] = deque(maxlen=_ROUNDS)
        self._least_s = math.inf
        self._looked_at = -math.inf
        self._looking = False
        self._count = 0
        self._lowest_s = math.inf
        self._began: float | None = None
        self.size = least
        """How many should be on their way."""

    def answered(self, took_s: float, now: float) -> None:
        """A request was answered, so long after it was sent."""
        if self._began is None or now - self._began > _IDLE_ROUNDS * max(self._round_s, took_s):
            # Nobody has sent anything for a while, which says nothing about the line.
            self._begin_round(now)
            return
        self._count += 1
        self._lowest_s = min(self._lowest_s, max(took_s, 1e-6))
        if now - self._began >= self._round_s:
            self._end_round(now)

    @property
    def _round_s(self) -> float:
        return max(_ROUND_S, 2 * self._least_s) if math.isfinite(self._least_s) else _ROUND_S

    def _begin_round(self, now: float) -> None:
        self._began, self._count, self._lowest_s = now, 0, math.inf

    def _end_round(self, now: float) -> None:
        assert self._began is not None
        self._rates.append(self._count / (now - self._began))
        self._settle_least(now)
        wanted = math.ceil(_GAIN * max(self._rates) * self._least_s)
        least, most = self._bounds
        self.size = max(least, min(most, wanted // _LOOK_WITH if self._looking else wanted))
        self._begin_round(now)

    def _settle_least(self, now: float) -> None:
        """What the least is by now, and whether the next round is one to look for it."""
        if self._looking or self._lowest_s < self._least_s:
            self._least_s, self._looked_at = self._lowest_s, now
        rounds = _LOOK_SOON_ROUNDS if self._lowest_s > _SLOW * self._least_s else _LOOK_ROUNDS
        self._looking = not self._looking and now - self._looked_at > rounds * self._round_s
