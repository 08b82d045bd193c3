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
        self.wanted: dict[int, int] = {}
        """By descriptor, the events that pika wants to hear of."""
        self._paused: frozenset[int] = frozenset()
        super().__init__()

    def add_handler(self, fd: int, handler: Callable[[int, int], None], events: int) -> None:
        self.wanted[fd] = events
        super().add_handler(fd, handler, self._heard(fd))

    def update_handler(self, fd: int, events: int) -> None:
        self.wanted[fd] = events
        super().update_handler(fd, self._heard(fd))

    def remove_handler(self, fd: int) -> None:
        self.wanted.pop(fd, None)
        self._paused -= {fd}
        super().remove_handler(fd)

    def pause(self, descriptors: frozenset[int], paused: bool) -> None:
        """Read nothing from these for a while, or read from them again."""
        self._paused = self._paused | descriptors if paused else self._paused - descriptors
        for fd in descriptors & self.wanted.keys():
            super().update_handler(fd, self._heard(fd))

    def _heard(self, fd: int) -> int:
        # Without any event at all pika's poller would forget that it knows the descriptor.
        wanted = self.wanted[fd]
        return wanted & ~self.READ | self.ERROR if fd in self._paused else wanted


class Driver:
    """Everything that pika does happens inside `run`."""

    def __init__(self) -> None:
        self.loop = _WatchedLoop()
        self._own = frozenset(self.loop.wanted)
        self._running = False
        self.moved_at = time.monotonic()
        """When it was last seen to move, however long it is to run."""

    def run(self, done: Callable[[], bool], within_s: float) -> bool:
        """Let the connections work until `done`, at most so many seconds; whether it is. Work that is
        due is done even if no time is given."""
        until = time.monotonic() + within_s
        while not done():
            self._run_some(max(0.0, until - time.monotonic()))
            if time.monotonic() >= until:
                break
        return done()

    def _run_some(self, within_s: float) -> None:
        timer = self.loop.call_later(min(within_s, _BEAT_S), self.loop.stop)
        self._running = True
        try:
            self.loop.start()
        finally:
            self._running = False
            self.loop.remove_timeout(timer)
            self.moved_at = time.monotonic()

    def wake(self) -> None:
        """Something has happened that `done` may have waited for. Called by callbacks of pika."""
        if self._running:
            # Once is enough: a thousand deliveries may come in one go.
            self._running = False
            self.loop.stop()

    def sockets(self) -> frozenset[int]:
        """The descriptors of the connections there are."""
        return frozenset(self.loop.wanted) - self._own

    def pause(self, descriptors: frozenset[int], paused: bool) -> None:
        """Read nothing from these sockets for a while, so that the other end has to wait; or go on. A pause
        that lasts longer than a heartbeat costs the connection."""
        self.loop.pause(descriptors, paused)

    def hang_up(self, descriptors: frozenset[int]) -> None:
        """End the streams of these sockets at once; pika then sees that they have ended."""
        for descriptor in descriptors & self.loop.wanted.keys():
            with contextlib.suppress(OSError), socket.socket(fileno=os.dup(descriptor)) as alias:
                alias.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.loop.close()
