"""The memory that all loads share: a fixed number of buffers, some of them promised to each load."""

from __future__ import annotations

import contextlib
import mmap
import threading
from collections.abc import Iterator

from ingestd.ports import CancelToken

_CANCEL_LOOK_S = 0.1
"""How often one that waits looks whether it has been cancelled."""


class Buffer:
    """One buffer, lent to one flow until it is released. `view` covers all of it, page-aligned."""

    __slots__ = ("flow", "view")

    def __init__(self, view: memoryview) -> None:
        self.view = view
        self.flow = ""


class BufferPool:
    """`count` buffers of `size_bytes` each: never more memory than that, and less until it is needed.

    Every registered flow can always have the number it was promised, whatever the others do: a flow
    whose store hangs holds up only itself. What nobody was promised goes to whoever asks first.
    """

    def __init__(self, count: int, size_bytes: int) -> None:
        if count < 1 or size_bytes < mmap.PAGESIZE or size_bytes % mmap.PAGESIZE:
            raise ValueError(f"{count} buffers of {size_bytes} bytes: use whole pages of {mmap.PAGESIZE}")
        self.count = count
        self.size_bytes = size_bytes
        self._spare: list[memoryview] = []
        self._made = 0
        self._held: dict[str, int] = {}
        self._promised: dict[str, int] = {}
        self._changed = threading.Condition()

    def register(self, flow: str, minimum: int) -> None:
        """Promise a flow so many buffers. Raises ValueError when that is more than there are."""
        with self._changed:
            others = sum(promised for each, promised in self._promised.items() if each != flow)
            if others + minimum > self.count:
                raise ValueError(
                    f"{others} of {self.count} buffers are promised already, and {flow} wants {minimum}: "
                    "configure more buffers or fewer loads at a time"
                )
            self._promised[flow] = minimum

    def unregister(self, flow: str) -> None:
        """Take the promise back; what the flow still holds it may keep until it releases it."""
        with self._changed:
            self._promised.pop(flow, None)
            self._changed.notify_all()

    @contextlib.contextmanager
    def registered(self, flow: str, minimum: int) -> Iterator[None]:
        self.register(flow, minimum)
        try:
            yield
        finally:
            self.unregister(flow)

    def acquire(self, flow: str, cancel: CancelToken) -> Buffer:
        """A buffer of one's own, as soon as there is one. Raises Cancelled."""
        with self._changed:
            while not self._may_have(flow):
                cancel.check()
                self._changed.wait(_CANCEL_LOOK_S)
            buffer = Buffer(self._take_view())
            buffer.flow = flow
            self._held[flow] = self._held.get(flow, 0) + 1
            return buffer

    def release(self, buffer: Buffer) -> None:
        """Give a buffer back, once. Nobody may look at its view from then on."""
        with self._changed:
            self._held[buffer.flow] -= 1
            if not self._held[buffer.flow]:
                del self._held[buffer.flow]
            self._spare.append(buffer.view)
            buffer.view = memoryview(b"")
            self._changed.notify_all()

    def _may_have(self, flow: str) -> bool:
        free = self.count - sum(self._held.values())
        owed_to_others = sum(
            max(0, promised - self._held.get(each, 0))
            for each, promised in self._promised.items()
            if each != flow
        )
        return free > owed_to_others

    def _take_view(self) -> memoryview:
        if self._spare:
            return self._spare.pop()
        self._made += 1
        return memoryview(mmap.mmap(-1, self.size_bytes))

    @property
    def held(self) -> dict[str, int]:
        """How many buffers each flow has now."""
        with self._changed:
            return dict(self._held)

    @property
    def free(self) -> int:
        with self._changed:
            return self.count - sum(self._held.values())
