"""The two records of a proof that lie beside the data: the list of checksums, and the receipt."""

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
from ingestd.core.layout import manifest_key, receipt_key
from ingestd.core.messages import Prove
from ingestd.core.model import Destination, Ledger, Receipt
from ingestd.ports import CancelToken, ResourcesExhausted, Store, StoredFile, Upload
from ingestd.transfer.governor import Governor
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
            self._file = tempfile.TemporaryFile(dir=self._folder)  # noqa: SIM115 - closed in __exit__
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

    def __init__(self, load_id: str, destination: Destination, store: Store) -> None:
        self._store = store
        self._load_id = load_id
        self.manifest_key = manifest_key(destination, LoadId(load_id))
        self.receipt_key = receipt_key(destination, LoadId(load_id))
