"""Reading every file of a drive to its end without storing it: what a pass finds at fault, and no pass."""

from __future__ import annotations

import os
from collections.abc import Callable

from ingestd.core.found import FileFault
from ingestd.ports import CancelToken, Manifest, OpenDrive, PendingFile, ReadInto
from ingestd.transfer.damage import BLOCK_BYTES
from ingestd.transfer.hashes import Hashes
from ingestd.transfer.session import FAULTS_MAX, HEAD_BYTES, ROWS, LookHead, compare, look
from ingestd.transfer.source import Care, Source
from ingestd.transfer.tally import AtFault


def read_all(
    drive: OpenDrive,
    manifest: Manifest,
    cancel: CancelToken,
    *,
    look_head: LookHead | None,
    care: Care,
    read: ReadInto = os.preadv,
    told: Callable[[int], None] = lambda _: None,
) -> tuple[FileFault, ...]:
    """What is wrong with the pending files, the first thousand: unreadable, changed while they were read,
    not as a checksum says, or, with `look_head`, plainly not encrypted. These are recorded as failed.

    `told` hears of each block how many bytes it has. Raises what reading a drive raises.
    """
    reading = _Reading(Source(drive, cancel, care, read), look_head, told)
    faults: list[FileFault] = []
    after = -1
    try:
        while len(faults) < FAULTS_MAX and (rows := manifest.pending(after, ROWS)):
            after = rows[-1].file_no
            for file in rows:
                cancel.check()
                try:
                    reading.read(file)
                except AtFault as at_fault:
                    manifest.record_failed(file.file_no, at_fault.fault.kind.value)
                    faults.append(at_fault.fault)
    finally:
        reading.source.close()
    return tuple(faults[:FAULTS_MAX])


class _Reading:
    def __init__(self, source: Source, look_head: LookHead | None, told: Callable[[int], None]) -> None:
        self.source = source
        self._look_head = look_head
        self._told = told
        self._block = memoryview(bytearray(BLOCK_BYTES))

    def read(self, file: PendingFile) -> None:
        """Raises AtFault for what is wrong with the file."""
        digest = Hashes(file.expected)
        with self.source.open(file) as opened:
            for at in range(0, file.size_bytes, BLOCK_BYTES):
                for block in opened.blocks(self._block[: min(BLOCK_BYTES, file.size_bytes - at)], at):
                    if at == 0 and self._look_head is not None:
                        look(file, block[:HEAD_BYTES], self._look_head)
                    digest.update(block)
                    self._told(len(block))
            opened.check_unchanged()
        compare(file, digest)
