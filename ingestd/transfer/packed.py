"""Small files on their way: many to a buffer, and each batch for the price of one."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from ingestd.ports import Manifest, SmallObject, StoreConflict
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

    def as_stored(self) -> StoredNow:
        return StoredNow(self.file_no, self.body.sha256, self.body.key, len(self.body.body))


class AttemptMark:
    """How far the files have been that may be in the store as ours, recorded before they are sent."""

    def __init__(self, manifest: Manifest) -> None:
        self._manifest = manifest
        self._lock = threading.Lock()
        self._at = manifest.attempted()

    def reach(self, file_no: int) -> None:
        with self._lock:
            if file_no > self._at:
                self._manifest.record_attempt(file_no)
                self._at = file_no


class Pack:
    """Gathers small files in one buffer and sends them as a batch when it is full."""

    def __init__(self, out: Outbound) -> None:
        self._out = out
        self._mark = AttemptMark(out.manifest)
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

    def add(self, file_no: int, key: bytes, view: memoryview, sha256: bytes) -> None:
        """Take in a file that was read into the memory that `room` gave."""
        self._files.append(PackedFile(file_no, SmallObject(key, view, sha256)))
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
        self._mark.reach(files[-1].file_no)
        try:
            persistently(out.sending, out.store.put_batch, [file.body for file in files], out.pace)
        except StoreConflict as conflict:
            files = self._put_one_by_one(files)
            out.stop(conflict)
        out.recorder.stored([file.as_stored() for file in files], lambda _: self._settle(buffer))

    def _put_one_by_one(self, files: Sequence[PackedFile]) -> list[PackedFile]:
        """The files of a batch that do get their keys.

        The others are begun as uploads, which leave a trace in the manifest: what lies under their keys
        is not taken for ours when this load is taken back.
        """
        out, kept = self._out, []
        for file in files:
            try:
                persistently(out.sending, out.store.put_batch, [file.body], out.pace)
                kept.append(file)
            except StoreConflict:
                upload = out.store.begin(file.body.key, len(file.body.body))
                out.manifest.record_upload(file.file_no, upload.token, out.pool.size_bytes)
        return kept

    def _settle(self, buffer: Buffer) -> None:
        self._out.pool.release(buffer)
        self._out.arrived()
