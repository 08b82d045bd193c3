"""The memory that all loads share: a fixed number of buffers, some of them promised to each load."""

from __future__ import annotations

import contextlib
import mmap
import threading
from collections import Counter
from collections.abc import Callable, Iterator

from ingestd.ports import CancelToken

Portion = Callable[[], float]
"""How much of all that is under way just now is a flow's own, from 0 to 1."""

_IN_USE = 2
"""What every flow can make use of: one buffer to read into while another one is sent."""
_CANCEL_LOOK_S = 0.1
"""How often one that waits looks whether it has been cancelled."""
_PIECE_BYTES = 1 << 20


class Buffer:
    """One buffer, lent to one flow until it is released. `view` covers all of it, page-aligned."""

    __slots__ = ("flow", "pieces", "view")

    def __init__(self, flow: str, view: memoryview) -> None:
        self.flow: str | None = flow
        """None once it was written off."""
        self.view = view
        self.pieces = 0
        """How many pieces of it are lent."""


class Piece:
    """A part of a buffer, lent by itself until it is released."""

    __slots__ = ("buffer", "view")

    def __init__(self, buffer: Buffer, view: memoryview) -> None:
        self.buffer = buffer
        self.view = view


class BufferPool:
    """`count` buffers of `size_bytes` each: never more memory than that, and less until it is needed.

    Every registered flow can always have the number it was promised, whatever the others do: a flow
    whose store hangs holds up only itself. What nobody was promised goes to whoever asks first, but in an
    order: an even share of all buffers comes before anything beyond it, and what lies beyond is for flows
    that move as much. Else one that is slow to give buffers back would soon have them all.
    """

    def __init__(self, count: int, size_bytes: int) -> None:
        if count < 1 or size_bytes < 1:
            raise ValueError(f"{count} buffers of {size_bytes} bytes: there has to be at least one byte")
        self.count = count
        self.size_bytes = size_bytes
        self._spare: list[memoryview] = []
        self._held: dict[str, set[Buffer]] = {}
        self._loose: dict[str, list[Piece]] = {}
        """Pieces that are not lent, of buffers that each flow has because it has other pieces of them."""
        self._promised: dict[str, int] = {}
        self._portions: dict[str, Portion] = {}
        self._waiting = Counter[str]()
        self._changed = threading.Condition()

    def register(self, flow: str, minimum: int, portion: Portion | None = None) -> None:
        """Promise a flow so many buffers. `portion` is asked anew each time; without one, the flow may
        have as many as there are.

        Raises ValueError when that is more than there are.
        """
        with self._changed:
            others = sum(promised for each, promised in self._promised.items() if each != flow)
            if others + minimum > self.count:
                raise ValueError(
                    f"{others} of {self.count} buffers are promised already, and {flow} wants {minimum}: "
                    "configure more buffers or fewer loads at a time"
                )
            self._promised[flow] = minimum
            if portion is not None:
                self._portions[flow] = portion

    def unregister(self, flow: str) -> None:
        """Take the promise back; what the flow still holds it may keep until it releases it."""
        with self._changed:
            self._promised.pop(flow, None)
            self._portions.pop(flow, None)
            self._changed.notify_all()

    @contextlib.contextmanager
    def registered(self, flow: str, minimum: int, portion: Portion | None = None) -> Iterator[None]:
        self.register(flow, minimum, portion)
        try:
            yield
        finally:
            self.unregister(flow)

    def acquire(self, flow: str, cancel: CancelToken) -> Buffer:
        """A buffer of one's own, as soon as there is one. Raises Cancelled."""
        with self._changed:
            if not self._may_have(flow):
                self._wait_for_one(flow, cancel)
            return self._lend(flow)

    def _lend(self, flow: str) -> Buffer:
        buffer = Buffer(flow, self._spare.pop() if self._spare else self._new_view())
        self._held.setdefault(flow, set()).add(buffer)
        return buffer

    def _wait_for_one(self, flow: str, cancel: CancelToken, *, or_piece: bool = False) -> None:
        self._waiting[flow] += 1
        try:
            while not self._may_have(flow) and not (or_piece and self._loose.get(flow)):
                cancel.check()
                # Waiting for memory is not being stuck.
                cancel.beat()
                self._changed.wait(_CANCEL_LOOK_S)
        finally:
            self._waiting[flow] -= 1
            self._waiting += Counter()  # without those of which none waits any more

    def release(self, buffer: Buffer) -> None:
        """Give a buffer back, once. Nobody may look at its view from then on."""
        with self._changed:
            if buffer.flow is not None:
                self._held[buffer.flow].remove(buffer)
                self._spare.append(buffer.view)
                buffer.view = memoryview(b"")
                self._tidy(buffer.flow)

    def write_off(self, flow: str) -> None:
        """Do without the buffers that a flow has: others are made in their place when they are needed.

        They are the flow's own from then on, and gone when it releases them.
        """
        with self._changed:
            self._loose.pop(flow, None)
            for buffer in self._held.pop(flow, ()):
                buffer.flow = None
            self._changed.notify_all()

    def _tidy(self, flow: str) -> None:
        if not self._held[flow]:
            del self._held[flow]
            self._loose.pop(flow, None)
        self._changed.notify_all()

    def _may_have(self, flow: str) -> bool:
        if self._beyond_its_share(flow):
            return False
        free = self.count - sum(map(len, self._held.values()))
        owed_to_others = sum(
            max(0, promised - len(self._held.get(each, ())))
            for each, promised in self._promised.items()
            if each != flow
        )
        return free > owed_to_others

    def _beyond_its_share(self, flow: str) -> bool:
        """Whether one more is for others: those who wait with less than an even share, or move more."""
        even, held = self.count // max(1, len(self._promised)), len(self._held.get(flow, ()))
        if len(self._promised) < 2 or held < max(even, self._promised.get(flow, 0)):
            return False
        if any(len(self._held.get(each, ())) < even for each in self._waiting if each != flow):
            return True
        portion = self._portions.get(flow)
        return portion is not None and held >= _IN_USE + int(self.count * portion())

    def _new_view(self) -> memoryview:
        return memoryview(mmap.mmap(-1, self.size_bytes))

    # -- piece by piece ---------------------------------------------------------------------------

    @property
    def piece_bytes(self) -> int:
        """A MiB where buffers can be cut so, else a whole buffer."""
        return self.size_bytes if self.size_bytes % _PIECE_BYTES else _PIECE_BYTES

    def acquire_piece(self, flow: str, cancel: CancelToken) -> Piece:
        """A piece of a buffer of one's own, as soon as there is one. Raises Cancelled.

        What is used up a little at a time, and slowly, is better held in pieces: most of a buffer that is
        being sent has been sent already. A flow that has a piece of a buffer has all of it, and is the
        only one to get the others.
        """
        with self._changed:
            while not self._loose.get(flow):
                if not self._may_have(flow):
                    self._wait_for_one(flow, cancel, or_piece=True)
                    continue
                buffer = self._lend(flow)
                step = self.piece_bytes
                cuts = range(self.size_bytes - step, -1, -step)
                self._loose[flow] = [Piece(buffer, buffer.view[at : at + step]) for at in cuts]
            piece = self._loose[flow].pop()
            piece.buffer.pieces += 1
            return piece

    def release_piece(self, piece: Piece) -> None:
        """Give a piece back, once. Nobody may look at its view from then on."""
        with self._changed:
            buffer = piece.buffer
            buffer.pieces -= 1
            if buffer.flow is None:
                return
            loose = self._loose.setdefault(buffer.flow, [])
            if buffer.pieces:
                loose.append(Piece(buffer, piece.view))
                self._changed.notify_all()
            else:
                self._loose[buffer.flow] = [each for each in loose if each.buffer is not buffer]
                self.release(buffer)

    @property
    def held(self) -> dict[str, int]:
        """How many buffers each flow has now."""
        with self._changed:
            return {flow: len(buffers) for flow, buffers in self._held.items()}

    @property
    def free(self) -> int:
        with self._changed:
            return self.count - sum(map(len, self._held.values()))
