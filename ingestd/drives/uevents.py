"""Being woken when udev tells of a block device.

What an event says is not looked at: it means that it is time for a look, and the look finds the truth.
So events that are lost cost nothing but time, at most until the next look that comes anyway.

The socket is read here and not by pyudev, whose `poll` raises for ever once the kernel has dropped events
(its issue 194). After any error there is a new socket, and a look.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable
from typing import Protocol

import pyudev
import structlog

_BURST_S = 0.05
"""Events that follow upon a look within this time are answered by one look together."""
_MESSAGES_MAX = 10_000
"""How many waiting messages are dropped at one go, so that a flood does not keep us from looking."""
_MESSAGE_BYTES = 1


class Ears(Protocol):
    """A socket that becomes readable when udev tells something."""

    def fileno(self) -> int: ...


def listen(context: pyudev.Context) -> Ears:
    """A socket for block devices' events, after udev is done with them; filtered by the kernel.

    Raises OSError.
    """
    monitor = pyudev.Monitor.from_netlink(context)
    monitor.filter_by("block")
    monitor.start()
    ears: Ears = monitor
    return ears


class Uevents:
    """What a watch waits on. `wait` belongs to one thread; `wake` may be called from any."""

    def __init__(self, open_ears: Callable[[], Ears]) -> None:
        self._open_ears = open_ears
        self._log = structlog.get_logger("ingestd.drives")
        self._bell = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._ears: Ears | None = None
        self._lock = threading.Lock()
        self._closed = False
        self._deaf = False
        self._heard_at = float("-inf")
        self.lost = 0
        """How often events were lost, or the socket broke, and there is a new one."""
        self._renew()

    def wait(self, seconds: float) -> bool:
        """Whether it is time for a look; False when nothing has happened for `seconds`."""
        self._let_burst_gather()
        if self._ears is None:
            self._bell_rings(seconds)
            self._renew()
            return True  # deaf, so that only looking helps
        if not self._rings(self._ears, seconds):
            return False
        self._drain(self._ears)
        self._heard_at = time.monotonic()
        return True

    def wake(self) -> None:
        """Make `wait` return at once, now or when it is called next."""
        with self._lock, contextlib.suppress(BlockingIOError):
            if not self._closed:
                os.eventfd_write(self._bell, 1)

    def close(self) -> None:
        with self._lock:
            if not self._closed:
                self._closed = True
                self._ears = None
                os.close(self._bell)

    def buffer_bytes(self) -> int:
        """Room for events that have yet to be read, as the kernel granted it; 0 while there is no socket."""
        if self._ears is None:
            return 0
        with socket.socket(fileno=os.dup(self._ears.fileno())) as own:
            return own.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)

    def _let_burst_gather(self) -> None:
        left = self._heard_at + _BURST_S - time.monotonic()
        if left > 0:
            self._bell_rings(left)

    def _bell_rings(self, seconds: float) -> bool:
        ready, _, _ = select.select([self._bell], [], [], seconds)
        return bool(ready)

    def _rings(self, ears: Ears, seconds: float) -> bool:
        poll = select.poll()
        poll.register(self._bell, select.POLLIN)
        poll.register(ears.fileno(), select.POLLIN)
        return bool(poll.poll(1000 * seconds))

    def _drain(self, ears: Ears) -> None:
        """Drop what waits. Any error, also that of a full buffer, leads to a new socket."""
        with contextlib.suppress(BlockingIOError):
            os.eventfd_read(self._bell)
        try:
            with socket.socket(fileno=os.dup(ears.fileno())) as own:
                for _ in range(_MESSAGES_MAX):
                    own.recv(_MESSAGE_BYTES, socket.MSG_DONTWAIT)
        except BlockingIOError:
            return
        except OSError as error:
            self.lost += 1
            self._log.warning("udev_events_lost", error=error.strerror or str(error), times=self.lost)
            self._renew()

    def _renew(self) -> None:
        self._ears = None
        try:
            self._ears = self._open_ears()
        except OSError as error:
            if not self._deaf:
                self._log.error("udev_not_heard", error=str(error))
            self._deaf = True
        else:
            self._deaf = False
