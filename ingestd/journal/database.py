"""The one connection to the journal's database, its lock, and the translation of its errors.

Theory of operation. The database is opened once, by one process, and every thread shares that one
connection under one lock. `locking_mode=EXCLUSIVE`, set before the first read, keeps every other
connection out and the write-ahead log's index in our own memory (there is no `-shm` file). So the
race by which SQLite 3.7.0 to 3.51.2 could lose committed pages when one connection resets the log
while another one writes cannot happen: it takes two connections.

The lock that keeps others out is a POSIX one: the system drops it when this process closes *any*
descriptor of the file. Nothing here may open `journal.db` but SQLite.

With `synchronous=FULL` a transaction is on the disk when `transaction()` has returned. One that need not
be is committed with NORMAL: it is in the log, which a later commit syncs as a whole, so that the power
takes with it the end of the log, never something that came before what was durable.

The first error of any kind ends all writing (`broken`): the memory of whoever was about to record
something is ahead of the journal from then on, and only a restart makes them agree again.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import urllib.parse
from collections.abc import Iterator, Sequence

from ingestd.files import fsync_folder, write_whole
from ingestd.journal import words
from ingestd.journal.schema import Migration, check_schema, migrate, schema_of, shipped_migrations
from ingestd.journal.survey import check_copies
from ingestd.ports import JournalError

FILE_NAME = "journal.db"
MARKER_NAME = "journal.created"

_MARKER = b"""The journal in this folder has been created. While this file is here, ingestd does not begin an
empty journal by itself when journal.db is missing or empty.
"""

COPIES_OF_MIGRATION = 2
_ROOM_LEFT_BYTES = 16 << 20
"""What a migration takes: so many times the database, and what is left for all else."""

_OLDEST_SQLITE = (3, 37, 0)
"""The first one with STRICT tables."""

_SETTINGS = (
    ("journal_mode", "WAL", "wal"),
    ("synchronous", "FULL", 2),
    ("foreign_keys", "ON", 1),
    ("cell_size_check", "ON", 1),
    ("trusted_schema", "OFF", 0),
    ("secure_delete", "FAST", 2),
    ("temp_store", "MEMORY", 2),
    ("cache_size", "-8192", -8192),
    ("wal_autocheckpoint", "1000", 1000),
    ("journal_size_limit", "16777216", 16777216),
)
"""Name, value, and SQLite's answer when it does as asked. Customers' file names are wiped when they
are deleted and never go to a temporary folder. The cache is 8 MiB; the log is written back into the
database from 1,000 pages (4 MiB) on and cut to 16 MiB after a transaction that made it longer."""

_THOROUGH_CHECK_MAX_BYTES = 256 * 1024 * 1024
"""Up to this size the check at opening also compares every index with its table, and follows every
reference; above it only what takes one look at each page is checked, as that takes long enough."""


class Database:
    """The journal's connection for the life of the process. All threads may use it."""

    def __init__(self, sql: sqlite3.Connection, path: str) -> None:
        self._sql = sql
        self._path = path
        self._lock = threading.RLock()
        self._broken: JournalError | None = None
        self._closed = False

    @classmethod
    def open(cls, folder: str, *, migrations: Sequence[Migration] | None = None) -> Database:
        """The database in `folder`, made when there never was one, checked and brought up to date.

        Raises JournalError, having created or overwritten nothing, when it is missing though it was
        created before, damaged, somebody else's, from a newer version, or in use.
        """
        path = os.path.join(folder, FILE_NAME)
        try:
            may_begin = _prepare(folder, path)
            sql = _connect(path, may_begin=may_begin, migrations=migrations or shipped_migrations())
            if not os.path.exists(os.path.join(folder, MARKER_NAME)):
                fsync_folder(folder)
                write_whole(os.path.join(folder, MARKER_NAME), _MARKER)
        except words.FOREIGN as error:
            raise words.not_opened(error, path) from error
        except OSError as error:
            raise words.inaccessible(error, path) from error
        return cls(sql, path)

    @property
    def path(self) -> str:
        return self._path

    @property
    def broken(self) -> bool:
        """Whether an error has ended all writing until the next start."""
        return self._broken is not None

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Keep other threads out for several steps."""
        with self._lock:
            yield

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection for statements that change nothing."""
        with self._lock, self._translating():
            self._require_open()
            yield self._sql

    @contextlib.contextmanager
    def transaction(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """The connection within a transaction: all of it is durable on leaving, or nothing of it is.
        Where it need not be `durable`, a loss of power may undo it, unless a durable one has come after it.

        Raises JournalError when SQLite fails, and at every later call. Any other exception undoes the
        transaction and passes through; the journal stays usable.
        """
        with self._lock, self._translating():
            self._require_open()
            if self._broken is not None:
                raise JournalError(f"nothing is recorded any more since an earlier error: {self._broken}")
            with self._synced(durable):
                self._sql.execute("BEGIN IMMEDIATE")
                try:
                    yield self._sql
                    self._sql.execute("COMMIT")
                except BaseException:
                    self._undo()
                    raise

    @contextlib.contextmanager
    def _synced(self, durable: bool) -> Iterator[None]:
        if durable:
            yield
            return
        self._sql.execute("PRAGMA synchronous = NORMAL")
        try:
            yield
        finally:
            self._sql.execute("PRAGMA synchronous = FULL")

    def _undo(self) -> None:
        """Roll back, unless SQLite has done so already. An error here is about the one being handled."""
        with contextlib.suppress(sqlite3.Error):
            if self._sql.in_transaction:
                self._sql.execute("ROLLBACK")

    @contextlib.contextmanager
    def _translating(self) -> Iterator[None]:
        try:
            yield
        except words.FOREIGN as error:
            self._broken = self._broken or words.failed(error, self._path)
            raise words.failed(error, self._path) from error

    def _require_open(self) -> None:
        if self._closed:
            raise JournalError(f"journal {self._path} has been closed")

    def give_back(self, pages: int) -> None:
        """Shrink the file by up to so many unused pages."""
        with self._lock, self._translating():
            self._require_open()
            # Every freed page is a row without columns, of which execute() would take only the first.
            self._sql.executescript(f"PRAGMA incremental_vacuum({pages:d})")

    def size_bytes(self) -> int:
        """What the database and its log take up on the disk."""
        total = 0
        for path in (self._path, self._path + "-wal"):
            with contextlib.suppress(FileNotFoundError):
                total += os.stat(path).st_size
        return total

    def close(self) -> None:
        """Write the log back into the database and let go of it. Safe to call twice."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            with contextlib.suppress(sqlite3.Error):
                self._sql.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            with contextlib.suppress(sqlite3.Error):
                self._sql.close()


def _prepare(folder: str, path: str) -> bool:
    """Whether a journal may be begun here; the database's file, perhaps an empty one, is then there."""
    if not os.path.isdir(folder):
        raise words.no_folder(folder)
    created_before = os.path.exists(os.path.join(folder, MARKER_NAME))
    if created_before and not (os.path.exists(path) and os.stat(path).st_size > 0):
        raise words.lost(path)
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640))
    return not created_before


