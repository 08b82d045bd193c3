"""One large file on its way: part by part, from several senders, again after a crash."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from ingestd.ports import PartRecord, PendingFile, StoreConflict, Upload
from ingestd.transfer.buffers import Buffer
from ingestd.transfer.evidence import is_stored, remove_left
from ingestd.transfer.outbound import LOOK_S, Outbound
from ingestd.transfer.recorder import ArrivedNow, StoredNow
from ingestd.transfer.stopping import persistently


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a part lies in its file. Parts are numbered from 1."""

    number: int
    offset: int
    length: int


def cuts(size_bytes: int, part_bytes: int) -> Iterator[Cut]:
    for number, offset in enumerate(range(0, size_bytes, part_bytes), start=1):
        yield Cut(number, offset, min(part_bytes, size_bytes - offset))


class PartedFile:
    """One file from its first part to its key.

    The reader offers each part, seals the file once it has read and accepted all of it, or discards
    it. Nothing appears under the key before that, and not before every part is recorded.
    """

    def __init__(
        self,
        out: Outbound,
        file: PendingFile,
        key: bytes,
        *,
        part_bytes: int,
        upload: Upload | None = None,
        known: Mapping[int, bytes] | None = None,
        has_key: bool = False,
    ) -> None:
        """`known`: the prefix digests of parts that `upload` holds. `has_key`: something of this size
        lies under the key, and the upload that seems to have become it is gone."""
        self.part_bytes = part_bytes
        self._out = out
        self._file = file
        self._key = key
        self._upload = upload
        self._beginning = threading.Lock()
        self._known = known or {}
        self._has_key = has_key
        self._changed = threading.Condition()
        self._under_way = 0
        self._sha256: bytes | None = None
        self._given_up = False

    # -- the reader's side ------------------------------------------------------------------------

    def wants(self, cut: Cut, prefix_sha256: bytes) -> bool:
        """Whether this part is to be sent; not when the store holds it, as its prefix bears out.

        From the first byte on that differs from what was read before, all prefixes differ, and so
        everything is sent again.
        """
        return not self._has_key and self._known.get(cut.number) != prefix_sha256

    def send(self, cut: Cut, prefix_sha256: bytes, buffer: Buffer) -> None:
        """Send a part from this buffer, which is released once the part is recorded."""
        size_bytes = 0 if cut.number in self._known else cut.length
        part = ArrivedNow(PartRecord(self._file.file_no, cut.number, prefix_sha256), size_bytes)
        with self._changed:
            self._under_way += 1
        self._out.send(lambda: self._put(cut, part, buffer), lambda: self._part_over(buffer, False))

    def seal(self, sha256: bytes) -> None:
        """All of the file was read and accepted: it gets its key when the last part is recorded."""
        with self._changed:
            self._sha256 = sha256
            ready = not self._under_way and not self._given_up
        if ready:
            self._finish()

    def discard(self) -> None:
        """Forget what was sent of the file. Raises store errors."""
        out = self._out
        with self._changed:
            self._given_up = True
            while self._under_way:
                self._changed.wait(LOOK_S)
                out.reading.check()
                out.reading.beat()
        if self._upload is not None:
            out.ask(self._upload.abort)

    # -- the senders' side ------------------------------------------------------------------------

    def _put(self, cut: Cut, part: ArrivedNow, buffer: Buffer) -> None:
        out = self._out
        out.sending.check()
        if self._given_up:
            self._settle(buffer, recorded=False)
            return
        upload, body = self._begun(), buffer.view[: cut.length]
        persistently(out.sending, upload.put_part, cut.number, cut.offset, body, out.pace)
        out.recorder.part(part, lambda recorded: self._settle(buffer, recorded=recorded))

    def _begun(self) -> Upload:
        out, file = self._out, self._file
        with self._beginning:
            if self._upload is None:
                upload = persistently(out.sending, out.store.begin, self._key, file.size_bytes)
                out.manifest.record_upload(file.file_no, upload.token, self.part_bytes)
                self._upload = upload
            return self._upload

    def _settle(self, buffer: Buffer, *, recorded: bool) -> None:
        self._part_over(buffer, recorded)
        self._out.arrived()

    def _part_over(self, buffer: Buffer, recorded: bool) -> None:
        self._out.pool.release(buffer)
        with self._changed:
            self._under_way -= 1
            self._given_up |= not recorded
            ready = not self._under_way and self._sha256 is not None and not self._given_up
            self._changed.notify_all()
        if ready:
            self._finish()

    def _finish(self) -> None:
        self._out.send(self._complete, lambda: None)

    def _complete(self) -> None:
        out, file, sha256 = self._out, self._file, self._sha256
        assert sha256 is not None, "only a sealed file is completed"
        out.sending.check()
        if not self._has_key:
            existed = self._take_key(sha256)
        elif self._is_already_stored(sha256):
            existed = True
        else:
            out.arrived()
            return
        found = existed and file.left_sha256 != sha256
        stored = StoredNow(file.file_no, sha256, self._key, file.size_bytes, found)
        out.recorder.stored([stored], lambda _: out.arrived())

    def _take_key(self, sha256: bytes) -> bool:
        """Whether the same content was there already."""
        out, file, upload = self._out, self._file, self._begun()
        if file.left_sha256 != sha256:
            self._clear()
        out.manifest.record_attempt([(file.file_no, sha256, self._key)])
        return persistently(out.sending, upload.complete, file.size_bytes, sha256).existed

    def _clear(self) -> bool:
        """Remove what this load has left of the file; whether there was something."""
        out, file = self._out, self._file

        def check() -> None:
            out.sending.check()
            out.manifest.require_claim()

        if file.left_sha256 is None or file.left_key is None:
            return False
        left = (file.left_key, file.left_sha256)
        return persistently(out.sending, remove_left, out.store, *left, check, out.sending) >= 0

    def _is_already_stored(self, sha256: bytes) -> bool:
        """Whether the object under the key is this file.

        One that this load stored from another reading of the same file goes, and the file is pending.
        """
        out, file, size_bytes = self._out, self._file, self._file.size_bytes
        if persistently(out.sending, is_stored, out.store, self._key, size_bytes, sha256, out.sending):
            return True
        if not self._clear():
            raise StoreConflict(
                f"{out.store.name}: something else lies under the key of file {file.file_no}; "
                "look at what it is and move it away, or give the job another destination"
            )
        out.manifest.record_pending([file.file_no])
        out.tally.begun_anew(file.file_no)
        return False


