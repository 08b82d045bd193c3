"""The journal's schema: numbered SQL files, each run once, in one transaction."""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

from ingestd.journal import words

APPLICATION_ID = int.from_bytes(b"ingj")
"""Stands in the database's header and tells our journal from anybody else's SQLite file."""

_NAME = re.compile(r"(\d{4})_[a-z0-9_]+\.sql")


@dataclass(frozen=True, slots=True)
class Migration:
    """Takes a journal from schema `number - 1` to schema `number`."""

    number: int
    name: str
    sql: str


def shipped_migrations() -> tuple[Migration, ...]:
    """The migrations that belong to this version, in order, without a gap."""
    folder = resources.files(__package__) / "migrations"
    found = [
        Migration(int(match[1]), entry.name, entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if (match := _NAME.fullmatch(entry.name))
    ]
    found.sort(key=lambda migration: migration.number)
    assert [m.number for m in found] == list(range(1, len(found) + 1)), "migrations leave a gap"
    return tuple(found)


def schema_of(sql: sqlite3.Connection, path: str, known: int) -> int:
    """The schema number of a database, 0 for one that has nothing in it yet.

    Raises JournalError for anything that is not a journal, or is one from the future. Changes nothing.
    """
    application, version, objects = (
        sql.execute(question).fetchone()[0]
        for question in ("PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_master")
    )
    if application == version == objects == 0:
        return 0
    if application != APPLICATION_ID or version < 1:
        raise words.not_ours(path)
    if version > known:
        raise words.too_new(path, version, known)
    return int(version)


def migrate(sql: sqlite3.Connection, version: int, migrations: Sequence[Migration]) -> None:
    """Run what comes after schema `version`. A migration that fails leaves nothing behind."""
    for migration in migrations[version:]:
        try:
            sql.executescript(
                f"BEGIN IMMEDIATE;\n{migration.sql}\n"
                f"PRAGMA application_id = {APPLICATION_ID};\n"
                f"PRAGMA user_version = {migration.number};\n"
                f"COMMIT;"
            )
        except sqlite3.Error:
            if sql.in_transaction:
                sql.execute("ROLLBACK")
            raise


def check_schema(sql: sqlite3.Connection, path: str, migrations: Sequence[Migration]) -> None:
    """Raise JournalError unless tables and indexes are, word for word, what the migrations make.

    SQLite's own checks believe the schema that they find: a constraint may be gone by a flipped bit.
    """
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as model:
        migrate(model, 0, migrations)
        made = _objects(model)
    if _objects(sql) != made:
        raise words.malformed(path, "its tables are not as they were made")


def _objects(sql: sqlite3.Connection) -> list[tuple[object, ...]]:
    return sql.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE name NOT GLOB 'sqlite_*' ORDER BY name"
    ).fetchall()
