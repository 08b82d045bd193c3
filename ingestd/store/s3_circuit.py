"""When a store is asked, and when it is left alone: a circuit, and a budget for asking again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from ingestd.ports import StoreUnreachable

FAILURES = 5
REST_FIRST_S = 1.0
REST_MAX_S = 30.0


class Circuit:
    """After five failures in a row a store is left alone, and then one request at a time probes it.

    The rest is a second at first, which is enough for a server that starts again, and doubles with each
    probe that fails up to 30 s.
    M. Nygard, Release It!, "Circuit Breaker". What is turned away costs no try: the error says so, and
    when it is worth coming back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._failures = 0
        self._rest_s = REST_FIRST_S
        self._open_until: float | None = None
        self._probing = False
        self._why = ""

    @property
    def trouble(self) -> str | None:
        """Why the store is left alone just now."""
        with self._lock:
            return self._why if self._open_until is not None else None

    def enter(self) -> bool:
        """Before a request; whether it is the probe. Raises StoreUnreachable where none is to be made now.

        Afterwards exactly one of `succeeded`, `failed` and `left` has to be told, with the same word.
        """
        with self._lock:
            if self._open_until is None:
                return False
            left_s = self._open_until - self._clock()
            if left_s > 0 or self._probing:
                raise self._turned_away(max(left_s, 0.5))
            self._probing = True
            return True

    def _turned_away(self, left_s: float) -> StoreUnreachable:
        error = StoreUnreachable(self._why)
        error.is_try, error.not_before_s = False, left_s
        return error

    def failed(self, why: str, *, probing: bool) -> None:
        with self._lock:
            self._failures += 1
            if probing or (self._open_until is None and self._failures >= FAILURES):
                self._open_until = self._clock() + self._rest_s
                self._rest_s = min(REST_MAX_S, 2 * self._rest_s)
                self._why = why
            self._probing = self._probing and not probing

    def succeeded(self, *, probing: bool) -> None:
        with self._lock:
            self._failures, self._rest_s, self._open_until = 0, REST_FIRST_S, None
            self._probing = self._probing and not probing

    def left(self, *, probing: bool) -> None:
        """The request said nothing about the store: it was cancelled, or not even made."""
        with self._lock:
            self._probing = self._probing and not probing


class RetryBudget:
    """How often a store may be asked again, over all loads: one request in ten, and one a second.

    So a store in trouble gets little more than its usual load (B. Beyer and others, Site Reliability
    Engineering, chapter 21). Those who want more wait for their turn.
    """

    _SHARE = 0.1
    _PER_SECOND = 1.0
    _SAVED_MAX = 20.0

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._saved = self._SAVED_MAX
        self._at = clock()

    def earn(self, requests: int = 1) -> None:
        """So many requests were made."""
        with self._lock:
            self._refill()
            self._saved = min(self._SAVED_MAX, self._saved + self._SHARE * requests)

    def reserve(self) -> float:
        """Seconds to wait before one more try; it is accounted for."""
        with self._lock:
            self._refill()
            self._saved -= 1
            return max(0.0, -self._saved / self._PER_SECOND)

    def _refill(self) -> None:
        now = self._clock()
        self._saved = min(self._SAVED_MAX, self._saved + self._PER_SECOND * (now - self._at))
        self._at = now
