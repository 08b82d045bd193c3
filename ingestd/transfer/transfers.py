"""The byte path as the runtime calls it: transfer, look again, prove, take back."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from ingestd.core.custody import Entry
from ingestd.core.drive import Health
from ingestd.core.found import FileFault, Ledger, Receipt
from ingestd.core.messages import Prove, Recheck, TakeBack, Transfer
from ingestd.core.model import LoadId
from ingestd.ports import CancelToken, Manifest, OpenDrive, Pace, ReadInto, Store
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.damage import Patience
from ingestd.transfer.governor import Governor
from ingestd.transfer.proof import ProofMismatch, Prover
from ingestd.transfer.recheck import recheck
from ingestd.transfer.records import Records
from ingestd.transfer.senders import SenderPool
from ingestd.transfer.session import LookHead, Means, Report, Session
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.source import Care
from ingestd.transfer.takeback import TakingBack

Counted = Callable[[LoadId, ReadInto], ReadInto]
"""Makes a way of reading that counts what it reads for a load."""


def _not_counted(load_id: LoadId, read: ReadInto) -> ReadInto:
    del load_id
    return read


class Transfers:
    """Does the work of all loads of a station, each call in its caller's thread, several at a time.

    Every method raises Cancelled, JournalError or a PortError. A load has one call at a time.
    """

    def __init__(
        self,
        settings: TransferSettings,
        pool: BufferPool,
        senders: SenderPool,
        governor: Governor,
        scratch_folder: str,
        look_head: LookHead,
        clock: Callable[[], float] = time.monotonic,
        *,
        read: ReadInto = os.preadv,
        counted: Counted = _not_counted,
    ) -> None:
        """`look_head` names the plainly unencrypted format of a file that begins so, if it has one;
        `read` reads from drives as `os.preadv` does, and `counted` makes of it what reads for one load."""
        self._means = Means(
            settings=settings,
            pool=pool,
            senders=senders,
            governor=governor,
            look_head=look_head,
            clock=clock,
            read=read,
        )
        self._counted = counted
        self._scratch_folder = scratch_folder
        self._patience: dict[LoadId, Patience] = {}
        """Of the loads whose drives are being read."""

    def transfer(
        self,
        command: Transfer,
        drive: OpenDrive,
        store: Store,
        manifest: Manifest,
        report: Report,
        cancel: CancelToken,
    ) -> tuple[Ledger, tuple[FileFault, ...]]:
        """One pass over all pending files: the ledger after it, and the first thousand faults."""
        care = self._care(command.load_id, drive)
        means = replace(self._means, read=self._counted(command.load_id, self._means.read))
        return Session(means, command, drive, store, manifest, report, cancel, care).run()

    def recheck(
        self, command: Recheck, drive: OpenDrive, manifest: Manifest, cancel: CancelToken
    ) -> tuple[Ledger, tuple[FileFault, ...]]:
        """The faults that a second look past the caches bears out; the other files are pending again."""
        look_head, care = self._means.look_head, self._care(command.load_id, drive)
        read = self._counted(command.load_id, self._means.read)
        return recheck(command.faults, drive, manifest, cancel, look_head=look_head, care=care, read=read)

    def _care(self, load_id: LoadId, drive: OpenDrive) -> Care:
        """How this load's drive is treated; the time for its failures is the same in all passes."""
        settings = self._means.settings
        patience = self._patience.setdefault(load_id, Patience(settings.damage_s, self._means.clock))
        return Care(
            patience=patience,
            gentle=drive.facts.health.verdict is Health.SUSPECT,
            turns=drive.facts.rotational is not False,
            settle_s=settings.settle_s,
            past_cache=settings.past_cache,
        )

    def prove(
        self,
        command: Prove,
        station: str,
        store: Store,
        manifest: Manifest,
        cancel: CancelToken,
        now: Callable[[], float],
        custody: Sequence[Entry] = (),
    ) -> Receipt | ProofMismatch:
        """The receipt, stored beside the data together with the manifest and the record of custody; or what
        the store lacks."""
        governor, flow = self._means.governor, command.load_id
        self._patience.pop(flow, None)
        records = Records(
            flow,
            command.job.destination,
            store,
            cancel=cancel,
            pace=self._pace(flow, cancel),
            part_bytes=self._means.settings.buffer_bytes,
        )
        with governor.registered(flow, command.job.priority):
            prover = Prover(command, store, manifest, self._means.senders, cancel)
            return prover.run(records, station, self._scratch_folder, now, custody)

    def take_back(
        self, command: TakeBack, store: Store, manifest: Manifest, cancel: CancelToken
    ) -> tuple[int, int]:
        """Number and bytes of the objects that were removed: everything this load had stored."""
        self._patience.pop(command.load_id, None)
        records = Records(
            command.load_id,
            command.destination,
            store,
            cancel=cancel,
            pace=self._pace(command.load_id, cancel),
            part_bytes=self._means.settings.buffer_bytes,
        )
        return TakingBack(command, store, manifest, self._means.senders, cancel).run(records)

    def _pace(self, flow: str, cancel: CancelToken) -> Pace:
        return lambda size_bytes: self._means.governor.take(flow, size_bytes, cancel)
