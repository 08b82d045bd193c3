"""Outgoing events from the moment they are decided until the bus has them."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Collection, Iterator, Sequence

from ingestd.core.outgoing import Publish
from ingestd.journal.codec import guard
from ingestd.journal.database import Database
from ingestd.journal.words import damaged
from ingestd.ports import OutboxEntry

_PUT = """
INSERT INTO outbox (event_id, subject, type, at, guard, body) VALUES (?, ?, ?, ?, ?, ?)
"""

_PUT_OFF = """
INSERT INTO unsaid (event_id, subject, type, at, guard, body, due_at) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (event_id) DO UPDATE SET due_at = excluded.due_at
"""

_PUT_AFTER_ALL = """
INSERT OR IGNORE INTO outbox (event_id, subject, type, at, guard, body)
SELECT event_id, subject, type, ?, guard, body FROM unsaid WHERE event_id = ?
"""

_DROP = "DELETE FROM unsaid WHERE event_id = ?"

Statement = tuple[str, tuple[object, ...]]
"""SQL and its values."""

ADDITIONS = frozenset((_PUT, _PUT_AFTER_ALL))
"""Statements whose rows are new events in the outbox."""

_UNSENT = """
SELECT sequence, event_id, subject, type, body, guard FROM outbox
WHERE sent = 0 AND subject NOT IN (SELECT value FROM json_each(?)) ORDER BY sequence LIMIT ?
"""

_MARK_SENT = "UPDATE outbox SET sent = 1 WHERE sequence = ? AND sent = 0"

_OLDEST = "SELECT at FROM outbox WHERE sent = 0 ORDER BY sequence LIMIT 1"

_PRUNE = """
DELETE FROM outbox WHERE sequence IN (
    SELECT sequence FROM outbox WHERE sent = 1 AND at < ? ORDER BY at LIMIT ?)
"""


class Outbox:
    """Events in the order of their commits. How many are unsent is known without asking the database."""

    def __init__(self, database: Database) -> None:
        self._db = database
        self._changed = threading.Condition()
        self._closed = False
        with database.reading() as sql:
            self._count: int = sql.execute("SELECT count(*) FROM outbox WHERE sent = 0").fetchone()[0]
            self._oldest_at = _oldest_at(sql)

    @staticmethod
    def addition(event: Publish, body: bytes, at: float) -> Statement:
        """Statement and values that put an event into the outbox; `added` is to follow their commit."""
        head = event.event_id, event.subject, event.body.TYPE
        return _PUT, (*head, at, _guard(*head, body), body)

    @staticmethod
    def put_off(event: Publish, body: bytes, at: float, due_at: float) -> Statement:
        """The same for one that is said at `due_at`, unless another station says it first."""
        head = event.event_id, event.subject, event.body.TYPE
        return _PUT_OFF, (*head, at, _guard(*head, body), body, due_at)

    @classmethod
    def said_after_all(cls, event_id: str, at: float) -> Iterator[Statement]:
        """Nobody has said it: it goes into the outbox, once, whatever number of times it is asked for."""
        yield _PUT_AFTER_ALL, (at, event_id)
        yield cls.dropped(event_id)

    @staticmethod
    def dropped(event_id: str) -> Statement:
        """Another station has said it."""
        return _DROP, (event_id,)

    def added(self, count: int, at: float) -> None:
        """So many were committed at `at`: wake who waits for something to send."""
        if count:
            with self._changed:
                self._oldest_at = at if self._count == 0 else self._oldest_at
                self._count += count
                self._changed.notify_all()

    def unsent(self, limit: int, without: Collection[str] = ()) -> list[OutboxEntry]:
        with self._db.reading() as sql:
            rows = sql.execute(_UNSENT, (json.dumps(list(without)), limit)).fetchall()
        for sequence, *content, mark in rows:
            if _guard(*content) != mark:
                raise damaged(f"event {sequence} of the outbox")
        return [OutboxEntry(*row[:5]) for row in rows]

    def mark_sent(self, sequences: Sequence[int]) -> None:
        """The bus has these. Said twice it changes nothing."""
        if not sequences:
            return
        with self._db.held():
            with self._db.transaction() as sql:
                marked = sql.executemany(_MARK_SENT, [(sequence,) for sequence in sequences]).rowcount
                oldest_at = _oldest_at(sql)
            with self._changed:
                self._count -= marked
                self._oldest_at = oldest_at

    def depth(self) -> tuple[int, float | None]:
        """How many are unsent, and when the oldest of them was committed. Never waits for the disk."""
        with self._changed:
            return self._count, self._oldest_at

    def wait(self, timeout_s: float) -> bool:
        """Wait until something is unsent; whether it is."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._count > 0, timeout_s)
            return not self._closed and self._count > 0

    def prune(self, sql: sqlite3.Connection, before: float, limit: int) -> int:
        return sql.execute(_PRUNE, (before, limit)).rowcount

    def close(self) -> None:
        """Let go of who waits."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()


def _oldest_at(sql: sqlite3.Connection) -> float | None:
    row = sql.execute(_OLDEST).fetchone()
    return row[0] if row else None


def _guard(event_id: str, subject: str, kind: str, body: bytes) -> int:
    return guard(f"{event_id}\0{subject}\0{kind}\0".encode(), body)
