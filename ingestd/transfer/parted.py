"""One large file on its way: part by part, from several senders, again after a crash."""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from ingestd.ports import (
    Cancelled,
    PartRecord,
    PendingFile,
    StoreBusy,
    StoreConflict,
    StoreDigest,
    StoreUnreachable,
    Upload,
)
from ingestd.transfer.buffers import Buffer
from ingestd.transfer.evidence import is_stored, remove_left
from ingestd.transfer.feed import FeedBroken, PartFeed
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
        self._streams = 0
        self._lost: list[tuple[Cut, PartFeed]] = []
        self._sha256: bytes | None = None
        self._given_up = False
        self._differs = False

    # -- the reader's side ------------------------------------------------------------------------

    def may_have(self, cut: Cut) -> bool:
        """Whether the store may hold this part already, so that it is to be read before it is sent."""
        if self._has_key:
            return True
        held = self._upload is not None and self._upload.may_hold(cut.number, cut.length)
        return not self._differs and (cut.number in self._known or held)

    def wants(self, cut: Cut, prefix_sha256: bytes, md5: bytes) -> bool:
        """Whether this part is to be sent; not when the store holds it, as its prefix or MD5 bears out.

        From the first byte on that differs from what was read before, all prefixes differ, and so
        everything is sent again that the store does not vouch for.
        """
        if self._has_key or self._known.get(cut.number) == prefix_sha256:
            return False
        if self._upload is not None and self._upload.holds(cut.number, cut.length, md5):
            size_bytes = 0 if cut.number in self._known else cut.length
            self._found(ArrivedNow(PartRecord(self._file.file_no, cut.number, prefix_sha256), size_bytes))
            return False
        self._differs |= cut.number in self._known
        return True

    def _found(self, part: ArrivedNow) -> None:
        """The store has a part that the journal did not know of."""
        with self._changed:
            self._under_way += 1
        self._out.traffic.enter()
        self._out.recorder.part(part, lambda recorded: self._stream_settled(recorded=recorded))

    def send(self, cut: Cut, prefix_sha256: bytes, buffer: Buffer) -> None:
        """Send a part from this buffer, which is released once the part is recorded."""
        size_bytes = 0 if cut.number in self._known else cut.length
        part = ArrivedNow(PartRecord(self._file.file_no, cut.number, prefix_sha256), size_bytes)
        with self._changed:
            self._under_way += 1
        self._out.send(lambda: self._put(cut, part, buffer), lambda: self._part_over(buffer, False))

    def stream(self, cut: Cut, before: hashlib._Hash, *, awaited: bool) -> PartFeed:
        """Begin to send a part that is yet to be read, buffer by buffer. One that is lost on its way is
        told of by `lost`, or where it is `awaited` by the feed."""
        feed = PartFeed(self._out.pool, before)
        with self._changed:
            self._under_way += 1
            self._streams += 1
        self._out.send(lambda: self._put_stream(cut, feed, awaited=awaited), lambda: self._dropped(feed))
        return feed

    def lost(self, *, settled: bool) -> Sequence[tuple[Cut, PartFeed]]:
        """Parts that have to be read and sent again; `settled`: once no stream is under way."""
        with self._changed:
            while settled and self._streams:
                self._changed.wait(LOOK_S)
                self._out.reading.check()
                self._out.reading.beat()
            lost, self._lost = self._lost, []
        return lost

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

    def _put_stream(self, cut: Cut, feed: PartFeed, *, awaited: bool) -> None:
        out, size_bytes = self._out, 0 if cut.number in self._known else cut.length
        out.sending.check()
        try:
            upload, block_bytes = self._begun(), out.pool.piece_bytes
            # An error would keep the generator alive, and with it a buffer that the reader may wait for.
            with contextlib.closing(feed.blocks(out.sending)) as blocks:
                upload.stream_part(cut.number, cut.offset, cut.length, block_bytes, blocks, out.pace)
        except (StoreUnreachable, StoreBusy, StoreDigest, FeedBroken) as error:
            feed.end(error)
            self._stream_over(None if awaited or isinstance(error, FeedBroken) else (cut, feed))
            self._stream_settled(recorded=True)
            return
        part = ArrivedNow(PartRecord(self._file.file_no, cut.number, feed.prefix()), size_bytes)
        feed.end()
        self._stream_over(None)
        out.recorder.part(part, lambda recorded: self._stream_settled(recorded=recorded))

    def _stream_over(self, lost: tuple[Cut, PartFeed] | None) -> None:
        with self._changed:
            self._streams -= 1
            if lost is not None:
                self._lost.append(lost)
            self._changed.notify_all()

    def _stream_settled(self, *, recorded: bool) -> None:
        self._over(recorded)
        self._out.arrived()

    def _dropped(self, feed: PartFeed) -> None:
        """The pass has to end, and this part was not sent."""
        feed.end(Cancelled())
        self._stream_over(None)
        self._over(False)

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
        self._over(recorded)

    def _over(self, recorded: bool) -> None:
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
        try:
            return persistently(out.sending, upload.complete, file.size_bytes, sha256).existed
        except StoreDigest:
            self._begin_anew(upload, sha256)
            raise

    def _begin_anew(self, upload: Upload, sha256: bytes) -> None:
        """Forget an upload whose parts do not become the file, or its next pass would trust them again."""
        out, file = self._out, self._file
        persistently(out.sending, upload.abort)
        out.manifest.record_pending([file.file_no])
        # An earlier try may have put the file under its key, and it is this load's to take back.
        out.manifest.record_attempt([(file.file_no, sha256, self._key)])
        out.tally.begun_anew(file.file_no)

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
        return _from_the_store(out, file, key)
    known = out.manifest.parts(file.file_no)
    out.tally.resumed(file.file_no, _arrived_bytes(file.size_bytes, file.part_bytes, known))
    if file.part_bytes <= out.pool.size_bytes or file.part_bytes == _part_bytes(out, file):
        upload = out.ask(out.store.resume, key, file.size_bytes, file.upload_token)
        if upload is not None:
            return PartedFile(out, file, key, part_bytes=file.part_bytes, upload=upload, known=known)
    return _anew(out, file, key, file.upload_token)