def _connect(path: str, *, may_begin: bool, migrations: Sequence[Migration]) -> sqlite3.Connection:
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        raise JournalError(f"SQLite {sqlite3.sqlite_version} is too old: install 3.37 or a later one")
    uri = f"file:{urllib.parse.quote(os.fsencode(path))}?mode=rw"
    sql = sqlite3.connect(uri, uri=True, timeout=0.5, isolation_level=None, check_same_thread=False)
    try:
        _set(sql, "locking_mode", "EXCLUSIVE", "exclusive")
        version = schema_of(sql, path, len(migrations))
        if version == 0:
            if not may_begin:
                raise words.lost(path)
            sql.execute("PRAGMA auto_vacuum = INCREMENTAL")
        for name, value, answer in _SETTINGS:
            _set(sql, name, value, answer)
        _check(sql, path)
        if 0 < version < len(migrations):
            _require_room(sql, path)
        migrate(sql, version, migrations)
        if version == 0:
            sql.executescript("PRAGMA incremental_vacuum")  # What migrations made and dropped.
        check_schema(sql, path, migrations)
        if _fits_thorough_check(sql) and _has_manifests(sql) and not check_copies(sql):
            raise words.malformed(path, "files and the paths by which they are found do not agree")
    except BaseException:
        sql.close()
        raise
    return sql


def _set(sql: sqlite3.Connection, name: str, value: str, answer: str | int) -> None:
    sql.execute(f"PRAGMA {name} = {value}").fetchall()
    got = sql.execute(f"PRAGMA {name}").fetchone()
    if got != (answer,):
        raise words.not_done(f"{name} = {value}", got)


def _require_room(sql: sqlite3.Connection, path: str) -> None:
    """Raise JournalError where a migration might end at a full disk. It may write everything anew, first to
    the log, and then beside what is there."""
    pages, page_bytes = (sql.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    wanted = COPIES_OF_MIGRATION * pages * page_bytes + _ROOM_LEFT_BYTES
    system = os.statvfs(os.path.dirname(path))
    free = system.f_bavail * system.f_frsize
    if free < wanted:
        raise words.no_room(path, wanted, free)


def _check(sql: sqlite3.Connection, path: str) -> None:
    """Raise JournalError when the pages, the indexes or the references between tables are damaged."""
    thorough = _fits_thorough_check(sql)
    answers = sql.execute(f"PRAGMA {'integrity_check' if thorough else 'quick_check'}(10)").fetchall()
    if answers != [("ok",)]:
        raise words.malformed(path, answers[0][0])
    if thorough and sql.execute("PRAGMA foreign_key_check").fetchone():
        raise words.malformed(path, "there are rows without the one that they belong to")


def _fits_thorough_check(sql: sqlite3.Connection) -> bool:
    pages, page_bytes = (sql.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    return bool(pages * page_bytes <= _THOROUGH_CHECK_MAX_BYTES)


def _has_manifests(sql: sqlite3.Connection) -> bool:
    return sql.execute("SELECT 1 FROM sqlite_master WHERE name = 'paths'").fetchone() is not None
