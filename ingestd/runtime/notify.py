"""What the service manager is told: that the daemon serves, how it is, and that it still moves.

The protocol of sd_notify(3): datagrams of `NAME=value` lines to the socket in NOTIFY_SOCKET. Without a
manager, nothing is told.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable, Mapping, MutableMapping

from ingestd.telemetry import logs

STATUS_EVERY_S = 2.0
_STATUS_MAX = 400
_FEED_SHARE = 1 / 3
_STALL_SHARE = 0.8
"""Of the manager's own patience, for threads that do not move: together they are below twice that."""


class Manager:
    """The service manager, told from the main thread."""

    def __init__(
        self,
        environment: MutableMapping[str, str] = os.environ,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Takes its variables out of the environment: programs that are started have no say in this."""
        self._clock = clock
        self._address = _address(environment.pop("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environment)
        """After how many seconds without a word the manager starts the daemon anew; None for never."""
        for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
            environment.pop(name, None)
        self._feed_at = self._status_at = float("-inf")
        self._status = ""
        self._starving = False

    def ready(self) -> None:
        """The daemon serves, from the start or again after a reload."""
        self._tell(READY="1")

    def reloading(self) -> None:
        """SIGHUP is being followed; `ready` is to come."""
        self._tell(RELOADING="1", MONOTONIC_USEC=str(time.monotonic_ns() // 1000))

    def stopping(self, within_s: float) -> None:
        """The stop has begun and may take so long."""
        self._tell(STOPPING="1", EXTEND_TIMEOUT_USEC=str(int(within_s * 1e6)))

    def starting(self, text: str) -> None:
        """The start takes its time, and why."""
        self._tell(STATUS=text[:_STATUS_MAX], EXTEND_TIMEOUT_USEC="60000000", WATCHDOG="1")

    @property
    def patience_s(self) -> float | None:
        """How long a thread may stand still before the watchdog is not fed any more."""
        return None if self.watchdog_s is None else self.watchdog_s * _STALL_SHARE

    def turn(self, moves: Callable[[float], bool], status: Callable[[], str]) -> None:
        """Called at every turn of the loop. `moves`: whether every thread has moved within so many
        seconds; `status`: how the daemon is, in a line."""
        now = self._clock()
        if self.watchdog_s is not None and now >= self._feed_at:
            self._feed_at = now + self.watchdog_s * _FEED_SHARE
            self._feed(moves(self.watchdog_s * _STALL_SHARE))
        if self._address is not None and now >= self._status_at:
            self._status_at = now + STATUS_EVERY_S
            if (text := status()[:_STATUS_MAX]) != self._status:
                self._status = text
                self._tell(STATUS=text.replace("\n", " "))

    def _feed(self, moves: bool) -> None:
        if moves:
            self._tell(WATCHDOG="1")
        elif not self._starving:
            logs.get().critical("watchdog_not_fed")
        self._starving = not moves

    def _tell(self, **fields: str) -> None:
        if self._address is None:
            return
        text = "".join(f"{name}={value}\n" for name, value in fields.items())
        # A manager that does not listen must not hold up the daemon, nor end it.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as mouth:
            mouth.setblocking(False)
            mouth.sendto(text.encode(), self._address)


def _address(path: str) -> str | None:
    """Names that begin with @ are in the abstract namespace; what is no socket's address is nobody's."""
    if path.startswith("@"):
        return "\0" + path[1:]
    return path if path.startswith("/") else None


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        seconds = int(environment["WATCHDOG_USEC"]) / 1e6
    except (KeyError, ValueError):
        return None
    return seconds if seconds > 0 else None
