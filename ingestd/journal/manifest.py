"""The files and parts of one load: a million rows, in batches.

Speed comes from one transaction a batch; memory holds one batch. The ledger is summed from the rows
whenever it is asked for, rather than kept as running totals: it is asked for a few times a load, and a
sum cannot drift from what it is the sum of.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence

from ingestd.core.found import Ledger
from ingestd.core.model import LoadId
from ingestd.journal import expected as said
from ingestd.journal import survey
from ingestd.journal.database import Database
from ingestd.journal.rows import (
    FACT_NAMES,
    Numbers,
    left_file,
    pending_file,
    read_numbers,
    sound_upload,
    stored_file,
    stored_guard,
    upload_row,
    write_numbers,
)
from ingestd.ports import (
    LEFT_OUT,
    Cancelled,
    Expectation,
    FileEntry,
    LeftFile,
    PartRecord,
    PendingFile,
    StoredFile,
    SurveyDifferences,
    Unmet,
)

_PENDING = f"""
SELECT {FACT_NAMES}, found, sha256, key, stored_guard, token, part_bytes, uploads.guard
FROM files LEFT JOIN uploads ON uploads.load = files.load AND uploads.file_no = files.file_no
WHERE files.load = ?1
"""  # noqa: S608 - made of constants

_NEXT_PENDING = _PENDING + "AND state = 'pending' AND files.file_no > ?2 ORDER BY files.file_no LIMIT ?3"
_NEXT_IN_TURN = f"""
SELECT {FACT_NAMES}, found, sha256, key, stored_guard, token, part_bytes, uploads.guard
FROM turns CROSS JOIN files ON files.load = turns.load AND files.file_no = turns.file_no
    LEFT JOIN uploads ON uploads.load = files.load AND uploads.file_no = files.file_no
WHERE turns.load = ?1 AND state = 'pending' AND (turns.place, turns.file_no) >
    (coalesce((SELECT place FROM files WHERE load = ?1 AND file_no = ?2), -1), ?2)
ORDER BY turns.place, turns.file_no LIMIT ?3
"""  # noqa: S608 - made of constants
_HAS_TURNS = "SELECT 1 FROM turns WHERE load = ? LIMIT 1"
_ONE_FILE = _PENDING + "AND files.file_no = ?2"

_NEXT_STORED = f"""
SELECT {FACT_NAMES}, found, sha256, key, stored_guard FROM files
WHERE load = ? AND state = 'stored' AND file_no > ? ORDER BY file_no LIMIT ?
"""  # noqa: S608 - made of constants

_NEXT_LEFT = """
SELECT file_no, state, found, sha256, key, stored_guard FROM files
WHERE load = ? AND state <> 'stored' AND found = 0 AND key IS NOT NULL AND file_no > ?
ORDER BY file_no LIMIT ?
"""

_ATTEMPT = """
UPDATE files SET found = 0, sha256 = ?1, key = ?2, stored_guard = ?3
WHERE load = ?4 AND file_no = ?5 AND state <> 'stored' AND (sha256 IS NOT ?1 OR key IS NOT ?2)
"""
"""What is on record as found there stays so: an attempt at the same content does not make it ours."""

_FORGET_LEFT = """
UPDATE files SET found = 0, sha256 = NULL, key = NULL, stored_guard = NULL
WHERE load = ? AND file_no = ? AND state <> 'stored'
"""
_DROP_GONE = "DELETE FROM files WHERE load = ? AND file_no = ? AND state = 'gone'"

_SAME_UPLOAD = "SELECT 1 FROM uploads WHERE load = ? AND file_no = ? AND token = ? AND part_bytes = ?"

_UPLOADS = "SELECT file_no, token, part_bytes, guard FROM uploads WHERE load = ? ORDER BY file_no"
_UPLOAD = "INSERT INTO uploads (load, file_no, token, part_bytes, guard) VALUES (?, ?, ?, ?, ?)"

_PART = """
INSERT OR REPLACE INTO parts (load, file_no, number, prefix_sha256) SELECT ?1, ?2, ?3, ?4
WHERE EXISTS (SELECT 1 FROM uploads WHERE load = ?1 AND file_no = ?2)
"""

_STORED = """
UPDATE files SET state = 'stored', reason = NULL, changed = 0,
    found = ?, sha256 = ?, key = ?, stored_guard = ?
