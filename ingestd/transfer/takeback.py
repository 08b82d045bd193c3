"""Takes back what a load has put into its store, and nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from ingestd.core.layout import key_of, path_below_prefix
from ingestd.core.messages import TakeBack
from ingestd.ports import CancelToken, Manifest, PendingFile, Store, StoredFile, StoreRefused
from ingestd.transfer.evidence import left_by_us
from ingestd.transfer.records import Records
from ingestd.transfer.senders import SenderPool, spread
from ingestd.transfer.stopping import persistently

ROWS = 512
_CHUNK = 8

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Layout:
    """What comes before a file's path in its key."""

    front: bytes
    several_volumes: bool

    def key(self, file: PendingFile) -> bytes:
        volume = file.volume.encode() + b"/" if self.several_volumes else b""
        return self.front + volume + file.path


@dataclass(frozen=True, slots=True)
class _Object:
    key: bytes
    size_bytes: int


class TakingBack:
    """One take-back. Made for a single `run`; one that was interrupted is begun again from the start."""

    def __init__(
        self, command: TakeBack, store: Store, manifest: Manifest, senders: SenderPool, cancel: CancelToken
    ) -> None:
        self._command = command
        self._store = store
        self._manifest = manifest
        self._senders = senders
        self._cancel = cancel
        self._lock = threading.Lock()
        self._files = 0
        self._size_bytes = 0

    def run(self, records: Records) -> tuple[int, int]:
        """How many objects are gone, and their bytes. All rows are pending afterwards.

        What had its key when the process died, but was not recorded, goes too. Raises Cancelled,
        JournalError, and PortError, of which StoreRefused means that the store keeps an object.
        """
        records.remove()
        self._remove_unrecorded()
        self._end_uploads()
        for rows in self._stored():
            self._remove_all([_Object(row.key, row.size_bytes) for row in rows])
            self._manifest.record_pending([row.file_no for row in rows])
        return self._files, self._size_bytes

    def _stored(self) -> Iterator[Sequence[StoredFile]]:
        after = -1
        while rows := self._manifest.stored(after, ROWS):
            yield rows
            after = rows[-1].file_no

    # -- what was on its way ----------------------------------------------------------------------

    def _remove_unrecorded(self) -> None:
        """Objects that arrived without a record of it, because the process died or was stopped."""
        layout, attempted = self._layout(), self._manifest.attempted()
        for rows in self._unrecorded(attempted):

            def look(some: Sequence[PendingFile]) -> None:
                for file in some:
                    self._cancel.check()
                    self._remove_if_ours(file, layout.key(file))

            self._spread(rows, look)

    def _unrecorded(self, attempted: int) -> Iterator[Sequence[PendingFile]]:
        """Pending files that may have an object: those begun as uploads, and those up to the mark."""
        yield [self._manifest.file(file_no) for file_no, _ in self._manifest.uploads()]
        after = -1
        while rows := self._manifest.pending(after, ROWS):
            yield [row for row in rows if row.upload_token is None and row.file_no <= attempted]
            after = rows[-1].file_no
            if after > attempted:
                return

    def _remove_if_ours(self, file: PendingFile, key: bytes) -> None:
        ours = persistently(self._cancel, left_by_us, self._store, self._manifest, file, key, self._cancel)
        if ours:
            self._remove(_Object(key, file.size_bytes))

    def _end_uploads(self) -> None:
        uploads = self._manifest.uploads()
        for _, token in uploads:
            self._cancel.check()
            persistently(self._cancel, self._store.abandon, token)
            self._cancel.beat()
        if uploads:
            self._manifest.record_pending([file_no for file_no, _ in uploads])

    def _layout(self) -> _Layout:
        """As any stored file bears out; before there is one, as the command says."""
        for row in self._manifest.stored(-1, 1):
            front, volume = row.key.removesuffix(row.path), row.volume.encode() + b"/"
            several = front.endswith(b"/" + volume)
            return _Layout(front.removesuffix(volume) if several else front, several)
        command = self._command
        below = path_below_prefix(command.folder, "", b"", several_volumes=False)
        front = key_of(command.destination, below).rstrip(b"/") + b"/"
        return _Layout(front, command.several_volumes)

    # -- removing ---------------------------------------------------------------------------------

    def _remove_all(self, objects: Sequence[_Object]) -> None:
        def remove(some: Sequence[_Object]) -> None:
            for each in some:
                self._cancel.check()
                self._remove(each)

        self._spread(objects, remove)

    def _remove(self, object_: _Object) -> None:
        """Remove one object, and see that it is gone."""
        persistently(self._cancel, self._store.remove, object_.key)
        if persistently(self._cancel, self._store.stat, object_.key) is not None:
            raise StoreRefused(
                f"{self._store.name}: an object is still there after it was removed; "
                "see whether the store keeps versions or protects objects from removal"
            )
        with self._lock:
            self._files += 1
            self._size_bytes += object_.size_bytes
        self._cancel.beat()

    def _spread(self, rows: Sequence[T], act: Callable[[Sequence[T]], None]) -> None:
        chunks = [rows[at : at + _CHUNK] for at in range(0, len(rows), _CHUNK)]
        spread(self._senders, self._command.load_id, [partial(act, some) for some in chunks])
