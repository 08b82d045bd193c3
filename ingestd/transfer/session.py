"""One pass over the pending files of one load: read once, hashed once, sent from the same buffer.

The calling thread reads. Senders, shared by all loads, put to the store what was read; the pass's own
recorder commits what has arrived and then gives the buffers back. So a buffer is on loan from before
its bytes are read until the manifest says that they are stored, and what is sent twice after a crash
is at most what lay in the buffers.

A file that is at fault is recorded as failed, and the pass goes on with the next one. An error of the
drive, the store or the journal ends the pass, after what was on the way has been settled.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Union

from ingestd.core.found import FaultKind, FileFault, Ledger
from ingestd.core.layout import has_several_volumes, key_of, path_below_prefix
from ingestd.core.messages import Transfer
from ingestd.ports import CancelToken, Manifest, OpenDrive, PendingFile, ReadInto, Store
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.evidence import remove_left
from ingestd.transfer.feed import PartFeed
from ingestd.transfer.governor import Governor
from ingestd.transfer.hashes import Hashes
from ingestd.transfer.outbound import Outbound
from ingestd.transfer.packed import Pack
from ingestd.transfer.parted import Cut, PartedFile, begin_or_resume, cuts
from ingestd.transfer.place import Place
from ingestd.transfer.recorder import Recorder
from ingestd.transfer.senders import SenderPool
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.source import Care, OpenFile, Source, fault
from ingestd.transfer.stopping import LinkedToken, Traffic, persistently
from ingestd.transfer.tally import AtFault, Tally

ROWS = 512
"""Rows of the manifest in memory at a time."""
FAULTS_MAX = 1_000
FILES_AHEAD = 8
"""With so many files announced ahead, one reader of small files is as fast as eight (bench_read)."""
HEAD_BYTES = 64 << 10
"""How much of a file is shown to `look_head`."""

_READINGS = 3
"""How often a part is read again that reads otherwise than before."""

_Hash = Union["hashlib._Hash", Hashes]

LookHead = Callable[[bytes], str | None]
"""The name of the plainly unencrypted format that a file with this beginning has; else None."""
Report = Callable[[Ledger, float], None]
"""Told the ledger and the bytes per second, now and then while a pass goes on, from its own thread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What all passes of a station share."""

    settings: TransferSettings
    pool: BufferPool
    senders: SenderPool
    governor: Governor
    look_head: LookHead
    clock: Callable[[], float]
    read: ReadInto


class _ReadOtherwise(Exception):
    """A part is not what it was when it was read before."""


class Session:
    """One pass. Made for a single `run`."""

    def __init__(
        self,
        means: Means,
        command: Transfer,
        drive: OpenDrive,
        store: Store,
        manifest: Manifest,
        report: Report,
        cancel: CancelToken,
        care: Care,
    ) -> None:
        self._means = means
        self._command = command
        self._manifest = manifest
        self._cancel = cancel
        self._several = has_several_volumes(drive.facts)
        manifest.retry_failed()
        self._tally = Tally(manifest.ledger())
        self._faults: list[FileFault] = []
        self._without = frozenset(command.without)
        self._left_out: list[FileFault] = []
        self._report = report
        self._place: Place | None = None
        self._out = self._way_out(store)
        self._part_bytes = means.settings.buffer_bytes
        """Of what is being sent just now."""
        self._source = Source(drive, self._out.reading, care, means.read)
        self._pack = Pack(self._out)

    def _way_out(self, store: Store) -> Outbound:
        means, load_id = self._means, self._command.load_id
        sending = LinkedToken(self._cancel)
        recorder = Recorder(
            self._manifest,
            self._tally,
            name=load_id,
            failed=self._stop,
            tick=self._tick,
            tick_every_s=means.settings.report_every_s,
            clock=means.clock,
        )
        return Outbound(
            flow=f"{load_id}#{self._command.attempt}",
            store=store,
            manifest=self._manifest,
            pool=means.pool,
            senders=means.senders,
            recorder=recorder,
            tally=self._tally,
            traffic=Traffic(),
            sending=sending,
            reading=LinkedToken(sending, self._cancel.beat),
            pace=lambda size_bytes: means.governor.take(load_id, size_bytes, sending),
        )

    def run(self) -> tuple[Ledger, tuple[FileFault, ...]]:
        """The ledger after the pass, and the first thousand faults, behind those of files that were left out.

        Raises Cancelled, JournalError, or the PortError that ended the pass. Files past the thousandth
        fault stay pending, so that no file is failed without a fault to look into a second time.
        """
        self._place = self._take_place()
        try:
            self._run()
        finally:
            self._place.give_up()
        if self._out.traffic.error is not None:
            raise self._out.traffic.error
        self._cancel.check()
        ledger = self._manifest.ledger()
        assert ledger.balanced, "every discovered byte is stored, skipped, failed or pending"
        return ledger, (*self._left_out, *self._faults)

    def _take_place(self) -> Place:
        means, load_id = self._means, self._command.load_id
        return Place(
            self._out.flow,
            pool=means.pool,
            buffers=means.settings.buffers_min_per_load,
            senders=means.senders,
            width=lambda: means.governor.width(load_id, self._part_bytes),
            portion=lambda: means.governor.portion(load_id),
            governor=means.governor,
            load_id=load_id,
            weight=self._command.job.priority,
        )

    def _run(self) -> None:
        self._out.recorder.start()
        try:
            self._read_all()
        except BaseException as error:  # noqa: BLE001 - it is raised once all is settled
            self._out.stop(error)
        finally:
            self._pack.close()
            self._source.close()
            self._out.settle()
            self._out.recorder.close()

    # -- on the recorder's thread -----------------------------------------------------------------

    def _stop(self, error: BaseException) -> None:
        self._out.stop(error)

    def _tick(self) -> None:
        """Report; but once cancelled, see to it that nobody waits for a reader that does not come back."""
        if not self._cancel.cancelled:
            self._report(self._tally.ledger, self._means.governor.rate(self._command.load_id))
            return
        if self._place is not None and self._out.traffic.idle(0):
            self._place.give_up()

    # -- reading ----------------------------------------------------------------------------------

    def _read_all(self) -> None:
        self._clear_unwanted()
        for file in self._pending():
            self._out.reading.check()
            if self._hopeless:
                break
            key = self._key(file)
            try:
                if file.upload_token is None and file.size_bytes <= self._means.settings.whole_max_bytes:
                    self._pass_small(file, key)
                else:
                    self._pass_large(file, key)
            except AtFault as at_fault:
                self._fail(file, at_fault.fault)
        self._pack.flush()

    @property
    def _hopeless(self) -> bool:
        """Whether reading on would only add to what is known: the job fails, and the time is spent."""
        return len(self._faults) >= FAULTS_MAX and self._source.care.patience.spent

    def _clear_unwanted(self) -> None:
        """Remove what was stored of files that are not to be loaded any more."""
        out, after = self._out, -1
        while rows := self._manifest.left(after, ROWS):
            after = rows[-1].file_no
            unwanted = [row for row in rows if not row.pending]
            for row in unwanted:
                out.ask(remove_left, out.store, row.key, row.sha256, out.check, out.reading)
            if unwanted:
                self._manifest.forget_left([row.file_no for row in unwanted])

    def _pending(self) -> Iterator[PendingFile]:
        """The pending files in their order, each announced some files before its turn."""
        upcoming: deque[PendingFile] = deque()
        for file in self._rows():
            self._source.announce(file)
            upcoming.append(file)
            if len(upcoming) > FILES_AHEAD:
                yield upcoming.popleft()
        yield from upcoming

    def _rows(self) -> Iterator[PendingFile]:
        after = -1
        while rows := self._manifest.pending(after, ROWS):
            yield from rows
            after = rows[-1].file_no

    def _key(self, file: PendingFile) -> bytes:
        below = path_below_prefix(self._command.folder, file.volume, file.path, several_volumes=self._several)
        return key_of(self._command.job.destination, below)

    def _pass_small(self, file: PendingFile, key: bytes) -> None:
        self._part_bytes = self._means.settings.buffer_bytes
        view, digest = self._pack.room(file.size_bytes), Hashes(file.expected)
        with self._source.open(file) as opened:
            self._read(opened, view, 0, digest)
            opened.check_unchanged()
        compare(file, digest)
        if file.left_sha256 != digest.digest():
            self._out.clear(file)
        self._pack.add(file, key, view, digest.digest())

    def _pass_large(self, file: PendingFile, key: bytes) -> None:
        # The reader waits for buffers while it holds none, or the last one would never come free.
        self._pack.flush()
        sending = begin_or_resume(self._out, file, key)
        self._part_bytes = sending.part_bytes
        try:
            sha256 = self._send_parts(file, sending)
        except AtFault:
            # A read that hung may bring a fault to a pass whose upload is another's by now.
            self._out.check()
            sending.discard()
            raise
        sending.seal(sha256)

    def _send_parts(self, file: PendingFile, sending: PartedFile) -> bytes:
        digest, send = Hashes(file.expected), self._send_part
        if sending.part_bytes > self._out.pool.size_bytes:
            send = self._stream_part
        with self._source.open(file) as opened:
            for cut in cuts(file.size_bytes, sending.part_bytes):
                send(opened, sending, cut, digest)
                self._send_lost(opened, sending, settled=False)
            opened.check_unchanged()
            compare(file, digest)
            self._send_lost(opened, sending, settled=True)
        return digest.digest()

    def _send_part(self, opened: OpenFile, sending: PartedFile, cut: Cut, digest: Hashes) -> None:
        buffer = self._out.acquire()
        view, may_have = buffer.view[: cut.length], sending.may_have(cut)
        try:
            self._read(opened, view, cut.offset, digest)
        except BaseException:
            self._out.pool.release(buffer)
            raise
        prefix_sha256 = digest.copy().digest()
        if not may_have or sending.wants(cut, prefix_sha256, _md5(view)):
            sending.send(cut, prefix_sha256, buffer)
        else:
            self._out.pool.release(buffer)

    def _read(self, opened: OpenFile, view: memoryview, offset: int, digest: _Hash) -> None:
        for at, block in enumerate(opened.blocks(view, offset)):
            if offset == 0 and at == 0:
                self._look(opened.file, block)
            digest.update(block)

    # -- parts that are larger than a buffer ------------------------------------------------------

    def _stream_part(self, opened: OpenFile, sending: PartedFile, cut: Cut, digest: Hashes) -> None:
        before = digest.copy()
        if not sending.may_have(cut):
            self._feed(opened, sending.stream(cut, before, awaited=False), cut, digest)
            return
        md5 = hashlib.md5(usedforsecurity=False)
        for offset, view in self._views(cut):
            self._read(opened, view, offset, digest)
            md5.update(view)
        prefix_sha256 = digest.copy().digest()
        if sending.wants(cut, prefix_sha256, md5.digest()):
            self._stream_again(opened, sending, cut, before, prefix_sha256)

    def _views(self, cut: Cut) -> Iterator[tuple[int, memoryview]]:
        """What a part consists of, all in one piece of a buffer for as long as it is looked at."""
        piece = self._out.acquire_piece()
        try:
            for offset, length in self._pieces(cut):
                yield offset, piece.view[:length]
        finally:
            self._out.pool.release_piece(piece)

    def _pieces(self, cut: Cut) -> Iterator[tuple[int, int]]:
        """Offset and length of what of a part goes into one piece of a buffer."""
        end, size_bytes = cut.offset + cut.length, self._out.pool.piece_bytes
        for offset in range(cut.offset, end, size_bytes):
            yield offset, min(size_bytes, end - offset)

    def _feed(
        self,
        opened: OpenFile,
        feed: PartFeed,
        cut: Cut,
        digest: _Hash,
        prefix_sha256: bytes | None = None,
    ) -> None:
        """Read a part for a sender, who never gets the end of one that was read before, to this digest,
        and reads otherwise now: then _ReadOtherwise is raised."""
        try:
            for offset, length in self._pieces(cut):
                piece = self._out.acquire_piece()
                view, is_last = piece.view[:length], offset + length == cut.offset + cut.length
                try:
                    self._read(opened, view, offset, digest)
                    if is_last and prefix_sha256 not in (None, digest.digest()):
                        raise _ReadOtherwise
                except BaseException:
                    self._out.pool.release_piece(piece)
                    raise
                feed.put(piece, view)
        except BaseException:
            feed.break_off()
            raise
        feed.finish(digest.copy().digest())

    def _send_lost(self, opened: OpenFile, sending: PartedFile, *, settled: bool) -> None:
        """Read and send again what was lost on its way, as it was hashed the first time."""
        while lost := sending.lost(settled=settled):
            for cut, feed in lost:
                self._stream_again(opened, sending, cut, feed.before, feed.prefix())

    def _stream_again(
        self, opened: OpenFile, sending: PartedFile, cut: Cut, before: hashlib._Hash, prefix_sha256: bytes
    ) -> None:
        def attempt() -> None:
            feed = sending.stream(cut, before, awaited=True)
            self._feed(opened, feed, cut, before.copy(), prefix_sha256)
            feed.outcome(self._out.reading)

        for _ in range(_READINGS):
            with contextlib.suppress(_ReadOtherwise):
                persistently(self._out.reading, attempt)
                return
        opened.check_unchanged()
        raise fault(FaultKind.CHANGED_WHILE_READ, opened.file, found="other bytes when read again")

    def _look(self, file: PendingFile, block: memoryview) -> None:
        if self._command.sniff:
            look(file, block, self._means.look_head)

    # -- what is at fault -------------------------------------------------------------------------

    def _fail(self, file: PendingFile, found: FileFault) -> None:
        # A read that hung until this pass was given up may bring a fault that is no longer its own.
        self._out.check()
        # Nothing of a failed file stays, not even what a pass that died had stored without knowing.
        self._out.clear(file)
        self._out.check()
        if found.kind is FaultKind.NOT_SUPPORTED and found.path in self._without:
            self._manifest.record_left_out(file.file_no)
            self._tally.skipped(file.file_no, file.size_bytes)
            self._left_out.append(found)
            return
        if len(self._faults) >= FAULTS_MAX:
            self._manifest.record_pending([file.file_no])
            self._tally.begun_anew(file.file_no)
            return
        self._manifest.record_failed(file.file_no, found.kind.value)
        self._tally.failed(file.file_no, file.size_bytes)
        self._faults.append(found)


def look(file: PendingFile, beginning: memoryview, look_head: LookHead) -> None:
    """Raise AtFault for a file that plainly is not encrypted."""
    kind = look_head(bytes(beginning[:HEAD_BYTES]))
    if kind is not None:
        raise fault(FaultKind.NOT_ENCRYPTED, file, found=kind)


def _md5(view: memoryview) -> bytes:
    return hashlib.md5(view, usedforsecurity=False).digest()


def compare(file: PendingFile, digest: Hashes) -> None:
    """Raise AtFault unless the file has every checksum that somebody says it has."""
    broken = digest.broken()
    if broken is not None:
        said, found = broken
        raise fault(FaultKind.CHECKSUM_MISMATCH, file, said=said, found=found.hex())
