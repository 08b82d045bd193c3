"""The second, independent look at files that were at fault."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

from ingestd.core.digests import SHA256
from ingestd.core.found import FaultKind, FileFault, Ledger
from ingestd.ports import CancelToken, Manifest, OpenDrive, PendingFile, ReadInto
from ingestd.transfer.damage import BLOCK_BYTES
from ingestd.transfer.hashes import hash_by
from ingestd.transfer.session import HEAD_BYTES, LookHead
from ingestd.transfer.source import Care, OpenFile, Source
from ingestd.transfer.tally import AtFault


def recheck(
    faults: Sequence[FileFault],
    drive: OpenDrive,
    manifest: Manifest,
    cancel: CancelToken,
    *,
    look_head: LookHead,
    care: Care,
    read: ReadInto,
) -> tuple[Ledger, tuple[FileFault, ...]]:
    """The ledger, and the faults that a second look bears out, past the caches.

    The other files are pending again: also one that shows a different fault now, since no two looks
    agree about it. Raises DriveGoneError, and bears nothing out, when the drive was pulled meanwhile.
    """
    drive.drop_caches()
    look = _SecondLook(Source(drive, cancel, care, read), manifest, look_head)
    try:
        looked = [(first, look.at(first)) for first in faults]
        look.require_drive()
    finally:
        look.source.close()
    cancel.check()
    manifest.record_pending([first.file_no for first, second in looked if second is None])
    return manifest.ledger(), tuple(second for _, second in looked if second is not None)


class _SecondLook:
    def __init__(self, source: Source, manifest: Manifest, look_head: LookHead) -> None:
        self.source = source
        self._manifest = manifest
        self._look_head = look_head
        self._block = memoryview(bytearray(BLOCK_BYTES))
        self._last: tuple[PendingFile, float] | None = None
        """The file at fault that was looked at last, and when that was."""

    def at(self, first: FileFault) -> FileFault | None:
        """The fault, when it is there again."""
        file = self._manifest.file(first.file_no)
        again = self._again(first, file)
        if again is not None:
            self._last = file, time.monotonic()
        return again

    def require_drive(self) -> None:
        """Raise DriveGoneError unless the drive is there still, some time after the last fault.

        A drive that was pulled shows every fault again at once, and is seen to be gone only later.
        """
        if self._last is not None:
            self.source.require_drive(*self._last)

    def _again(self, first: FileFault, file: PendingFile) -> FileFault | None:
        try:
            with self.source.open(file) as opened:
                opened.forget()
                return self._look(first, opened)
        except AtFault as again:
            same = again.fault.kind is first.kind
            return replace(first, found=again.fault.found or first.found) if same else None

    def _look(self, first: FileFault, opened: OpenFile) -> FileFault | None:
        match first.kind:
            case FaultKind.UNREADABLE:
                return None if opened.readable(first.ranges) else first
            case FaultKind.CHECKSUM_MISMATCH:
                return self._compared(first, opened)
            case FaultKind.NOT_ENCRYPTED:
                return self._seen(first, opened)
            case FaultKind.CHANGED_WHILE_READ | FaultKind.NOT_SUPPORTED:
                self._digest(opened, SHA256)
                opened.check_unchanged()
                return None

    def _compared(self, first: FileFault, opened: OpenFile) -> FileFault | None:
        """Only the same wrong content bears the fault out: two readings that differ tell of the reading."""
        return first if self._digest(opened, first.algorithm or SHA256) == first.found else None

    def _seen(self, first: FileFault, opened: OpenFile) -> FileFault | None:
        head = self._block[: min(HEAD_BYTES, opened.file.size_bytes)]
        opened.read_into(head, 0)
        kind = self._look_head(bytes(head))
        return replace(first, found=kind) if kind else None

    def _digest(self, opened: OpenFile, algorithm: str) -> str:
        digest, size_bytes = hash_by(algorithm), opened.file.size_bytes
        for at in range(0, size_bytes, len(self._block)):
            for block in opened.blocks(self._block[: min(len(self._block), size_bytes - at)], at):
                digest.update(block)
        return digest.hexdigest()
