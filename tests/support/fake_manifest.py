"""An in-memory `ports.Manifest` that keeps to what its docstrings say."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

from ingestd.core.found import Ledger
from ingestd.ports import (
    LEFT_OUT,
    Cancelled,
    Expectation,
    FileEntry,
    LeftFile,
    PartRecord,
    PendingFile,
    Said,
    StoredFile,
    SurveyDifferences,
    Unmet,
)

DIFFERENCES_MAX = 20


@dataclass
class Heard:
    """Who said it, in which survey, and whether the file was stored so."""

    by: str
    survey: int
    met: bool = False


@dataclass
class Row:
    """One file. `state` is pending, stored, failed, skipped or gone; a sha256 and key of one that is not
    stored tell what may have been left of it."""

    file_no: int
    entry: FileEntry
    seen: int
    state: str
    reason: str | None = None
    sha256: bytes = b""
    key: bytes = b""
    upload: tuple[str, int] | None = None
    parts: dict[int, bytes] = field(default_factory=dict)
    changed: bool = False
    found: bool = False
    said: dict[tuple[str, bytes], Heard] = field(default_factory=dict)
    """By algorithm and digest."""
    listed: int = 0

    def begin_anew(self, state: str, reason: str | None = None) -> None:
        self.state, self.reason = state, reason
        self.drop_upload()

    def forget_left(self) -> None:
        self.sha256, self.key, self.found = b"", b"", False

    def drop_upload(self) -> None:
        self.upload = None
        self.parts = {}

    @property
    def arrived_bytes(self) -> int:
        if self.state != "pending" or self.upload is None:
            return 0
        part_bytes, size_bytes = self.upload[1], self.entry.size_bytes
        return sum(min(part_bytes, size_bytes - (number - 1) * part_bytes) for number in list(self.parts))


class FakeManifest:
    """Files are numbered as they come in. Calls on a number that no file has raise KeyError."""

    def __init__(self) -> None:
        self.rows: dict[int, Row] = {}
        self._by_path: dict[tuple[str, bytes], Row] = {}
        self._survey = 0
        self._before_step: Callable[[], None] = lambda: None
        self._next = 0
        self._attempt = -1
        self.fenced = False
        """Whether another object is to have claimed the manifest meanwhile."""

    # -- who may write ------------------------------------------------------------------------

    def claim(self, attempt: int) -> None:
        if attempt < self._attempt:
            raise Cancelled
        self._attempt = attempt

    def require_claim(self) -> None:
        if self.fenced:
            raise Cancelled

    # -- survey -------------------------------------------------------------------------------

    def begin_survey(self, before_step: Callable[[], None] = lambda: None) -> None:
        self.retry_failed()
        self._before_step = before_step
        self._survey += 1

    def add(self, entries: Sequence[FileEntry]) -> None:
        self._before_step()
        self.require_claim()
        for entry in entries:
            known = self._by_path.get((entry.volume, entry.path))
            if known is None:
                self._insert(entry)
            else:
                self._follow(known, entry)

    def _insert(self, entry: FileEntry) -> None:
        row = Row(self._next, entry, self._survey, "skipped" if entry.skip else "pending", entry.skip)
        self._next += 1
        self.rows[row.file_no] = self._by_path[entry.volume, entry.path] = row

    def _follow(self, row: Row, entry: FileEntry) -> None:
        """Keep state if size and time are the same, unless the file is now to be (or not) loaded."""
        same = (row.entry.size_bytes, row.entry.mtime_ns) == (entry.size_bytes, entry.mtime_ns)
        skipped = row.state == "skipped"
        if not same or (row.state != "stored" and (skipped or entry.skip) and row.reason != entry.skip):
            row.changed = row.changed or row.state == "stored"
            row.begin_anew("skipped" if entry.skip else "pending", entry.skip)
        row.entry, row.seen, row.listed = entry, self._survey, 0

    def end_survey(self, *, repeated: bool = False) -> SurveyDifferences:
        del repeated  # Here nothing is ever kept twice.
        self.require_claim()
        for row in [row for row in self.rows.values() if row.seen != self._survey and row.state != "stored"]:
            if row.key:
                row.state = "gone"
            else:
                self._delete(row)
        for row in self.rows.values():
            row.said = {key: heard for key, heard in row.said.items() if heard.survey == self._survey}
            unmet = [
                key for key, heard in row.said.items() if not heard.met and key != ("sha256", row.sha256)
            ]
            if row.state == "stored" and row.seen == self._survey and unmet:
                row.state = "pending"
        gone = [row.entry.path for row in self.rows.values() if row.state == "stored" and self._unseen(row)]
        changed = [row.entry.path for row in self.rows.values() if row.changed]
        return SurveyDifferences(
            gone=tuple(gone[:DIFFERENCES_MAX]),
            changed=tuple(changed[:DIFFERENCES_MAX]),
            count=len(gone) + len(changed),
        )

    def _unseen(self, row: Row) -> bool:
        return row.seen != self._survey

    def _delete(self, row: Row) -> None:
        del self.rows[row.file_no]
        del self._by_path[row.entry.volume, row.entry.path]

    def expect(self, expected: Sequence[Expectation], listed_by: int = 0) -> Unmet:
        self._before_step()
        self.require_claim()
        missing, repeated = list[bytes](), list[bytes]()
        for volume, path, said in expected:
            row = self._by_path.get((volume, path))
            if row is None or row.seen != self._survey:
                missing.append(path)
                continue
            if row.listed & listed_by:
                repeated.append(path)
            row.listed |= listed_by
            self._hear(row, said)
        return Unmet(missing, repeated)

    def _hear(self, row: Row, said: Said) -> None:
        current = [key for key, heard in row.said.items() if heard.survey == self._survey]
        key = said.algorithm, said.digest
        if key in current or [algorithm for algorithm, _ in current].count(said.algorithm) >= 2:
            return
        row.said[key] = Heard(said.by, self._survey, key in row.said and row.said[key].met)

    def unlisted(
        self, volume: str, folder: bytes, listed_by: int, limit: int, *, by_any: bool = False
    ) -> tuple[int, Sequence[bytes]]:
        def wanting(row: Row) -> bool:
            return not row.listed & listed_by if by_any else row.listed & listed_by != listed_by

        paths = sorted(row.entry.path for row in self._below(volume, folder) if wanting(row))
        return len(paths), paths[:limit]

    def sum_below(self, volume: str, folder: bytes) -> tuple[int, int]:
        sizes = [row.entry.size_bytes for row in self._below(volume, folder)]
        return len(sizes), sum(sizes)

    def _below(self, volume: str, folder: bytes) -> list[Row]:
        return [
            row
            for row in self.rows.values()
            if row.seen == self._survey
            and row.entry.volume == volume
            and row.entry.path.startswith(folder + b"/")
        ]

    # -- reading ------------------------------------------------------------------------------

    def pending(self, after: int, limit: int) -> Sequence[PendingFile]:
        def turn(row: Row) -> tuple[int, int]:
            return row.entry.place, row.file_no

        last = turn(self.rows[after]) if after in self.rows else (-1, after)
        rows = [row for row in self.rows.values() if turn(row) > last and row.state == "pending"]
        return [_pending(row) for row in sorted(rows, key=turn)[:limit]]

    def file(self, file_no: int) -> PendingFile:
        return _pending(self.rows[file_no])

    def parts(self, file_no: int) -> dict[int, bytes]:
        return dict(self.rows[file_no].parts)

    def stored(self, after: int, limit: int) -> Sequence[StoredFile]:
        rows = [row for no, row in sorted(self.rows.items()) if no > after and row.state == "stored"]
        return [_stored(row) for row in rows[:limit]]

    def uploads(self) -> Sequence[tuple[int, str]]:
        return [(no, row.upload[0]) for no, row in sorted(self.rows.items()) if row.upload]

    def left(self, after: int, limit: int) -> Sequence[LeftFile]:
        rows = [
            LeftFile(no, row.sha256, row.key, row.state == "pending")
            for no, row in sorted(self.rows.items())
            if no > after and row.state != "stored" and row.key and not row.found
        ]
        return rows[:limit]

    def ledger(self) -> Ledger:
        counts = {state: [0, 0] for state in ("pending", "stored", "failed", "skipped")}
        for row in [row for row in list(self.rows.values()) if row.state != "gone"]:
            counts[row.state][0] += 1
            counts[row.state][1] += row.entry.size_bytes
        return Ledger(
            discovered_files=sum(files for files, _ in counts.values()),
            discovered_bytes=sum(size for _, size in counts.values()),
            stored_files=counts["stored"][0],
            stored_bytes=counts["stored"][1],
            skipped_files=counts["skipped"][0],
            skipped_bytes=counts["skipped"][1],
            failed_files=counts["failed"][0],
            failed_bytes=counts["failed"][1],
            pending_files=counts["pending"][0],
            pending_bytes=counts["pending"][1],
            arrived_bytes=sum(row.arrived_bytes for row in list(self.rows.values())),
        )

    # -- recording ----------------------------------------------------------------------------

    def record_attempt(self, files: Sequence[tuple[int, bytes, bytes]]) -> None:
        self.require_claim()
        for file_no, sha256, key in files:
            row = self.rows[file_no]
            if row.state != "stored" and (row.sha256, row.key) != (sha256, key):
                row.sha256, row.key, row.found = sha256, key, False

    def forget_left(self, file_nos: Sequence[int]) -> None:
        self.require_claim()
        for row in [self.rows[file_no] for file_no in file_nos]:
            if row.state == "gone":
                self._delete(row)
            elif row.state != "stored":
                row.forget_left()

    def record_upload(self, file_no: int, token: str, part_bytes: int) -> None:
        self.require_claim()
        row = self.rows[file_no]
        if row.upload != (token, part_bytes):
            row.drop_upload()
            row.upload = (token, part_bytes)

    def record_parts(self, parts: Sequence[PartRecord]) -> None:
        self.require_claim()
        for part in parts:
            row = self.rows.get(part.file_no)
            if row is not None and row.upload:
                row.parts[part.number] = part.prefix_sha256

    def record_stored(self, files: Sequence[tuple[int, bytes, bytes]], found: Collection[int] = ()) -> None:
        self.require_claim()
        for row in [self.rows[file_no] for file_no, _, _ in files]:
            row.begin_anew("stored")
            row.changed = False
        for file_no, sha256, key in files:
            row = self.rows[file_no]
            row.sha256, row.key, row.found = sha256, key, file_no in found
            for heard in row.said.values():
                heard.met = True

    def record_failed(self, file_no: int, reason: str) -> None:
        self._record_as("failed", file_no, reason)

    def record_left_out(self, file_no: int) -> None:
        self._record_as("skipped", file_no, LEFT_OUT)

    def _record_as(self, state: str, file_no: int, reason: str) -> None:
        self.require_claim()
        row = self.rows[file_no]
        row.state, row.reason = state, reason
        row.forget_left()

    def record_pending(self, file_nos: Sequence[int]) -> None:
        self.require_claim()
        for file_no in file_nos:
            row = self.rows[file_no]
            if row.state not in ("skipped", "gone"):
                row.begin_anew("pending")
                row.forget_left()
                row.changed = False

    def retry_failed(self) -> None:
        self.require_claim()
        for row in list(self.rows.values()):
            if row.state == "failed" or (row.state, row.reason) == ("skipped", LEFT_OUT):
                row.state, row.reason = "pending", None


def _pending(row: Row) -> PendingFile:
    entry = row.entry
    token, part_bytes = row.upload or (None, None)
    return PendingFile(
        row.file_no,
        entry.volume,
        entry.path,
        entry.size_bytes,
        entry.mtime_ns,
        entry.inode,
        tuple(
            sorted(
                (Said(*key, heard.by) for key, heard in row.said.items()),
                key=lambda said: (said.by != "notice", said.algorithm, said.digest),
            )
        ),
        token,
        part_bytes,
        row.sha256 if row.key and not row.found else None,
        row.key if row.key and not row.found else None,
    )


def _stored(row: Row) -> StoredFile:
    entry = row.entry
    return StoredFile(row.file_no, entry.volume, entry.path, entry.size_bytes, row.sha256, row.key, row.found)
