"""How one pass stops: tokens that hang together, short retries, and the count of what is on the way."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import ParamSpec, Protocol, TypeVar

from tenacity import RetryCallState, Retrying, retry_if_exception_type, wait_random_exponential
from tenacity.stop import stop_base

from ingestd.ports import Cancelled, CancelToken, PortError, StoreBusy, StoreDigest, StoreUnreachable

_TRIES = 5
_TRIES_DIGEST = 3
_PATIENCE_S = 900.0
_BEAT_S = 1.0
_STEP_S = 0.1
_FIRST_DELAY_S = 0.5
_LONGEST_DELAY_S = 8.0

_JITTER = wait_random_exponential(multiplier=_FIRST_DELAY_S, max=_LONGEST_DELAY_S)

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
    """What the call returns, tried up to five times while the store is away or busy, three times while
    it garbles data.

    The waits between have full jitter, last as long as the store asked for and the budget for tries against
    it wants, and end at once with Cancelled. Where nothing was tried because the store is left alone, that
    is no try; after a quarter of an hour in all the error comes out even so, as the last one does.
    """

    def pause(seconds: float) -> None:
        left = seconds
        while left > 0:
            token.beat()
            token.wait(min(left, _BEAT_S))
            token.check()
            left -= _BEAT_S

    retrying = Retrying(
        retry=retry_if_exception_type((StoreUnreachable, StoreBusy, StoreDigest)),
        stop=_Enough(),
        wait=_wait_s,
        sleep=pause,
        reraise=True,
    )
    return retrying(call, *args, **kwargs)


class _Enough(stop_base):
    """Counts the tries of one call."""

    def __init__(self) -> None:
        self._tries = 0

    def __call__(self, state: RetryCallState) -> bool:
        error = _error_of(state)
        self._tries += error.is_try
        limit = _TRIES_DIGEST if isinstance(error, StoreDigest) else _TRIES
        return self._tries >= limit or state.idle_for >= _PATIENCE_S


def _wait_s(state: RetryCallState) -> float:
    error = _error_of(state)
    if not error.is_try:
        # Not all at once when the rest is over.
        return error.not_before_s + _JITTER(state) / 8
    reserved = error.reserve() if error.reserve is not None else 0.0
    return max(_JITTER(state), error.not_before_s, reserved)


def _error_of(state: RetryCallState) -> PortError:
    error = state.outcome.exception() if state.outcome is not None else None
    assert isinstance(error, PortError), "nothing else is tried again"
    return error


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
