"""What the reader, the senders and the recorder of one pass have in common."""

from __future__ import annotations

import concurrent.futures
from collections.abc import Callable
from dataclasses import dataclass
from typing import ParamSpec, TypeVar

from ingestd.ports import (
    Cancelled,
    DriveGoneError,
    DriveUnreadable,
    Manifest,
    Pace,
    PendingFile,
    Store,
    StoreConflict,
)
from ingestd.transfer.buffers import Buffer, BufferPool, Piece
from ingestd.transfer.evidence import remove_left
from ingestd.transfer.recorder import Recorder
from ingestd.transfer.senders import SenderPool, Work
from ingestd.transfer.stopping import LinkedToken, Traffic, persistently
from ingestd.transfer.tally import Tally

LOOK_S = 0.1
"""How often the reader, while it waits for others, says that no read is stuck."""

_LET_ARRIVE = (StoreConflict, DriveGoneError, DriveUnreadable)
"""After these the line is sound: what was read already is still sent, so that all of it is settled."""

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbound:
    """The way out of one pass. `reading` is stopped by any error, `sending` by those of the line."""

    flow: str
    store: Store
    manifest: Manifest
    pool: BufferPool
    senders: SenderPool
    recorder: Recorder
    tally: Tally
    traffic: Traffic
    sending: LinkedToken
    reading: LinkedToken
    pace: Pace

    # -- for the reader ---------------------------------------------------------------------------

    def acquire(self) -> Buffer:
        """A buffer to read into. Raises Cancelled once the pass has to end."""
        self.reading.check()
        return self.pool.acquire(self.flow, self.reading)

    def acquire_piece(self) -> Piece:
        """Likewise, a piece of one."""
        self.reading.check()
        return self.pool.acquire_piece(self.flow, self.reading)

    def ask(self, call: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """What a call to the store returns, made by a sender, with short retries.

        The reader itself never waits in a store: one that hangs would look like a drive that does.
        """
        answer: concurrent.futures.Future[T] = concurrent.futures.Future()

        def tried() -> T:
            # Before every try: this may wait for its turn, or for the store, beyond the end of the pass.
            self.check()
            return call(*args, **kwargs)

        def work() -> None:
            answer.set_result(persistently(self.reading, tried))

        self.senders.submit(self.flow, work, answer.set_exception)
        while not concurrent.futures.wait([answer], LOOK_S).done:
            self.reading.beat()
            if self.reading.cancelled and self.senders.withdraw(self.flow, work):
                raise Cancelled
        return answer.result()

    def check(self) -> None:
        """Raise Cancelled once this pass has to end, or another piece of work has taken its place."""
        self.reading.check()
        self.manifest.require_claim()

    def clear(self, file: PendingFile) -> None:
        """Remove what this load has left in the store of this file, for the reader."""
        if file.left_sha256 is not None and file.left_key is not None:
            self.ask(remove_left, self.store, file.left_key, file.left_sha256, self.check, self.reading)

    def settle(self) -> None:
        """Return once nothing is on the way: all of it has arrived, or was dropped."""
        while not self.traffic.idle(LOOK_S):
            if self.sending.cancelled:
                # A pass that has lost its place meanwhile may never get a sender to drop it with.
                self.senders.drop(self.flow)
            self.reading.beat()

    # -- for everybody ----------------------------------------------------------------------------

    def send(self, work: Work, lost: Callable[[], None]) -> None:
        """Have `work` done by a sender.

        It ends by handing over to the recorder, or in `arrived`; when it raises, `lost` is called and
        the pass stops.
        """

        def failed(error: BaseException) -> None:
            self.stop(error)
            try:
                lost()
            finally:
                self.traffic.leave()

        self.traffic.enter()
        try:
            self.senders.submit(self.flow, work, failed)
        except RuntimeError as error:
            failed(error)

    def arrived(self) -> None:
        """One piece of work is over, all of it."""
        self.traffic.leave()

    def stop(self, error: BaseException) -> None:
        """End the pass for this reason, unless there is one already. Cancelled is one where nothing has
        stopped the pass: then the manifest has been claimed for other work."""
        if not (isinstance(error, Cancelled) and self.reading.cancelled):
            self.traffic.fail(error)
            self.reading.stop()
            if not isinstance(error, _LET_ARRIVE):
                self.sending.stop()
