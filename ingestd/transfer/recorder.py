"""Commits what has arrived in the store: whatever has gathered since the last commit, at once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ParamSpec

from ingestd.ports import Manifest, PartRecord
from ingestd.transfer.tally import Tally

P = ParamSpec("P")

Settle = Callable[[bool], None]
"""Called once per entry, with whether it was recorded."""


@dataclass(frozen=True, slots=True)
class StoredNow:
    """A file that the store holds whole, durably."""

    file_no: int
    sha256: bytes
    key: bytes
    size_bytes: int
    found: bool = False
    """It was there before this load came."""


@dataclass(frozen=True, slots=True)
class ArrivedNow:
    """A part that the store holds, durably. `size_bytes` is 0 for one that was counted before."""

    record: PartRecord
    size_bytes: int


@dataclass(frozen=True, slots=True)
class _Entry:
    parts: tuple[ArrivedNow, ...]
    files: tuple[StoredNow, ...]
    settle: Settle


class Recorder:
    """One thread that writes the manifest for one pass, and calls `tick` every so often.

    While a commit is on its way to the medium, what arrives gathers for the next one; so a slow journal
    means larger commits, not a slower line. After an error nothing is recorded any more.
    """

    def __init__(
        self,
        manifest: Manifest,
        tally: Tally,
        *,
        name: str,
        failed: Callable[[BaseException], None],
        tick: Callable[[], None],
        tick_every_s: float,
        clock: Callable[[], float],
    ) -> None:
        self._manifest = manifest
        self._tally = tally
        self._failed = failed
        self._tick = tick
        self._tick_every_s = tick_every_s
        self._clock = clock
        self._changed = threading.Condition()
        self._gathered: list[_Entry] = []
        self._closing = False
        self._broken = False
        self._thread = threading.Thread(target=self._run, name=f"recorder-{name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """Record what is left and end the thread."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join()

    def part(self, part: ArrivedNow, settle: Settle) -> None:
        self._add(_Entry((part,), (), settle))

    def stored(self, files: Sequence[StoredNow], settle: Settle) -> None:
        self._add(_Entry((), tuple(files), settle))

    def _add(self, entry: _Entry) -> None:
        with self._changed:
            self._gathered.append(entry)
            self._changed.notify_all()

    # -- the thread -------------------------------------------------------------------------------

    def _run(self) -> None:
        tick_at = self._clock() + self._tick_every_s
        while (entries := self._next(tick_at)) is not None:
            recorded = not self._broken and self._guarded(self._record, entries)
            for entry in entries:
                self._guarded(entry.settle, recorded)
            if self._clock() >= tick_at:
                self._guarded(self._tick)
                tick_at = self._clock() + self._tick_every_s

    def _next(self, until: float) -> list[_Entry] | None:
        """What has gathered, or nothing when it is time to tick; None at the end."""
        with self._changed:
            while not self._gathered:
                if self._closing:
                    return None
                left = until - self._clock()
                if left <= 0:
                    return []
                self._changed.wait(left)
            entries, self._gathered = self._gathered, []
            return entries

    def _guarded(self, call: Callable[P, None], *args: P.args, **kwargs: P.kwargs) -> bool:
        """Whether it went well. What is raised stops the pass, and with it all recording."""
        try:
            call(*args, **kwargs)
        except BaseException as error:  # noqa: BLE001 - the pass raises it again
            self._broken = True
            self._failed(error)
            return False
        return True

    def _record(self, entries: list[_Entry]) -> None:
        parts = [part for entry in entries for part in entry.parts]
        files = [file for entry in entries for file in entry.files]
        if parts:
            self._manifest.record_parts([part.record for part in parts])
            for part in parts:
                self._tally.arrived(part.record.file_no, part.size_bytes)
        if files:
            found = {file.file_no for file in files if file.found}
            self._manifest.record_stored([(file.file_no, file.sha256, file.key) for file in files], found)
            for file in files:
                self._tally.stored(file.file_no, file.size_bytes)
