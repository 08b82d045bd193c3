"""The records of custody as files in the state folder, which `ingestd custody` reads.

The journal has them, and lets nobody in but the daemon. A thread of its own adds to each file what its record
has grown by, so that a full or slow disk never holds up the loop. A file that is not as it was left, after a
disk that was full or a loss of power, is written anew from the journal, when the daemon starts or at the next
entry. A reader may come upon half of the last line, for as long as one write takes.

An entry that was damaged in the journal, or is not found in it any more, costs nothing but itself: it is
mended from the file, or else stays as it is, and whoever verifies the record is told which line it is.
"""

from __future__ import annotations

import errno
import json
import os
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from ingestd.core.custody import Action, Entry
from ingestd.core.custody_check import check, follows, unharmed
from ingestd.core.drive import CustodyHead
from ingestd.core.model import LoadId
from ingestd.files import write_whole
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.runtime.custody_seal import SEAL_SUFFIX, SealingImpossible, SealingKey, head_in
from ingestd.telemetry import logs

SUFFIX = ".jsonl"


def record_of(journal: Journal, folder: str, load_id: LoadId) -> tuple[Entry, ...]:
    """The record of a load. What was damaged in the journal is mended there if the file in `folder` still has
    it, and said to be damaged otherwise. Raises JournalError."""
    entries = journal.custody(load_id)
    if not entries or _is_sound(entries):
        return entries
    copies = _lines_of(path_of(folder, load_id))
    there = {entry.number: entry for entry in entries}
    numbers = range(1, min(max(there), len(there) + len(copies)) + 1)
    mended = tuple(
        _mended(there.get(number) or Entry(load_id=load_id, number=number, sha256="", line=b""), copies)
        for number in numbers
    )
    if _is_sound(mended):
        journal.mend_custody([entry for entry in mended if there.get(entry.number) != entry])
        logs.get().warning("custody_mended", load=load_id)
        return mended
    logs.get().error("custody_damaged", load=load_id)
    return entries


def _mended(entry: Entry, copies: Sequence[bytes]) -> Entry:
    """The entry as the file has it, if it is not what it was in the journal."""
    in_file = copies[entry.number - 1] if 0 < entry.number <= len(copies) else b""
    for line in (entry.line + b"\n", in_file):
        if unharmed(line, entry.number):
            return replace(entry, sha256=check([line]).head, line=line.removesuffix(b"\n"))
    return entry


def _is_sound(entries: Sequence[Entry]) -> bool:
    lines = (entry.line + b"\n" for entry in entries)
    return _have_their_hashes(entries) and not check(lines, entries[-1].sha256).problems


def _have_their_hashes(entries: Sequence[Entry]) -> bool:
    return all(entry.sha256.encode() in entry.line for entry in entries)


