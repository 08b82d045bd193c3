"""The real daemon, with stores that first write down what they are given: counting.py run --config FILE.

Beside the configuration, `sent.log` gets a line for every piece of data that goes to a store: the key in
hexadecimal, the offset and the length. The line is written before the bytes are, so that a daemon that
is killed in between has counted too much, never too little.

A file `die-after-batch` or `die-after-complete` there lets the daemon die once, the moment the store has
taken a batch of small objects, or given a large one its key, and before anything is recorded of it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from ingestd.ports import Pace, SmallObject, Store, StoredObject, Upload
from ingestd.runtime import app, cli
from ingestd.runtime.config import Config
from ingestd.telemetry.counts import Counts

PROGRAM = (__file__,)
"""What `Station.program` is to be for a daemon that counts."""

Piece = tuple[str, int, int]
"""Key in hexadecimal, offset, length."""


def sent(folder: Path) -> list[Piece]:
    """Every piece of data that the daemons of a station gave to a store, in order."""
    path = folder / "sent.log"
    lines = path.read_text().splitlines() if path.exists() else []
    return [(key, int(offset), int(length)) for key, offset, length in map(str.split, lines)]


def sent_again_bytes(pieces: Sequence[Piece]) -> int:
    """How many bytes went to the store more than once."""
    return sum((count - 1) * piece[2] for piece, count in Counter(pieces).items())


class _Book:
    def __init__(self, folder: str) -> None:
        self._folder = folder
        path = os.path.join(folder, "sent.log")
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600)

    def perhaps_die(self, after: str) -> None:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(os.path.join(self._folder, f"die-after-{after}"))
            os.kill(os.getpid(), signal.SIGKILL)

    def enter(self, pieces: Sequence[tuple[bytes, int, int]]) -> None:
        lines = "".join(f"{key.hex()} {offset} {length}\n" for key, offset, length in pieces)
        os.write(self._fd, lines.encode())


class _CountingUpload:
    def __init__(self, upload: Upload, key: bytes, book: _Book) -> None:
        self._upload = upload
        self._key = key
        self._book = book

    @property
    def token(self) -> str:
        return self._upload.token

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        self._book.enter([(self._key, offset, len(body))])
        self._upload.put_part(number, offset, body, pace)

    def stream_part(
        self,
        number: int,
        offset: int,
        size_bytes: int,
        block_bytes: int,
        blocks: Iterator[memoryview],
        pace: Pace,
    ) -> None:
        self._book.enter([(self._key, offset, size_bytes)])
        self._upload.stream_part(number, offset, size_bytes, block_bytes, blocks, pace)

    def may_hold(self, number: int, size_bytes: int) -> bool:
        return self._upload.may_hold(number, size_bytes)

    def holds(self, number: int, size_bytes: int, md5: bytes) -> bool:
        return self._upload.holds(number, size_bytes, md5)

    def complete(self, size_bytes: int, sha256: bytes) -> StoredObject:
        stored = self._upload.complete(size_bytes, sha256)
        self._book.perhaps_die("complete")
        return stored

    def abort(self) -> None:
        self._upload.abort()


class _CountingStore:
    def __init__(self, store: Store, book: _Book) -> None:
        self._store = store
        self._book = book

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def begin(self, key: bytes, size_bytes: int) -> Upload:
        return _CountingUpload(self._store.begin(key, size_bytes), key, self._book)

    def resume(self, key: bytes, size_bytes: int, token: str) -> Upload | None:
        upload = self._store.resume(key, size_bytes, token)
        return _CountingUpload(upload, key, self._book) if upload is not None else None

    def put_batch(self, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
        self._book.enter([(small.key, 0, len(small.body)) for small in batch])
        there = self._store.put_batch(batch, pace)
        self._book.perhaps_die("batch")
        return there


def main() -> int:
    book = _Book(os.path.dirname(sys.argv[sys.argv.index("--config") + 1]))
    make = app.make_stores

    def make_counting(config: Config, counts: Counts | None = None) -> dict[str, Store]:
        made = make(config, counts)
        stores: dict[str, Any] = {name: _CountingStore(store, book) for name, store in made.items()}
        return stores

    app.make_stores = make_counting
    return cli.main()


if __name__ == "__main__":
    sys.exit(main())
