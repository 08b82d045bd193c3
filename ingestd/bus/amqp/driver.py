"""The loop that moves pika's connections, run by the one thread that owns them, a while at a time."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable

from pika.adapters.select_connection import IOLoop

_BEAT_S = 1.0
"""The longest wait before the driver shows that it is alive."""


class _WatchedLoop(IOLoop):  # type: ignore[misc]  # pika comes without types
    """pika's own loop, which remembers the sockets it waits for.

    pika has no way to give up a connection whose other end is silent: it asks for a farewell and waits
    for it. With the socket at hand, its stream can be ended instead.
    """

    def __init__(self) -> None:
        self.descriptors: set[int] = set()
        super().__init__()

    def add_handler(self, fd: int, handler: Callable[[int, int], None], events: int) -> None:
        self.descriptors.add(fd)
        super().add_handler(fd, handler, events)

    def remove_handler(self, fd: int) -> None:
        self.descriptors.discard(fd)
        super().remove_handler(fd)


class Driver:
    """Everything that pika does happens inside `run`."""

    def __init__(self) -> None:
        self.loop = _WatchedLoop()
        self._own = frozenset(self.loop.descriptors)
        self._running = False
        self.moved_at = time.monotonic()
        """When it was last seen to move, however long it is to run."""

    def run(self, done: Callable[[], bool], within_s: float) -> bool:
        """Let the connections work until `done`, at most so many seconds; whether it is. Work that is
        due is done even if no time is given."""
        until = time.monotonic() + within_s
        self._running = True
        try:
            while not done():
                self._run_some(max(0.0, until - time.monotonic()))
                if time.monotonic() >= until:
                    break
        finally:
            self._running = False
        return done()

    def _run_some(self, within_s: float) -> None:
        timer = self.loop.call_later(min(within_s, _BEAT_S), self.loop.stop)
        try:
            self.loop.start()
        finally:
            self.loop.remove_timeout(timer)
            self.moved_at = time.monotonic()

    def wake(self) -> None:
        """Something has happened that `done` may have waited for. Called by callbacks of pika."""
        if self._running:
            self.loop.stop()

    def sockets(self) -> frozenset[int]:
        """The descriptors of the connections there are."""
        return frozenset(self.loop.descriptors) - self._own

    def hang_up(self, descriptors: frozenset[int]) -> None:
        """End the streams of these sockets at once; pika then sees that they have ended."""
        for descriptor in descriptors & self.loop.descriptors:
            with contextlib.suppress(OSError), socket.socket(fileno=os.dup(descriptor)) as alias:
                alias.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.loop.close()
