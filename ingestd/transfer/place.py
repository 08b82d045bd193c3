"""What one pass is promised while it lasts: buffers, a sender, a share of the uplink."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from ingestd.ports import ResourcesExhausted
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.governor import Governor
from ingestd.transfer.senders import SenderPool


class Place:
    """Held from the beginning of a pass to its end.

    A pass that was cancelled while its reader hangs in the kernel gives its place up without it, so
    that a dying drive does not take anything away from the other loads.
    """

    def __init__(
        self,
        flow: str,
        *,
        pool: BufferPool,
        buffers: int,
        senders: SenderPool,
        width: Callable[[], int],
        portion: Callable[[], float],
        governor: Governor,
        load_id: str,
        weight: int,
    ) -> None:
        """Raises ResourcesExhausted when there are more loads than the station was set up for."""
        self._lock = threading.Lock()
        self._flow = flow
        self._pool = pool
        with contextlib.ExitStack() as stack:
            try:
                stack.enter_context(pool.registered(flow, buffers, portion))
                stack.enter_context(senders.registered(flow, width))
            except ValueError as error:
                raise ResourcesExhausted(str(error)) from error
            stack.enter_context(governor.registered(load_id, weight))
            self._held = stack.pop_all()

    def give_up(self) -> None:
        """Hand everything back; what the flow still has of buffers is replaced. Safe to call again."""
        with self._lock:
            held, self._held = self._held, contextlib.ExitStack()
        held.close()
        self._pool.write_off(self._flow)