def _part_bytes(out: Outbound, file: PendingFile) -> int:
    return out.store.part_bytes(file.size_bytes, out.pool.size_bytes)


def _from_the_store(out: Outbound, file: PendingFile, key: bytes) -> PartedFile:
    """A file of which the journal knows nothing: another station may have stored it, or a part of it."""
    part_bytes = _part_bytes(out, file)
    found = out.ask(out.store.stat, key)
    # What this load may have left there itself is looked into when the file is complete.
    if file.left_sha256 is None and found is not None and found.size_bytes == file.size_bytes:
        return PartedFile(out, file, key, part_bytes=part_bytes, has_key=True)
    upload = out.ask(out.store.adopt, key, file.size_bytes, part_bytes)
    if upload is not None:
        out.manifest.record_upload(file.file_no, upload.token, part_bytes)
        out.tally.resumed(file.file_no, 0)
    return PartedFile(out, file, key, part_bytes=part_bytes, upload=upload)


def _arrived_bytes(size_bytes: int, part_bytes: int, known: Mapping[int, bytes]) -> int:
    last = -(-size_bytes // part_bytes)
    return len(known) * part_bytes - (last * part_bytes - size_bytes if last in known else 0)


def _anew(out: Outbound, file: PendingFile, key: bytes, token: str) -> PartedFile:
    """After an upload that is gone: completed just before a crash, or lost."""
    found = out.ask(out.store.stat, key)
    if found is not None and found.size_bytes == file.size_bytes:
        return PartedFile(out, file, key, part_bytes=_part_bytes(out, file), has_key=True)
    out.clear(file)
    out.ask(out.store.abandon, token)
    # What is known of the parts of the old upload must never be taken for parts of the new one.
    out.manifest.record_pending([file.file_no])
    out.tally.begun_anew(file.file_no)
    nothing_left = replace(file, left_sha256=None, left_key=None)
    return PartedFile(out, nothing_left, key, part_bytes=_part_bytes(out, file))
