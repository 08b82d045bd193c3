"""What the reader, the senders and the recorder of one pass have in common."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ingestd.ports import (
    Cancelled,
    DriveGoneError,
    DriveUnreadable,
    Manifest,
    Pace,
    Store,
    StoreConflict,
)
from ingestd.transfer.buffers import Buffer, BufferPool
from ingestd.transfer.recorder import Recorder
from ingestd.transfer.senders import SenderPool, Work
from ingestd.transfer.stopping import LinkedToken, Traffic

_LET_ARRIVE = (StoreConflict, DriveGoneError, DriveUnreadable)
"""After these the line is sound: what was read already is still sent, so that all of it is settled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbound:
    """The way out of one pass. `reading` is stopped by any error, `sending` by those of the line."""

    flow: str
    store: Store
    manifest: Manifest
    pool: BufferPool
    senders: SenderPool
    recorder: Recorder
    traffic: Traffic
    sending: LinkedToken
    reading: LinkedToken
    pace: Pace

    def acquire(self) -> Buffer:
        """A buffer for the reader. Raises Cancelled once the pass has to end."""
        self.reading.check()
        return self.pool.acquire(self.flow, self.reading)

    def send(self, work: Work, lost: Callable[[], None]) -> None:
        """Have `work` done by a sender.

        It ends by handing over to the recorder, or in `arrived`; when it raises, `lost` is called and
        the pass stops.
        """
        self.traffic.enter()

        def failed(error: BaseException) -> None:
            self.stop(error)
            try:
                lost()
            finally:
                self.traffic.leave()

        try:
            self.senders.submit(self.flow, work, failed)
        except RuntimeError as error:
            failed(error)

    def arrived(self) -> None:
        """One piece of work is over, all of it."""
        self.traffic.leave()

    def stop(self, error: BaseException) -> None:
        """End the pass for this reason, unless there is one already."""
        if not isinstance(error, Cancelled):
            self.traffic.fail(error)
            self.reading.stop()
            if not isinstance(error, _LET_ARRIVE):
                self.sending.stop()