WHERE load = ? AND file_no = ?
"""

_NOT_STORED = """
UPDATE files SET state = ?, reason = ?, found = 0, sha256 = NULL, key = NULL, stored_guard = NULL
WHERE load = ? AND file_no = ?
"""
_DROP_TURN = """
DELETE FROM turns WHERE load = ?1 AND (place, file_no) =
    (SELECT place, file_no FROM files WHERE load = ?1 AND file_no = ?2)
"""
"""A file that is skipped has no turn to be read."""

_AGAIN = """
UPDATE files SET state = 'pending', reason = NULL, changed = 0,
    found = 0, sha256 = NULL, key = NULL, stored_guard = NULL
WHERE load = ? AND file_no = ? AND state NOT IN ('skipped', 'gone')
"""

_RETRY = """
UPDATE files SET state = 'pending', reason = NULL
WHERE load = ? AND (state = 'failed' OR (state = 'skipped' AND reason = ?)) RETURNING load, place, file_no
"""
_TAKE_TURN = "INSERT OR IGNORE INTO turns (load, place, file_no) VALUES (?, ?, ?)"

_CLAIMED = "SELECT attempt FROM manifests WHERE load = ? AND load_id IS NOT NULL"

_DROP_UPLOAD = "DELETE FROM uploads WHERE load = ? AND file_no = ?"

_STATES = ("stored", "skipped", "failed", "pending")

_SUMS = ", ".join(
    f"{what} FILTER (WHERE state = '{state}')"
    for state in _STATES
    for what in ("count(*)", "sum(size_bytes >> 32)", "sum(size_bytes & 0xffffffff)")
)
"""Sizes in two halves: sparse files may claim sizes whose sum no longer fits into SQLite's integers."""

_LEDGER = f"SELECT {_SUMS} FROM files WHERE load = ? AND file_no >= ? AND file_no < ?"  # noqa: S608 - made of constants
"""One pass over rows, where GROUP BY would sort them all in memory first."""

_LAST_FILE = "SELECT coalesce(max(file_no), 0) FROM files WHERE load = ?"

_LEDGER_ROWS = 50_000
"""How many rows are summed while nobody else has the journal: some 50 ms."""

_ARRIVED = """
SELECT coalesce(sum(min(part_bytes, size_bytes - (number - 1) * part_bytes)), 0)
FROM uploads JOIN files USING (load, file_no) JOIN parts USING (load, file_no)
WHERE uploads.load = ? AND state = 'pending'
"""
"""Parts are numbered from 1; the last one of a file may be shorter than the others."""

_SWEEP_PARTS = """
DELETE FROM parts WHERE (load, file_no, number) IN (
    SELECT load, file_no, number FROM parts
    WHERE load IN (SELECT load FROM manifests WHERE load_id IS NULL) LIMIT ?)
"""

_SWEEP_FILES = """
DELETE FROM files WHERE (load, file_no) IN (
    SELECT load, file_no FROM files
    WHERE load IN (SELECT load FROM manifests WHERE load_id IS NULL) LIMIT ?)
"""

_SWEEP_MANIFESTS = """
DELETE FROM manifests WHERE load_id IS NULL
    AND NOT EXISTS (SELECT 1 FROM files WHERE files.load = manifests.load)
"""


def _go_on() -> None:
    pass


