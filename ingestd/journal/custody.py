"""The records of custody as rows: added with the decisions that they tell of, never changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from ingestd.core.custody import Entry
from ingestd.core.model import LoadId
from ingestd.journal.database import Database
from ingestd.journal.outbox import Statement

_ID_BYTES_MAX = 240
"""Of a load's id, which names a file."""

_ADD = "INSERT INTO custody (load_id, number, sha256, line) VALUES (?, ?, ?, ?)"

_AFTER = """
SELECT number, CAST(sha256 AS BLOB), line FROM custody WHERE load_id = ? AND number > ? ORDER BY number
"""
"""As a BLOB: a text in which a bit has flipped may be no text, which SQLite's adapter gives an error for."""

_MEND = """
INSERT INTO custody (sha256, line, load_id, number) VALUES (?, ?, ?, ?)
ON CONFLICT DO UPDATE SET sha256 = excluded.sha256, line = excluded.line
"""

_LENGTHS = "SELECT CAST(load_id AS BLOB), count(*) FROM custody GROUP BY load_id"


def _may_be_an_id(name: bytes) -> bool:
    try:
        text = name.decode()
    except UnicodeDecodeError:
        return False
    return (
        text.isprintable() and "/" not in text and not text.startswith(".") and 0 < len(name) <= _ID_BYTES_MAX
    )


class CustodyRows:
    """The table of entries, and which loads' records have grown."""

    def __init__(self, database: Database) -> None:
        self._db = database
        self._changed: set[LoadId] = set()

    @staticmethod
    def addition(entry: Entry) -> Statement:
        """Statement and values that add an entry; one of its number that is there already is an error."""
        return _ADD, (entry.load_id, entry.number, entry.sha256, entry.line)

    def added(self, entries: Iterable[Entry]) -> None:
        with self._db.held():
            self._changed.update(entry.load_id for entry in entries)

    def take_changes(self) -> frozenset[LoadId]:
        with self._db.held():
            changed, self._changed = frozenset(self._changed), set()
        return changed

    def after(self, load_id: LoadId, number: int) -> tuple[Entry, ...]:
        with self._db.reading() as sql:
            rows = sql.execute(_AFTER, (load_id, number)).fetchall()
        return tuple(
            Entry(load_id=load_id, number=number, sha256=sha256.decode(errors="replace"), line=line)
            for number, sha256, line in rows
        )

    def mend(self, entries: Iterable[Entry]) -> None:
        with self._db.transaction() as sql:
            sql.executemany(_MEND, [(e.sha256, e.line, e.load_id, e.number) for e in entries])

    def lengths(self) -> dict[LoadId, int]:
        """Of each load. An id that is no file's name was damaged: its entries belong to another record, in
        which they are missed."""
        with self._db.reading() as sql:
            rows = sql.execute(_LENGTHS).fetchall()
        return {LoadId(name.decode()): count for name, count in rows if _may_be_an_id(name)}

    @staticmethod
    def forget(sql: sqlite3.Connection, load_id: LoadId) -> None:
        sql.execute("DELETE FROM custody WHERE load_id = ?", (load_id,))
