"""Takes back what a load has put into its store, and nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import TypeVar

import structlog

from ingestd.core.messages import TakeBack
from ingestd.ports import CancelToken, LeftFile, Manifest, Store, StoredFile, StoreRefused
from ingestd.transfer.evidence import remove_left
from ingestd.transfer.records import Records
from ingestd.transfer.senders import SenderPool, spread
from ingestd.transfer.stopping import persistently

ROWS = 512
_CHUNK = 8

T = TypeVar("T")
R = TypeVar("R", LeftFile, StoredFile)


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
        self._not_ours = 0
        self._size_bytes = 0

    def run(self, records: Records) -> tuple[int, int]:
        """How many objects are gone, and their bytes. All rows are pending afterwards.

        What had its key when the process died, but was not recorded, goes too; what was there before
        the load came stays, and so does what has another content than this load was storing; of what is
        recorded as stored, size and the store's own digest tell. Raises Cancelled, JournalError, and
        PortError, of which StoreRefused means that the store keeps an object.
        """
        self._check()
        records.remove()
        begun = self._end_uploads()
        self._remove_left()
        self._manifest.record_pending(begun)
        self._remove_stored()
        if self._not_ours:
            structlog.get_logger("ingestd.transfer").info(
                "objects_left_alone", load=self._command.load_id, count=self._not_ours
            )
        return self._files, self._size_bytes

    def _check(self) -> None:
        self._cancel.check()
        self._manifest.require_claim()

    def _end_uploads(self) -> Sequence[int]:
        """The numbers of the files that had one."""
        uploads = self._manifest.uploads()
        for _, token in uploads:
            self._check()
            persistently(self._cancel, self._store.abandon, token)
            self._cancel.beat()
        return [file_no for file_no, _ in uploads]

    def _remove_left(self) -> None:
        """Objects of files that are not recorded as stored: because the process died or was stopped, or
        because the file has changed since."""

        def look(some: Sequence[LeftFile]) -> None:
            for row in some:
                store, cancel = self._store, self._cancel
                size_bytes = persistently(
                    cancel, remove_left, store, row.key, row.sha256, self._check, cancel
                )
                if size_bytes >= 0:
                    self._removed(row.key, size_bytes)
                elif persistently(cancel, store.stat, row.key) is not None:
                    self._leave(1)

        for rows in _batches(self._manifest.left):
            self._spread(rows, look)
            self._manifest.forget_left([row.file_no for row in rows])

    def _remove_stored(self) -> None:
        def remove(some: Sequence[StoredFile]) -> None:
            for row in some:
                self._check()
                if persistently(self._cancel, self._is_replaced, row):
                    self._leave(1)
                    continue
                self._check()
                persistently(self._cancel, self._store.remove, row.key)
                self._removed(row.key, row.size_bytes)

        for rows in _batches(self._manifest.stored):
            ours = [row for row in rows if not row.found]
            self._leave(len(rows) - len(ours))
            self._spread(ours, remove)
            self._manifest.record_pending([row.file_no for row in rows])

    def _is_replaced(self, row: StoredFile) -> bool:
        """Whether others have put another content there since, as far as the store tells without reading."""
        found = self._store.stat(row.key)
        if found is None:
            return False
        return found.size_bytes != row.size_bytes or found.sha256 not in (None, row.sha256)

    def _leave(self, count: int) -> None:
        with self._lock:
            self._not_ours += count

    def _removed(self, key: bytes, size_bytes: int) -> None:
        """Count one object, once it is seen to be gone."""
        if persistently(self._cancel, self._store.stat, key) is not None:
            raise StoreRefused(
                f"{self._store.name}: an object is still there after it was removed; "
                "see whether the store keeps versions or protects objects from removal"
            )
        with self._lock:
            self._files += 1
            self._size_bytes += size_bytes
        self._cancel.beat()

    def _spread(self, rows: Sequence[T], act: Callable[[Sequence[T]], None]) -> None:
        chunks = [rows[at : at + _CHUNK] for at in range(0, len(rows), _CHUNK)]
        spread(self._senders, self._command.load_id, [partial(act, some) for some in chunks])


def _batches(rows_after: Callable[[int, int], Sequence[R]]) -> Iterator[Sequence[R]]:
    after = -1
    while rows := rows_after(after, ROWS):
        yield rows
        after = rows[-1].file_no