class SqliteManifest:
    """`ports.Manifest` in the journal. Every call but `add` is durable when it returns; any thread may call.

    A file numbered in a call that has no such number raises KeyError, and nothing of the call is kept.
    """

    def __init__(self, database: Database, load: int) -> None:
        self._db = database
        self._load = load
        self._attempt: int | None = None
        self._survey: int | None = None
        self._first = False
        """Whether the survey that this object began found nothing on record."""
        self._placed: bool | None = None
        """Whether it has put in a file with a place."""
        self._turned = 0
        """Files of a first survey that have their turns."""
        self._before_step: Callable[[], None] = _go_on

    # -- who may write ------------------------------------------------------------------------

    def claim(self, attempt: int) -> None:
        """See `Manifest`. The claim outlives the process."""
        with self._db.transaction() as sql:
            numbers = read_numbers(sql, self._load)
            if numbers.attempt > attempt:
                raise Cancelled
            write_numbers(sql, self._load, numbers._replace(attempt=attempt))
        self._attempt = attempt

    def require_claim(self) -> None:
        with self._db.reading() as sql:
            self._fence(sql)

    @contextlib.contextmanager
    def _writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """A transaction of those that may still write. Raises Cancelled for the others."""
        with self._db.transaction(durable=durable) as sql:
            self._fence(sql)
            yield sql

    def _fence(self, sql: sqlite3.Connection) -> None:
        if self._attempt is None:
            return
        row = sql.execute(_CLAIMED, (self._load,)).fetchone()
        # A load that is over has nobody who may write, and is no error of a read that comes back late.
        if row is None or row[0] != self._attempt:
            raise Cancelled

    # -- survey -------------------------------------------------------------------------------

    def begin_survey(self, before_step: Callable[[], None] = _go_on) -> None:
        """Everything is to be seen anew. Failed files are pending again: the look that failed them may
        have been broken off before anybody was told."""
        with self._writing() as sql:
            self._retry(sql)
            numbers = survey.begin(sql, self._load)
        self._survey, self._first, self._placed = numbers.survey, numbers.next_file_no == 0, False
        self._turned = 0
        self._before_step = before_step

    @contextlib.contextmanager
    def _step(self, *, durable: bool = False) -> Iterator[sqlite3.Connection]:
        self._before_step()
        with self._writing(durable=durable) as sql:
            yield sql

    def add(self, entries: Sequence[FileEntry]) -> None:
        """Files as the running survey finds them; those known keep state and sums when size and time
        are the same, and follow `skip` unless they are stored. Durable once a later call is: until the
        survey has ended, one that is broken off is begun again."""
        if self._placed is False:
            self._placed = any(entry.place for entry in entries)
        if self._first:
            with self._step() as sql:
                next_file_no = survey.append(sql, self._load, entries, self._survey)
            if self._placed:
                # As they come, so that it is done beside the walk.
                survey.add_turns(self._step, self._load, self._survey, self._turned, next_file_no)
                self._turned = next_file_no
            return
        self._index()
        with self._step() as sql:
            survey.compare(sql, self._load, entries, self._survey)

    def _index(self) -> None:
        survey.index(self._step, self._load, self._survey)

    def expect(self, expected: Sequence[Expectation], listed_by: int = 0) -> Unmet:
        self._index()
        with self._step(durable=True) as sql:
            return said.expect(sql, self._load, expected, self._survey, listed_by)

    def unlisted(
        self, volume: str, folder: bytes, listed_by: int, limit: int, *, by_any: bool = False
    ) -> tuple[int, Sequence[bytes]]:
        self._index()
        enough = 0 if by_any else listed_by
        wanting = (listed_by, enough, by_any)
        return said.unlisted(self._db.reading, self._load, (volume, folder), self._survey, wanting, limit)

    def sum_below(self, volume: str, folder: bytes) -> tuple[int, int]:
        self._index()
        return said.sum_below(self._db.reading, self._load, (volume, folder), self._survey)

    def end_survey(self, *, repeated: bool = False) -> SurveyDifferences:
        """Drop what was not seen, but for stored files: they are `gone`. Those that were stored once and
        were found different are `changed`, in every survey until they are stored again. A stored file
        of which something is said that it was not held against is pending."""
        if repeated:
            self._index()
        if not self._first:
            survey.close(self._step, self._load, self._survey)
        if not self._first:
            survey.take_turns(self._step, self._load, self._survey, self._placed)
        with self._writing() as sql:
            numbers = survey.running(sql, self._load, self._survey)
            # Something is written, so that all before it is durable, too. SQLite leaves out what is there.
            for each in (numbers._replace(indexed=numbers.indexed + 1), numbers):
                write_numbers(sql, self._load, each)
            if self._first:
                return SurveyDifferences(gone=(), changed=(), count=0)
            return survey.differences(sql, self._load, self._survey)

    # -- reading ------------------------------------------------------------------------------

    def pending(self, after: int, limit: int) -> Sequence[PendingFile]:
        with self._db.reading() as sql:
            has_turns = sql.execute(_HAS_TURNS, (self._load,)).fetchone()
            following = _NEXT_IN_TURN if has_turns else _NEXT_PENDING
            rows = sql.execute(following, (self._load, after, limit)).fetchall()
            expected = said.of_files(sql, self._load, [row[0] for row in rows])
        return [pending_file(row, expected.get(row[0], ())) for row in rows]

    def file(self, file_no: int) -> PendingFile:
        """One file, whatever its state."""
        with self._db.reading() as sql:
            row = sql.execute(_ONE_FILE, (self._load, file_no)).fetchone()
            expected = said.of_files(sql, self._load, [file_no])
        if row is None:
            raise _no_such_file()
        return pending_file(row, expected.get(file_no, ()))

    def parts(self, file_no: int) -> dict[int, bytes]:
        with self._db.reading() as sql:
            return dict(
                sql.execute(
                    "SELECT number, prefix_sha256 FROM parts WHERE load = ? AND file_no = ?",
                    (self._load, file_no),
                )
            )

    def stored(self, after: int, limit: int) -> Sequence[StoredFile]:
        with self._db.reading() as sql:
            rows = sql.execute(_NEXT_STORED, (self._load, after, limit)).fetchall()
        return [stored_file(row) for row in rows]

    def uploads(self) -> Sequence[tuple[int, str]]:
        with self._db.reading() as sql:
            rows = sql.execute(_UPLOADS, (self._load,)).fetchall()
        return [(file_no, sound_upload(file_no, *upload)[0]) for file_no, *upload in rows]

    def left(self, after: int, limit: int) -> Sequence[LeftFile]:
        with self._db.reading() as sql:
            rows = sql.execute(_NEXT_LEFT, (self._load, after, limit)).fetchall()
        return [left_file(row) for row in rows]

    def ledger(self) -> Ledger:
        """Summed from the rows, so many at a time: of one moment where nothing is recorded meanwhile."""
        with self._db.reading() as sql:
            last: int = sql.execute(_LAST_FILE, (self._load,)).fetchone()[0]
            arrived_bytes = sql.execute(_ARRIVED, (self._load,)).fetchone()[0]
        sums = [0] * (3 * len(_STATES))
        for first in range(0, last + 1, _LEDGER_ROWS):
            with self._db.reading() as sql:
                found = sql.execute(_LEDGER, (self._load, first, first + _LEDGER_ROWS)).fetchone()
            sums = [total + (number or 0) for total, number in zip(sums, found, strict=True)]
        stored_files, skipped_files, failed_files, pending_files = sums[::3]
        stored, skipped, failed, pending = (
            (high << 32) + low for high, low in zip(sums[1::3], sums[2::3], strict=True)
        )
        return Ledger(
            discovered_bytes=stored + skipped + failed + pending,
            stored_bytes=stored,
            skipped_bytes=skipped,
            failed_bytes=failed,
            pending_bytes=pending,
            discovered_files=stored_files + skipped_files + failed_files + pending_files,
            stored_files=stored_files,
            skipped_files=skipped_files,
            failed_files=failed_files,
            pending_files=pending_files,
            arrived_bytes=arrived_bytes,
        )

    # -- recording ----------------------------------------------------------------------------

    def record_attempt(self, files: Sequence[tuple[int, bytes, bytes]]) -> None:
        rows = [
            (sha256, key, stored_guard(False, sha256, key), self._load, file_no)
            for file_no, sha256, key in files
        ]
        with self._writing() as sql:
            sql.executemany(_ATTEMPT, rows)

    def forget_left(self, file_nos: Sequence[int]) -> None:
        rows = [(self._load, file_no) for file_no in file_nos]
        with self._writing() as sql:
            sql.executemany(_FORGET_LEFT, rows)
            sql.executemany(_DROP_GONE, rows)

    def record_upload(self, file_no: int, token: str, part_bytes: int) -> None:
        """The file's upload from now on. Parts of another upload, or of other size, are forgotten."""
        upload = upload_row(self._load, file_no, token, part_bytes)
        with self._writing() as sql:
            if sql.execute(_SAME_UPLOAD, upload[:4]).fetchone():
                return
            _require_file(sql, self._load, file_no)
            sql.execute(_DROP_UPLOAD, (self._load, file_no))
            sql.execute(_UPLOAD, upload)

    def record_parts(self, parts: Sequence[PartRecord]) -> None:
        """Parts that the store holds. Those of a file that has no upload any more are passed over: a
        sender may come to its end after the file was given up."""
        rows = [(self._load, part.file_no, part.number, part.prefix_sha256) for part in parts]
        with self._writing() as sql:
            sql.executemany(_PART, rows)

    def record_stored(self, files: Sequence[tuple[int, bytes, bytes]], found: Collection[int] = ()) -> None:
        rows = [
            (no in found, sha256, key, stored_guard(no in found, sha256, key), self._load, no)
            for no, sha256, key in files
        ]
        with self._writing() as sql:
            if sql.executemany(_STORED, rows).rowcount < len(rows):
                raise _no_such_file()
            sql.executemany(_DROP_UPLOAD, [(self._load, file_no) for file_no, _, _ in files])
            said.met(sql, self._load, [file_no for file_no, _, _ in files])

    def record_failed(self, file_no: int, reason: str) -> None:
        """The file cannot be stored. Its upload stays on record, so that it can be aborted."""
        with self._writing() as sql:
            self._record_as(sql, "failed", file_no, reason)

    def record_left_out(self, file_no: int) -> None:
        """The file is skipped, for this pass. Its upload stays on record likewise."""
        with self._writing() as sql:
            self._record_as(sql, "skipped", file_no, LEFT_OUT)
            sql.execute(_DROP_TURN, (self._load, file_no))

    def _record_as(self, sql: sqlite3.Connection, state: str, file_no: int, reason: str) -> None:
        if not sql.execute(_NOT_STORED, (state, reason, self._load, file_no)).rowcount:
            raise _no_such_file()

    def record_pending(self, file_nos: Sequence[int]) -> None:
        """Forget that these were stored, failed, changed or begun. Skipped files stay skipped."""
        rows = [(self._load, file_no) for file_no in file_nos]
        with self._writing() as sql:
            sql.executemany(_AGAIN, rows)
            sql.executemany(_DROP_UPLOAD, rows)

    def retry_failed(self) -> None:
        with self._writing() as sql:
            self._retry(sql)

    def _retry(self, sql: sqlite3.Connection) -> None:
        has_turns = sql.execute(_HAS_TURNS, (self._load,)).fetchone()
        again = sql.execute(_RETRY, (self._load, LEFT_OUT)).fetchall()
        if has_turns:
            sql.executemany(_TAKE_TURN, again)


