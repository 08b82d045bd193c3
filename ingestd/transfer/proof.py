"""Evidence that the store holds the manifest, and the receipt for it.

`listed` asks the store about every object; `sampled` also reads some of them back, `full` all.
"""

from __future__ import annotations

import hashlib
import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from ingestd.core.custody import Entry
from ingestd.core.found import Ledger, Receipt
from ingestd.core.messages import Prove
from ingestd.core.model import ProofLevel
from ingestd.core.names import printable
from ingestd.ports import CancelToken, Manifest, Store, StoredFile, StoredObject
from ingestd.transfer.evidence import read_back
from ingestd.transfer.records import ManifestFile, Records, receipt_of
from ingestd.transfer.senders import SenderPool, spread
from ingestd.transfer.stopping import persistently

ROWS = 2048
SAMPLE_FILES_MIN = 16
SAMPLE_SHARE = 100
"""One file in so many is read back."""
SAMPLE_BYTES_MAX = 1 << 30
_PATHS_MAX = 20
_LOOKS = 128
_READS = 8
"""How many objects are looked at, or read back, before a borrowed sender may go."""
_LENT_BYTES_MAX = 4 << 20
"""Larger objects are read back by the proving thread itself, so that no sender is away for long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofMismatch:
    """The store does not hold what was stored. The files concerned are pending again."""

    ledger: Ledger
    paths: tuple[str, ...]
    """The first of them in printable form, volume name first."""


class Prover:
    """One proof of one load. Made for a single `run`."""

    def __init__(
        self,
        command: Prove,
        store: Store,
        manifest: Manifest,
        senders: SenderPool,
        cancel: CancelToken,
    ) -> None:
        self._command = command
        self._store = store
        self._manifest = manifest
        self._senders = senders
        self._cancel = cancel
        self._read_back: dict[int, int] = {}
        """Size of each object that was read back and found right, by file number."""
        self._paths: list[str] = []

    def run(
        self,
        records: Records,
        station: str,
        scratch_folder: str,
        now: Callable[[], float],
        custody: Sequence[Entry] = (),
    ) -> Receipt | ProofMismatch:
        """The receipt, once it and the other records lie beside the data; or what is not as it was stored.

        Proving again writes all of them anew. Raises Cancelled, JournalError and PortError.
        """
        ledger = self._manifest.ledger()
        if ledger.pending_files or ledger.failed_files:
            return ProofMismatch(ledger=ledger, paths=())
        chosen = self._chosen(ledger.stored_files)
        with ManifestFile(scratch_folder, self._command.job.destination) as listing:
            for rows in _batches(self._manifest):
                listing.add(self._proved(rows, chosen))
            if self._paths:
                return ProofMismatch(ledger=self._manifest.ledger(), paths=tuple(self._paths))
            assert listing.files == ledger.stored_files, "the manifest lists every stored file"
            receipt = receipt_of(
                self._command,
                station,
                ledger,
                records.manifest_key,
                manifest_sha256=listing.sha256_hex(),
                files_read_back=len(self._read_back),
                bytes_read_back=sum(self._read_back.values()),
                proved_at=now(),
                custody=custody,
            )
            records.put(listing, custody, receipt)
        return receipt

    def _chosen(self, files: int) -> frozenset[int] | None:
        """Numbers of the files to read back; None for all."""
        match self._command.level:
            case ProofLevel.LISTED:
                return frozenset()
            case ProofLevel.SAMPLED:
                return sample(self._manifest, self._command.load_id, files)
            case ProofLevel.FULL:
                return None

    def _proved(self, rows: Sequence[StoredFile], chosen: frozenset[int] | None) -> Sequence[StoredFile]:
        """The rows, all of which have been looked at. What is wrong is pending again."""
        wrong: list[StoredFile] = []

        def look(some: Sequence[StoredFile]) -> None:
            told = dict[bytes, StoredObject | None]()
            while left := [row.key for row in some if row.key not in told]:
                self._cancel.check()
                told |= persistently(self._cancel, self._store.stat_many, left)
                self._cancel.beat()
            wrong.extend(row for row in some if not _is_as_stored(row, told[row.key]))

        def read(some: Sequence[StoredFile]) -> None:
            for row in some:
                self._cancel.check()
                if not self._reads_right(row):
                    wrong.append(row)
                self._cancel.beat()

        self._spread(look, rows, _LOOKS)
        missed = {row.file_no for row in wrong}
        picked = [row for row in rows if chosen is None or row.file_no in chosen]
        picked = [row for row in picked if row.file_no not in missed]
        self._spread(read, [row for row in picked if row.size_bytes <= _LENT_BYTES_MAX], _READS)
        read([row for row in picked if row.size_bytes > _LENT_BYTES_MAX])
        self._put_right(sorted(wrong, key=lambda row: row.file_no))
        return rows

    def _spread(
        self, act: Callable[[Sequence[StoredFile]], None], rows: Sequence[StoredFile], at_a_time: int
    ) -> None:
        chunks = [rows[at : at + at_a_time] for at in range(0, len(rows), at_a_time)]
        spread(self._senders, self._command.load_id, [partial(act, some) for some in chunks])

    def _reads_right(self, row: StoredFile) -> bool:
        back = persistently(self._cancel, read_back, self._store, row.key, self._cancel)
        if back != (row.size_bytes, row.sha256):
            return False
        self._read_back[row.file_no] = row.size_bytes
        return True

    def _put_right(self, wrong: Sequence[StoredFile]) -> None:
        """Remove what is not what this load stored there, then have the files stored again.

        What others had put there is theirs even when it is wrong: storing anew then tells of a conflict.
        """
        for row in wrong:
            # In this order: a file that is pending while a wrong object has its key is a conflict.
            if not row.found:
                self._cancel.check()
                self._manifest.require_claim()
                persistently(self._cancel, self._store.remove, row.key)
        if wrong:
            self._manifest.record_pending([row.file_no for row in wrong])
        room = _PATHS_MAX - len(self._paths)
        self._paths.extend(f"{row.volume}/{printable(row.path)}" for row in wrong[:room])


def _is_as_stored(row: StoredFile, found: StoredObject | None) -> bool:
    """By its size, and its digest where the store tells one."""
    return found is not None and found.size_bytes == row.size_bytes and found.sha256 in (None, row.sha256)


def _batches(manifest: Manifest) -> Iterator[Sequence[StoredFile]]:
    after = -1
    while rows := manifest.stored(after, ROWS):
        yield rows
        after = rows[-1].file_no


def sample(manifest: Manifest, load_id: str, files: int) -> frozenset[int]:
    """Numbers of the files to read back: 16 or one in a hundred, at most 1 GiB in all.

    The same for the same load, and not to be foreseen from the files: those with the smallest hashes
    of load and number. Files that do not fit into what is left of the 1 GiB are passed over, so a load
    of nothing but larger ones has no sample; the receipt says how much was read back.
    """
    wanted = max(SAMPLE_FILES_MIN, -(-files // SAMPLE_SHARE))
    ranked = (
        (_rank(load_id, row.file_no), row.file_no, row.size_bytes)
        for rows in _batches(manifest)
        for row in rows
        if row.size_bytes <= SAMPLE_BYTES_MAX
    )
    chosen, left = set(), SAMPLE_BYTES_MAX
    for _, file_no, size_bytes in heapq.nsmallest(wanted, ranked):
        if size_bytes <= left:
            chosen.add(file_no)
            left -= size_bytes
    return frozenset(chosen)


def _rank(load_id: str, file_no: int) -> bytes:
    return hashlib.blake2b(f"{load_id} {file_no}".encode(), digest_size=8).digest()
