"""Batches of files on their way into a manifest while the walk goes on."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator, Sequence
from queue import Queue
from typing import Protocol

from ingestd.ports import FileEntry, Manifest


class Putting(Protocol):
    def put(self, batch: Sequence[FileEntry]) -> None:
        """Have a batch put in, in its turn. Raises what an earlier one has met with."""

    def finish(self) -> None:
        """Wait until all have been put in. Raises what one of them has met with."""


@contextlib.contextmanager
def alongside(manifest: Manifest) -> Iterator[Putting]:
    """Put batches in from a thread of their own, which has ended when this has.

    The journal's work is mostly done without the interpreter's lock, and so beside that of the walk. One
    batch waits at most, beside the one that is being put in.
    """
    work = _Alongside(manifest)
    work.begin()
    try:
        yield work
    finally:
        work.end()


class _Alongside:
    def __init__(self, manifest: Manifest) -> None:
        self._manifest = manifest
        self._batches: Queue[Sequence[FileEntry] | None] = Queue(1)
        self._error: BaseException | None = None
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        thread = threading.Thread(target=self._work, name="survey-batches", daemon=True)
        # Where the system has no thread to give, it takes longer.
        with contextlib.suppress(RuntimeError, MemoryError):
            thread.start()
            self._thread = thread

    def put(self, batch: Sequence[FileEntry]) -> None:
        self._raise()
        if self._thread is None:
            self._manifest.add(batch)
        else:
            self._batches.put(batch)

    def finish(self) -> None:
        self._batches.join()
        self._raise()

    def end(self) -> None:
        if self._thread is not None:
            self._batches.put(None)
            self._thread.join()

    def _raise(self) -> None:
        if self._error is not None:
            raise self._error

    def _work(self) -> None:
        while (batch := self._batches.get()) is not None:
            try:
                if self._error is None:
                    self._manifest.add(batch)
            except BaseException as error:  # noqa: BLE001 - it is raised where it is waited for
                self._error = error
            finally:
                self._batches.task_done()