def _require_file(sql: sqlite3.Connection, load: int, file_no: int) -> None:
    if sql.execute("SELECT 1 FROM files WHERE load = ? AND file_no = ?", (load, file_no)).fetchone() is None:
        raise _no_such_file()


def _no_such_file() -> KeyError:
    return KeyError("the manifest has no file of this number")


def open_manifest(database: Database, load_id: LoadId) -> SqliteManifest:
    """The manifest of a load; its one row is made when it is not there yet."""
    with database.held():
        with database.reading() as sql:
            row = sql.execute("SELECT load FROM manifests WHERE load_id = ?", (load_id,)).fetchone()
        return SqliteManifest(database, row[0] if row else _new_manifest(database, load_id))


def _new_manifest(database: Database, load_id: LoadId) -> int:
    with database.transaction() as sql:
        load = sql.execute("INSERT INTO manifests (load_id) VALUES (?)", (load_id,)).lastrowid
        assert load is not None
        write_numbers(sql, load, Numbers())
    return load


def forget(sql: sqlite3.Connection, load_id: LoadId) -> None:
    """Cut a manifest off from its load, within a transaction; `sweep_forgotten` then deletes its rows."""
    sql.execute("UPDATE manifests SET load_id = NULL WHERE load_id = ?", (load_id,))


def sweep_forgotten(sql: sqlite3.Connection, limit: int) -> int:
    """Delete up to so many rows of forgotten manifests, within a transaction; how many were deleted."""
    parts = sql.execute(_SWEEP_PARTS, (limit,)).rowcount
    files = sql.execute(_SWEEP_FILES, (limit - parts,)).rowcount if parts < limit else 0
    sql.execute(_SWEEP_MANIFESTS)
    return parts + files
