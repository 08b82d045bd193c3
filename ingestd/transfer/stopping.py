"""How one pass stops: tokens that hang together, short retries, and the count of what is on the way."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import ParamSpec, Protocol, TypeVar

from tenacity import Retrying, retry_if_exception_type, stop_after_attempt, wait_random_exponential

from ingestd.ports import Cancelled, CancelToken, StoreBusy, StoreDigest, StoreUnreachable

_TRIES = 3
_STEP_S = 0.1
_FIRST_DELAY_S = 0.5
_LONGEST_DELAY_S = 8.0

P = ParamSpec("P")
T = TypeVar("T")


class _Parent(Protocol):
    @property
    def cancelled(self) -> bool: ...


def no_beat() -> None:
    """For threads whose moving on says nothing about the drive."""


class LinkedToken:
    """Implements `CancelToken`: cancelled when its parent is, or when it was stopped by itself.

    Only `beat` tells anybody that work has moved on; the parent is merely looked at, since asking it
    may count as a sign of life.
    """

    def __init__(self, parent: _Parent, beat: Callable[[], None] = no_beat) -> None:
        self._parent = parent
        self._beat = beat
        self._stopped = threading.Event()

    def stop(self) -> None:
        self._stopped.set()

    def check(self) -> None:
        if self.cancelled:
            raise Cancelled

    @property
    def cancelled(self) -> bool:
        return self._stopped.is_set() or self._parent.cancelled

    def wait(self, seconds: float) -> bool:
        left = seconds
        while left > 0 and not self.cancelled:
            self._stopped.wait(min(left, _STEP_S))
            left -= _STEP_S
        return self.cancelled

    def beat(self) -> None:
        self._beat()


def persistently(token: CancelToken, call: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """What the call returns, tried up to three times while the store is away, busy or garbles data.

    The waits between have full jitter and end at once with Cancelled. The last error comes out as it is.
    """

    def pause(seconds: float) -> None:
        token.beat()
        token.wait(seconds)
        token.check()

    retrying = Retrying(
        retry=retry_if_exception_type((StoreUnreachable, StoreBusy, StoreDigest)),
        stop=stop_after_attempt(_TRIES),
        wait=wait_random_exponential(multiplier=_FIRST_DELAY_S, max=_LONGEST_DELAY_S),
        sleep=pause,
        reraise=True,
    )
    return retrying(call, *args, **kwargs)


class Traffic:
    """Counts what is on its way to the store, and keeps the first error that stops the pass."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._under_way = 0
        self._error: BaseException | None = None

    def enter(self) -> None:
        with self._changed:
            self._under_way += 1

    def leave(self) -> None:
        with self._changed:
            self._under_way -= 1
            self._changed.notify_all()

    def fail(self, error: BaseException) -> None:
        with self._changed:
            if self._error is None:
                self._error = error

    @property
    def error(self) -> BaseException | None:
        with self._changed:
            return self._error

    def idle(self, timeout_s: float) -> bool:
        """Whether nothing is on the way, now or within that time."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._under_way, timeout_s)