class CustodyFiles:
    """Keeps a file for each record that the journal has, a second behind it at most."""

    def __init__(
        self,
        folder: str,
        journal: Journal,
        broken: Callable[[JournalError], None],
        keep_days: Callable[[], float],
        every_s: float = 0.5,
        key: SealingKey | None = None,
    ) -> None:
        """`keep_days`: how long a file stays whose record the journal does not have. `key`: what records are
        sealed with that end with a release."""
        self._folder = folder
        self._journal = journal
        self._broken = broken
        self._keep_days = keep_days
        self._every_s = every_s
        self._key = key
        self._unsealed: set[LoadId] = set()
        """Records that may have to be sealed."""
        self._stop = threading.Event()
        self._all = True
        """Whether every file is to be compared with the journal."""
        self._owed: set[LoadId] = set()
        """Records that could not be written out yet."""
        self._left: dict[LoadId, tuple[CustodyHead, int]] = {}
        """Up to where each file has its record, and how many bytes it had then."""
        self.trouble: str | None = None
        """Why records cannot be written out just now, in words."""
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
                self._unsealed |= self._left.keys()
                self._all = False
            self._write_out(sorted(self._owed))
            self._seal_all()
        except SealingImpossible as error:
            if self.trouble is None:
                logs.get().error("custody_not_sealed", error=str(error))
            self.trouble = f"records of custody cannot be sealed: the key {error}"
        except OSError as error:
            if self.trouble is None:
                logs.get().error("custody_not_written", error=str(error))
            self.trouble = (
                f"records of custody cannot be written to {self._folder} ({error.strerror}): "
                "`ingestd custody` shows older ones; the journal has all of them"
            )
        else:
            self.trouble = None

    def _write_out(self, loads: Iterable[LoadId]) -> None:
        for load_id in loads:
            if not self._add(load_id):
                self._write_anew(load_id)
            self._owed.discard(load_id)
            self._unsealed.add(load_id)

    def _seal_all(self) -> None:
        """Seal what ends with a release and is not sealed. Raises SealingImpossible."""
        for load_id in sorted(self._unsealed):
            if self._key is not None:
                self._seal(load_id, self._key)
            self._unsealed.discard(load_id)

    def _seal(self, load_id: LoadId, key: SealingKey) -> None:
        head, _ = self._left.get(load_id, (None, 0))
        last = self._journal.custody(load_id, head.entries - 1) if head is not None else ()
        if head is None or len(last) != 1 or not unharmed(last[0].line + b"\n", head.entries):
            return
        entry = json.loads(last[0].line)
        path = seal_of(self._folder, load_id)
        if entry["action"] == Action.RELEASED and head_in(b"".join(_lines_of(path))) != head:
            write_whole(path, f"{key.sealed(load_id, entry['station'], head)}\n".encode(), durable=False)

    def _add(self, load_id: LoadId) -> bool:
        """Add to the file what the record has grown by; not if it is not as it was left."""
        path = path_of(self._folder, load_id)
        head, size_bytes = self._left.pop(load_id, (None, 0))
        if head is None or _size_bytes(path) != size_bytes:
            return False
        entries = self._journal.custody(load_id, head.entries)
        lines = [entry.line + b"\n" for entry in entries]
        if not follows(lines, load_id, head):
            return False
        if lines:
            added = b"".join(lines)
            _append(path, added)
            head, size_bytes = entries[-1].head, size_bytes + len(added)
        self._left[load_id] = head, size_bytes
        return True

    def _write_anew(self, load_id: LoadId) -> None:
        entries = record_of(self._journal, self._folder, load_id)
        if entries:
            body = b"".join(entry.line + b"\n" for entry in entries)
            write_whole(path_of(self._folder, load_id), body, durable=False)
            self._left[load_id] = entries[-1].head, len(body)

    def _compared(self) -> set[LoadId]:
        """Remove old files of records that are gone; the records whose files are to be written anew.

        A file is not removed only because the journal does not know of it: the journal may have been lost.
        """
        lengths = self._journal.custody_lengths()
        before = time.time() - self._keep_days() * 86_400
        there: set[str] = set()
        for name in os.listdir(self._folder):
            path = os.path.join(self._folder, name)
            if name.endswith(SUFFIX) and name.removesuffix(SUFFIX) in lengths:
                there.add(name.removesuffix(SUFFIX))
            elif name.endswith(SEAL_SUFFIX) and name.removesuffix(SEAL_SUFFIX) in lengths:
                continue
            elif os.path.isfile(path) and (name.startswith(".") or os.stat(path).st_mtime < before):
                os.unlink(path)
        self._left = {load_id: left for load_id, left in self._left.items() if load_id in lengths}
        return {load_id for load_id in lengths if load_id not in there or not self._is_as_left(load_id)}

    def _is_as_left(self, load_id: LoadId) -> bool:
        """Whether a file has its record, which is remembered then."""
        path = path_of(self._folder, load_id)
        if load_id in self._left:
            return _size_bytes(path) == self._left[load_id][1]
        lines, entries = _lines_of(path), self._journal.custody(load_id)
        as_recorded = list(lines) == [entry.line + b"\n" for entry in entries] and _have_their_hashes(entries)
        if not entries or not as_recorded:
            return False
        self._left[load_id] = entries[-1].head, sum(map(len, lines))
        return True


def path_of(folder: str, load_id: str) -> str:
    return os.path.join(folder, load_id + SUFFIX)


def seal_of(folder: str, load_id: str) -> str:
    return os.path.join(folder, load_id + SEAL_SUFFIX)


def _size_bytes(path: str) -> int:
    try:
        return os.stat(path).st_size
    except FileNotFoundError:
        return -1


def _lines_of(path: str) -> Sequence[bytes]:
    """With their ends; none where there is no such file."""
    try:
        with open(path, "rb") as file:
            return file.readlines()
    except FileNotFoundError:
        return ()


def _append(path: str, added: bytes) -> None:
    fd = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC)
    with open(fd, "ab", buffering=0) as file:
        if file.write(added) != len(added):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
