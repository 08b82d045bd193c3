"""The running account of a pass, and the faults it came upon."""

from __future__ import annotations

import threading
from dataclasses import replace

from ingestd.core.model import FileFault, Ledger


class Tally:
    """Starts from the manifest's ledger and follows what was committed since. Safe between threads."""

    def __init__(self, ledger: Ledger) -> None:
        self._lock = threading.Lock()
        self._ledger = ledger

    def stored(self, files: int, size_bytes: int) -> None:
        with self._lock:
            at = self._ledger
            self._ledger = replace(
                at,
                stored_files=at.stored_files + files,
                stored_bytes=at.stored_bytes + size_bytes,
                pending_files=at.pending_files - files,
                pending_bytes=at.pending_bytes - size_bytes,
            )

    def failed(self, size_bytes: int) -> None:
        with self._lock:
            at = self._ledger
            self._ledger = replace(
                at,
                failed_files=at.failed_files + 1,
                failed_bytes=at.failed_bytes + size_bytes,
                pending_files=at.pending_files - 1,
                pending_bytes=at.pending_bytes - size_bytes,
            )

    @property
    def ledger(self) -> Ledger:
        with self._lock:
            return self._ledger


class AtFault(Exception):
    """A file cannot be stored, and why. Ends the work on this file, never the pass."""

    def __init__(self, fault: FileFault) -> None:
        super().__init__(fault.kind.value)
        self.fault = fault
