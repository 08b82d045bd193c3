"""The running account of a pass, and the faults it came upon."""

from __future__ import annotations

import threading
from dataclasses import replace

from ingestd.core.found import FileFault, Ledger


class Tally:
    """Starts from the manifest's ledger and follows what was committed since. Safe between threads."""

    def __init__(self, ledger: Ledger) -> None:
        self._lock = threading.Lock()
        self._ledger = ledger
        self._arrived: dict[int, int] = {}
        """Bytes of unfinished files that the store holds, by file number, of the files of this pass."""

    def resumed(self, file_no: int, arrived_bytes: int) -> None:
        """So much of the ledger's arrived bytes is of this file."""
        with self._lock:
            self._arrived[file_no] = arrived_bytes

    def arrived(self, file_no: int, size_bytes: int) -> None:
        with self._lock:
            self._arrived[file_no] = self._arrived.get(file_no, 0) + size_bytes
            self._ledger = replace(self._ledger, arrived_bytes=self._ledger.arrived_bytes + size_bytes)

    def begun_anew(self, file_no: int) -> None:
        """What had arrived of this file is lost."""
        with self._lock:
            self._drop(file_no)

    def stored(self, file_no: int, size_bytes: int) -> None:
        with self._lock:
            self._drop(file_no)
            at = self._ledger
            self._ledger = replace(
                at,
                stored_files=at.stored_files + 1,
                stored_bytes=at.stored_bytes + size_bytes,
                pending_files=at.pending_files - 1,
                pending_bytes=at.pending_bytes - size_bytes,
            )

    def skipped(self, file_no: int, size_bytes: int) -> None:
        with self._lock:
            self._drop(file_no)
            at = self._ledger
            self._ledger = replace(
                at,
                skipped_files=at.skipped_files + 1,
                skipped_bytes=at.skipped_bytes + size_bytes,
                pending_files=at.pending_files - 1,
                pending_bytes=at.pending_bytes - size_bytes,
            )

    def failed(self, file_no: int, size_bytes: int) -> None:
        with self._lock:
            self._drop(file_no)
            at = self._ledger
            self._ledger = replace(
                at,
                failed_files=at.failed_files + 1,
                failed_bytes=at.failed_bytes + size_bytes,
                pending_files=at.pending_files - 1,
                pending_bytes=at.pending_bytes - size_bytes,
            )

    def _drop(self, file_no: int) -> None:
        gone = self._arrived.pop(file_no, 0)
        self._ledger = replace(self._ledger, arrived_bytes=self._ledger.arrived_bytes - gone)

    @property
    def ledger(self) -> Ledger:
        with self._lock:
            return self._ledger


class AtFault(Exception):
    """A file cannot be stored, and why. Ends the work on this file, never the pass."""

    def __init__(self, fault: FileFault) -> None:
        super().__init__(fault.kind.value)
        self.fault = fault
