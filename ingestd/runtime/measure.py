"""What `ingestd bench` measures: this station's reading, hashing and uploading, one after the other.

Nothing of it stays: the file that is read has no name, and what was uploaded, under a prefix of its own
that no job can have, is aborted or removed, also after an error or an interruption. Memory is that of the
buffers, one for each sender, whatever the size.
"""

from __future__ import annotations

import contextlib
import hashlib
import mmap
import os
import queue
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from ingestd.ports import Cancelled, Pace, Store, Upload
from ingestd.transfer.governor import Governor

PREFIX = b".ingest-bench/"
"""No job's prefix begins with a dot."""
FLOW = "bench"
_LOOK_S = 0.1
_READ_ROOM = 1.05
"""How much room, as a multiple of the size, the file that is read needs."""


class NoRoom(Exception):
    """The disk has no room for the file that is to be read."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One step: so many bytes in so many seconds."""

    step: str
    size_bytes: int
    seconds: float
    what: str

    @property
    def bytes_per_second(self) -> float:
        return self.size_bytes / max(self.seconds, 1e-9)


@dataclass(slots=True)
class Stop:
    """Asks all threads of a measurement to end."""

    _asked: threading.Event = field(default_factory=threading.Event)

    def ask(self) -> None:
        self._asked.set()

    @property
    def cancelled(self) -> bool:
        return self._asked.is_set()

    def check(self) -> None:
        if self._asked.is_set():
            raise Cancelled

    def wait(self, seconds: float) -> bool:
        return self._asked.wait(seconds)

    def beat(self) -> None:
        """Nobody looks whether a measurement is stuck: whoever started it sits in front of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Measures with the station's own sizes. `governor` has the limits that are to be kept, if any."""

    store: Store
    size_bytes: int
    part_bytes: int
    senders: int
    governor: Governor
    stop: Stop = field(default_factory=Stop)

    # -- reading ----------------------------------------------------------------------------------

    def read_file(self, path: str) -> Measured:
        """How fast a file or block device gives its first bytes. Nothing is written to it."""
        with _opened(path) as fd:
            return self._read(fd, path)

    def read_scratch(self, folder: str) -> Measured:
        """How fast the disk below a folder gives back what was just written to it. Raises NoRoom."""
        room = os.statvfs(folder)
        if room.f_bavail * room.f_frsize < self.size_bytes * _READ_ROOM:
            raise NoRoom(f"{folder} has no room for {self.size_bytes} bytes to read")
        with tempfile.TemporaryFile(dir=folder, prefix=".ingest-bench-", buffering=0) as file:
            self._fill(file.fileno())
            return self._read(file.fileno(), f"a file in {folder}")

    def _fill(self, fd: int) -> None:
        for number, view in self._parts(_buffer(self.part_bytes)):
            os.pwrite(fd, view, number * self.part_bytes)
        os.fsync(fd)

    def _read(self, fd: int, what: str) -> Measured:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        buffer, at = _buffer(self.part_bytes), 0
        began = time.monotonic()
        while at < self.size_bytes and (got := os.preadv(fd, [buffer[: self.size_bytes - at]], at)):
            self.stop.check()
            os.posix_fadvise(fd, at, got, os.POSIX_FADV_DONTNEED)
            at += got
        return Measured("reading", at, time.monotonic() - began, what)

    # -- hashing ----------------------------------------------------------------------------------

    def hash(self) -> tuple[Measured, bytes]:
        """How fast a load is hashed, and the digest of what is going to be uploaded."""
        digest, buffer = hashlib.sha256(), _buffer(self.part_bytes)
        spent = 0.0
        for _, view in self._parts(buffer):
            began = time.monotonic()
            digest.update(view)
            spent += time.monotonic() - began
        return Measured("hashing", self.size_bytes, spent, "SHA-256, one load"), digest.digest()

    # -- uploading --------------------------------------------------------------------------------

    def upload(self, name: str, sha256: bytes) -> Measured:
        """How fast the store takes one large object from all senders. Raises store errors and Cancelled;
        the object, or what there is of it, is gone when this returns."""
        key = PREFIX + name.encode()
        with self.governor.registered(FLOW, 1):
            began = time.monotonic()
            upload = self.store.begin(key, self.size_bytes)
            try:
                self._send_all(upload)
                upload.complete(self.size_bytes, sha256)
                seconds = time.monotonic() - began
            finally:
                upload.abort()
                self.store.remove(key)
        return Measured("uploading", self.size_bytes, seconds, f"{self.senders} senders")

    def _send_all(self, upload: Upload) -> None:
        numbers: queue.SimpleQueue[int] = queue.SimpleQueue()
        for number in range(-(-self.size_bytes // self.part_bytes)):
            numbers.put(number)
        errors: list[BaseException] = []
        threads = [
            threading.Thread(target=self._send_some, args=(upload, numbers, errors), name=f"bench-{n}")
            for n in range(self.senders)
        ]
        for thread in threads:
            thread.start()
        try:
            for thread in threads:
                while thread.is_alive():
                    thread.join(_LOOK_S)
        finally:
            # After an interruption: nobody may still send when the upload is aborted.
            if any(thread.is_alive() for thread in threads):
                self.stop.ask()
            for thread in threads:
                thread.join()
        if errors:
            raise errors[0]
        self.stop.check()

    def _send_some(
        self, upload: Upload, numbers: queue.SimpleQueue[int], errors: list[BaseException]
    ) -> None:
        buffer = _buffer(self.part_bytes)
        try:
            while not errors:
                number = numbers.get_nowait()
                self.stop.check()
                view = self._stamped(buffer, number)
                upload.put_part(number + 1, number * self.part_bytes, view, self._pace())
        except queue.Empty:
            pass
        except Exception as error:  # noqa: BLE001 - raised again by whoever waits for all senders
            errors.append(error)

    def _pace(self) -> Pace:
        return lambda size_bytes: self.governor.take(FLOW, size_bytes, self.stop)

    # -- what is sent -----------------------------------------------------------------------------

    def _parts(self, buffer: memoryview) -> Iterator[tuple[int, memoryview]]:
        for number in range(-(-self.size_bytes // self.part_bytes)):
            self.stop.check()
            yield number, self._stamped(buffer, number)

    def _stamped(self, buffer: memoryview, number: int) -> memoryview:
        """The content of one part: no two are the same, lest a store keeps one for all."""
        length = min(self.part_bytes, self.size_bytes - number * self.part_bytes)
        stamp = number.to_bytes(8, "big")[-min(8, length) :]
        buffer[: len(stamp)] = stamp
        return buffer[:length]


@contextlib.contextmanager
def _opened(path: str) -> Iterator[int]:
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        yield fd
    finally:
        os.close(fd)


_NOISE = hashlib.shake_256(b"ingestd bench")
"""The same noise in every buffer, so that the digest is known before it is sent."""


def _buffer(size_bytes: int) -> memoryview:
    view = memoryview(mmap.mmap(-1, size_bytes))
    block = _NOISE.digest(1 << 16)
    for at in range(0, size_bytes, len(block)):
        room = min(len(block), size_bytes - at)
        view[at : at + room] = block[:room]
    return view
