"""Small files on their way: many to a buffer, and each batch for the price of one."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from ingestd.ports import PendingFile, PortError, SmallObject, StoreConflict
from ingestd.transfer.buffers import Buffer
from ingestd.transfer.outbound import Outbound
from ingestd.transfer.recorder import StoredNow
from ingestd.transfer.stopping import persistently

FILES_MAX = 256
"""Files in one batch."""


@dataclass(frozen=True, slots=True)
class PackedFile:
    """A small file that was read and accepted; its content lies in the pack's buffer."""

    file_no: int
    body: SmallObject
    tried_before: bool
    """Whether it may have been stored before this pass, by this load."""

    @property
    def attempt(self) -> tuple[int, bytes, bytes]:
        return self.file_no, self.body.sha256, self.body.key

    def as_stored(self, *, existed: bool) -> StoredNow:
        found = existed and not self.tried_before
        return StoredNow(*self.attempt, len(self.body.body), found)


class Pack:
    """Gathers small files in one buffer and sends them as a batch when it is full."""

    def __init__(self, out: Outbound) -> None:
        self._out = out
        self._buffer: Buffer | None = None
        self._used = 0
        self._files: list[PackedFile] = []

    def room(self, size_bytes: int) -> memoryview:
        """Memory for a file of this size, which is at most a buffer. Sends what is in its way."""
        if self._buffer is not None and (
            self._used + size_bytes > len(self._buffer.view) or len(self._files) >= FILES_MAX
        ):
            self.flush()
        if self._buffer is None:
            self._buffer = self._out.acquire()
        return self._buffer.view[self._used : self._used + size_bytes]

    def add(self, file: PendingFile, key: bytes, view: memoryview, sha256: bytes) -> None:
        """Take in a file that was read into the memory that `room` gave."""
        tried_before = file.left_sha256 == sha256
        self._files.append(PackedFile(file.file_no, SmallObject(key, view, sha256), tried_before))
        self._used += len(view)

    def flush(self) -> None:
        """Send what was gathered, and hold no buffer."""
        buffer, files = self._buffer, self._files
        self._buffer, self._files, self._used = None, [], 0
        if buffer is None:
            return
        if files:
            self._out.send(lambda: self._put(files, buffer), lambda: self._out.pool.release(buffer))
        else:
            self._out.pool.release(buffer)

    def close(self) -> None:
        """Drop what was gathered."""
        self._files = []
        self.flush()

    # -- the senders' side ------------------------------------------------------------------------

    def _put(self, files: Sequence[PackedFile], buffer: Buffer) -> None:
        out = self._out
        out.sending.check()
        out.manifest.record_attempt([file.attempt for file in files])
        try:
            stored = self._put_all(files)
        except StoreConflict as conflict:
            stored = self._put_one_by_one(files, conflict.placed)
            out.stop(conflict)
        out.recorder.stored(stored, lambda _: self._settle(buffer))

    def _put_all(self, files: Sequence[PackedFile], ours: Collection[bytes] = ()) -> list[StoredNow]:
        """The files, all in the store; what is there under the keys in `ours` came from here."""
        out, mine = self._out, set(ours)
        left = {file.body.key: file.body for file in files}
        found = set[bytes]()

        def put() -> None:
            try:
                existed = out.store.put_batch(list(left.values()), out.pace)
            except PortError as error:
                # What it placed is done; of the rest, what the next try finds there may be from this one.
                found.update(error.existed - mine)
                mine.update(error.placed)
                for key in error.placed | error.existed:
                    left.pop(key, None)
                if isinstance(error, StoreConflict):
                    error.placed = frozenset(mine)
                else:
                    mine.update(left)
                raise
            found.update(key for key in existed if key not in mine)

        persistently(out.sending, put)
        return [file.as_stored(existed=file.body.key in found) for file in files]

    def _put_one_by_one(self, files: Sequence[PackedFile], ours: Collection[bytes]) -> list[StoredNow]:
        """Those files of a batch that do get their keys."""
        kept = []
        for file in files:
            with contextlib.suppress(StoreConflict):
                kept += self._put_all([file], ours)
        return kept

    def _settle(self, buffer: Buffer) -> None:
        self._out.pool.release(buffer)
        self._out.arrived()
