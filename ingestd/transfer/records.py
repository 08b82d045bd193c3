"""The records of a proof that lie beside the data: the list of checksums, the record of custody as far as
it goes, and the receipt."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from types import TracebackType

from ingestd.core.checksum_lines import gnu_line
from ingestd.core.custody import Entry
from ingestd.core.found import Ledger, Receipt
from ingestd.core.job import Destination
from ingestd.core.layout import custody_key, manifest_key, receipt_key
from ingestd.core.messages import Prove
from ingestd.core.model import LoadId
from ingestd.ports import CancelToken, Pace, PortError, ResourcesExhausted, Store, StoredFile, Upload
from ingestd.transfer.parted import Cut, cuts
from ingestd.transfer.stopping import persistently

_WHOLE_MAX_BYTES = 4 << 20
"""Up to this size a manifest is one of the small records that a store can replace."""


class ManifestFile:
    """The manifest while it is being put together: a file without a name in the scratch folder.

    Lines as `sha256sum` writes them, for checking from within the folder of the job's prefix. Raises
    ResourcesExhausted when the station has no room for it.
    """

    def __init__(self, scratch_folder: str, destination: Destination) -> None:
        self._folder = scratch_folder
        self._prefix = destination.prefix.encode() + b"/"
        self._digest = hashlib.sha256()
        self.files = 0
        self.size_bytes = 0

    def __enter__(self) -> ManifestFile:
        with self._errors():
            self._file = tempfile.TemporaryFile(dir=self._folder)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self._file.close()

    def add(self, rows: Sequence[StoredFile]) -> None:
        lines = b"".join(gnu_line(row.sha256.hex(), row.key.removeprefix(self._prefix)) for row in rows)
        self._digest.update(lines)
        self.files += len(rows)
        self.size_bytes += len(lines)
        with self._errors():
            self._file.write(lines)

    def sha256(self) -> bytes:
        return self._digest.digest()

    def sha256_hex(self) -> str:
        return self._digest.hexdigest()

    def read_into(self, view: memoryview, offset: int) -> None:
        """Fill `view` from what was added."""
        with self._errors():
            self._file.flush()
            done = 0
            while done < len(view):
                got = os.preadv(self._file.fileno(), [view[done:]], offset + done)
                assert got, "nobody else has this file open"
                done += got

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise ResourcesExhausted(
                f"no room for a manifest in {self._folder}: {error.strerror}; "
                "free some space there, about 200 bytes per file of the load"
            ) from error


class Records:
    """Puts the records of one load into its store, or takes them away."""

    def __init__(
        self,
        load_id: LoadId,
        destination: Destination,
        store: Store,
        *,
        cancel: CancelToken,
        pace: Pace,
        part_bytes: int,
    ) -> None:
        self._store = store
        self._cancel = cancel
        self._pace = pace
        self._part_bytes = part_bytes
        self.manifest_key = manifest_key(destination, load_id)
        self.custody_key = custody_key(destination, load_id)
        self.receipt_key = receipt_key(destination, load_id)

    def put(self, listing: ManifestFile, custody: Sequence[Entry], receipt: Receipt) -> None:
        """Store all of them, the receipt last. What an earlier proof of this load left is replaced."""
        if listing.size_bytes <= _WHOLE_MAX_BYTES:
            body = bytearray(listing.size_bytes)
            listing.read_into(memoryview(body), 0)
            self._replace(self.manifest_key, bytes(body))
        else:
            self._put_long(listing)
        if custody:
            self._replace(self.custody_key, b"".join(entry.line + b"\n" for entry in custody))
        self._replace(self.receipt_key, receipt_json(receipt))

    def remove(self) -> None:
        """Take them away, the receipt first. Absent is fine."""
        for key in (self.receipt_key, self.custody_key, self.manifest_key):
            persistently(self._cancel, self._store.remove, key)

    def _replace(self, key: bytes, body: bytes) -> None:
        self._pace(len(body))
        persistently(self._cancel, self._store.replace, key, body)

    def _put_long(self, listing: ManifestFile) -> None:
        key, store = self.manifest_key, self._store
        part_bytes = store.part_bytes(listing.size_bytes, self._part_bytes)
        persistently(self._cancel, store.remove, key)
        upload = persistently(self._cancel, store.begin, key, listing.size_bytes)
        try:
            buffer = memoryview(bytearray(part_bytes))
            for cut in cuts(listing.size_bytes, part_bytes):
                body = buffer[: cut.length]
                listing.read_into(body, cut.offset)
                self._put_part(upload, cut, body)
            persistently(self._cancel, upload.complete, listing.size_bytes, listing.sha256())
        except BaseException:
            with contextlib.suppress(PortError):
                upload.abort()
            raise

    def _put_part(self, upload: Upload, cut: Cut, body: memoryview) -> None:
        persistently(self._cancel, upload.put_part, cut.number, cut.offset, body, self._pace)


def receipt_of(
    command: Prove,
    station: str,
    ledger: Ledger,
    manifest: bytes,
    *,
    manifest_sha256: str,
    files_read_back: int,
    bytes_read_back: int,
    proved_at: float,
    custody: Sequence[Entry] = (),
) -> Receipt:
    """The receipt of a load all of whose files were found in the store."""
    job, drive = command.job, command.facts.identity
    return Receipt(
        load_id=command.load_id,
        job_id=job.job_id,
        tenant=job.tenant,
        station=station,
        serial=drive.serial,
        wwn=drive.wwn,
        model=drive.model,
        store=job.destination.store,
        prefix=job.destination.prefix,
        manifest=manifest.decode(),
        manifest_sha256=manifest_sha256,
        files=ledger.stored_files,
        stored_bytes=ledger.stored_bytes,
        skipped_files=ledger.skipped_files,
        skipped_bytes=ledger.skipped_bytes,
        proof=command.level,
        files_read_back=files_read_back,
        bytes_read_back=bytes_read_back,
        proved_at=proved_at,
        replayed=tuple(volume.name for volume in command.facts.volumes if volume.replayed),
        custody=custody[-1].head if custody else None,
    )


def receipt_json(receipt: Receipt) -> bytes:
    """All fields of the receipt; the time as RFC 3339 in UTC, as in the events."""
    fields = dataclasses.asdict(receipt)
    proved_at = datetime.fromtimestamp(receipt.proved_at, UTC)
    fields["proved_at"] = proved_at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return json.dumps(fields, indent=2, ensure_ascii=False).encode() + b"\n"