def begin_or_resume(out: Outbound, file: PendingFile, key: bytes) -> PartedFile:
    """The file with what the store already holds of it. Nothing is begun before the first part."""
    if file.upload_token is None or not file.part_bytes:
        return PartedFile(out, file, key, part_bytes=out.pool.size_bytes)
    known = out.manifest.parts(file.file_no)
    out.tally.resumed(file.file_no, _arrived_bytes(file.size_bytes, file.part_bytes, known))
    if file.part_bytes <= out.pool.size_bytes:
        upload = out.ask(out.store.resume, key, file.size_bytes, file.upload_token)
        if upload is not None:
            return PartedFile(out, file, key, part_bytes=file.part_bytes, upload=upload, known=known)
    return _anew(out, file, key, file.upload_token)


def _arrived_bytes(size_bytes: int, part_bytes: int, known: Mapping[int, bytes]) -> int:
    last = -(-size_bytes // part_bytes)
    return len(known) * part_bytes - (last * part_bytes - size_bytes if last in known else 0)


def _anew(out: Outbound, file: PendingFile, key: bytes, token: str) -> PartedFile:
    """After an upload that is gone: completed just before a crash, or lost."""
    found = out.ask(out.store.stat, key)
    if found is not None and found.size_bytes == file.size_bytes:
        return PartedFile(out, file, key, part_bytes=out.pool.size_bytes, has_key=True)
    out.clear(file)
    out.ask(out.store.abandon, token)
    # What is known of the parts of the old upload must never be taken for parts of the new one.
    out.manifest.record_pending([file.file_no])
    out.tally.begun_anew(file.file_no)
    nothing_left = replace(file, left_sha256=None, left_key=None)
    return PartedFile(out, nothing_left, key, part_bytes=out.pool.size_bytes)
