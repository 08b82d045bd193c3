"""The records of custody as rows: added with the decisions that they tell of, never changed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from ingestd.core.custody import Entry
from ingestd.core.model import LoadId
from ingestd.journal.database import Database
from ingestd.journal.outbox import Statement

_ADD = "INSERT INTO custody (load_id, number, sha256, line) VALUES (?, ?, ?, ?)"

_AFTER = """
SELECT number, CAST(sha256 AS BLOB), line FROM custody WHERE load_id = ? AND number > ? ORDER BY number
"""
"""As a BLOB: a text in which a bit has flipped may be no text, which SQLite's adapter gives an error for."""

_MEND = "UPDATE custody SET sha256 = ?, line = ? WHERE load_id = ? AND number = ?"

_LENGTHS = "SELECT load_id, count(*) FROM custody GROUP BY load_id"


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
        with self._db.reading() as sql:
            return {LoadId(load_id): count for load_id, count in sql.execute(_LENGTHS)}

    @staticmethod
    def forget(sql: sqlite3.Connection, load_id: LoadId) -> None:
        sql.execute("DELETE FROM custody WHERE load_id = ?", (load_id,))
