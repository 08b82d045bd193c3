"""The records of custody as files in the state folder, which `ingestd custody` reads.

The journal has them, and lets nobody in but the daemon. A thread of its own writes each record out again
when it has grown, so that a full or slow disk never holds up the loop, and a reader never sees half of one.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable

from ingestd.core.model import LoadId
from ingestd.files import write_whole
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.telemetry import logs

SUFFIX = ".jsonl"


class CustodyFiles:
    """Keeps a file for each record that the journal has, a second behind it at most."""

    def __init__(
        self,
        folder: str,
        journal: Journal,
        broken: Callable[[JournalError], None],
        keep_days: Callable[[], float],
        every_s: float = 0.5,
    ) -> None:
        """`keep_days`: how long a file stays whose record the journal does not have."""
        self._folder = folder
        self._journal = journal
        self._broken = broken
        self._keep_days = keep_days
        self._every_s = every_s
        self._stop = threading.Event()
        self._all = True
        """Whether every file is to be compared with the journal."""
        self._owed: set[LoadId] = set()
        """Records that could not be written out yet."""
        self._failed = False
        self.beat = time.monotonic()
        """The monotonic time at which the thread last moved on."""
        self._thread = threading.Thread(target=self._run, name="custody", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End the thread, with all files as the journal has them."""
        self._stop.set()
        self._thread.join(5)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def look_over(self) -> None:
        """Have the files compared with the journal: some records may be gone."""
        self._all = True

    def _run(self) -> None:
        try:
            while not self._stop.wait(self._every_s):
                self.write()
                self.beat = time.monotonic()
            self.write()
        except JournalError as error:
            self._broken(error)

    def write(self) -> None:
        """Write out what has grown. Raises JournalError; what cannot be written is tried again."""
        self._owed |= self._journal.custody_changes()
        try:
            if self._all:
                self._owed |= self._compared()
                self._all = False
            self._write_out(sorted(self._owed))
        except OSError as error:
            if not self._failed:
                logs.get().error("custody_not_written", error=str(error))
            self._failed = True
        else:
            self._failed = False

    def _write_out(self, loads: Iterable[LoadId]) -> None:
        for load_id in loads:
            entries = self._journal.custody(load_id)
            if entries:
                body = b"".join(entry.line + b"\n" for entry in entries)
                write_whole(path_of(self._folder, load_id), body, durable=False)
            self._owed.discard(load_id)

    def _compared(self) -> set[LoadId]:
        """Remove old files of records that are gone; the records that have no file, or another one.

        A file is not removed only because the journal does not know of it: the journal may have been lost.
        """
        lengths = self._journal.custody_lengths()
        before = time.time() - self._keep_days() * 86_400
        there: dict[str, int] = {}
        for name in os.listdir(self._folder):
            path = os.path.join(self._folder, name)
            if name.endswith(SUFFIX) and name.removesuffix(SUFFIX) in lengths:
                there[name.removesuffix(SUFFIX)] = _lines_in(path)
            elif os.path.isfile(path) and (name.startswith(".") or os.stat(path).st_mtime < before):
                os.unlink(path)
        return {load_id for load_id, length in lengths.items() if there.get(load_id) != length}


def path_of(folder: str, load_id: str) -> str:
    return os.path.join(folder, load_id + SUFFIX)


def _lines_in(path: str) -> int:
    with open(path, "rb") as file:
        return sum(1 for _ in file)
