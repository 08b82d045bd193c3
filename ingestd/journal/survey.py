"""A survey's batches: what is new, what is as it was, what is different, what is gone.

The first survey of a load only appends: the walk tells each path once. What is asked for by path (by checksum
lists, bags, or another survey) is looked up in `paths`, which is filled when it is first needed, window by
window, in the order of the paths. Both together cost half of keeping an index in step from the first file on.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from functools import cache
from itertools import chain, groupby
from operator import itemgetter

from ingestd.journal.rows import (
    ENTRY_NAMES,
    Numbers,
    Row,
    entry_rows,
    read_numbers,
    write_numbers,
)
from ingestd.ports import Cancelled, FileEntry, SurveyDifferences

Writing = Callable[[], AbstractContextManager[sqlite3.Connection]]

DIFFERENCES_MAX = 20
"""How many paths of a kind `end_survey` lists."""

_WINDOW_ROWS = 10_000
"""How many rows are looked at while nobody else has the journal."""

_TOGETHER = (250, 10, 1)
"""How many rows one statement puts in. With many SQLite is quicker, and longer off the interpreter's lock."""

_SHARED = ("load", "seen", "state", "reason", "volume", "file_no")
"""Columns that rows put in together share, but that each has the next number."""


@cache
def _insert(table: str, rows: int) -> str:
    first = len(_SHARED)
    shared = ", ".join(f"?{n}" for n in range(1, first))
    values = (
        f"({shared}, ?{first} + {row}, "
        + ", ".join(f"?{first + row * len(ENTRY_NAMES) + n}" for n in range(1, len(ENTRY_NAMES) + 1))
        + ")"
        for row in range(rows)
    )
    names = ", ".join((*_SHARED, *ENTRY_NAMES))
    return f"INSERT INTO {table} ({names}) VALUES {', '.join(values)}"  # noqa: S608 - made of constants


_MAKE_BATCH = f"""
CREATE TEMP TABLE IF NOT EXISTS batch ({", ".join((*_SHARED, *ENTRY_NAMES))}, known)
"""
"""Entries beside the files that are known; `known` is the number of the file at that path. In memory."""

_NEW_PATHS = """
INSERT OR IGNORE INTO paths (load, volume, path, file_no)
SELECT load, volume, path, file_no FROM batch ORDER BY volume, path, file_no
"""

_KNOWN = """
UPDATE batch SET known = (SELECT paths.file_no FROM paths
    WHERE paths.load = batch.load AND paths.volume = batch.volume AND paths.path = batch.path)
"""

_NEW_FILES = f"""
INSERT INTO files ({", ".join((*_SHARED, *ENTRY_NAMES))})
SELECT {", ".join((*_SHARED, *ENTRY_NAMES))} FROM batch WHERE known = file_no ORDER BY file_no
"""  # noqa: S608 - made of constants

_AS_IT_WAS = """
files.size_bytes = new.size_bytes AND files.mtime_ns = new.mtime_ns AND (files.state = 'stored'
    OR (files.state = 'skipped' AND new.state = 'skipped' AND files.reason = new.reason)
    OR (files.state IN ('pending', 'failed') AND new.state = 'pending'))
"""
"""The condition under which a known file that is found again keeps state and sums."""

_KEEP = f"""
UPDATE files SET seen = new.seen, inode = new.inode, place = new.place, guard = new.guard, listed = 0
FROM batch AS new WHERE files.load = new.load AND files.file_no = new.known AND new.known <> new.file_no
    AND {_AS_IT_WAS}
"""  # noqa: S608 - made of constants

_FOLLOW = f"""
UPDATE files SET seen = new.seen, changed = files.changed OR files.state = 'stored', state = new.state,
    reason = new.reason, size_bytes = new.size_bytes, mtime_ns = new.mtime_ns, inode = new.inode,
    place = new.place, guard = new.guard, listed = 0
FROM batch AS new WHERE files.load = new.load AND files.file_no = new.known AND new.known <> new.file_no
    AND NOT ({_AS_IT_WAS})
RETURNING load, file_no
"""  # noqa: S608 - made of constants
"""A known file that is not as it was begins anew, and what an upload of it had sent is void. What lies in the
store of the file as it was stays on record, until it has been removed."""

_IN_WINDOW = "load = ?1 AND file_no >= ?2 AND file_no < ?3"
_COUNT = f"SELECT count(*) FROM files WHERE {_IN_WINDOW}"  # noqa: S608 - made of constants
_INDEX = f"""
INSERT OR IGNORE INTO paths (load, volume, path, file_no)
SELECT load, volume, path, file_no FROM files WHERE {_IN_WINDOW} ORDER BY volume, path, file_no
"""  # noqa: S608 - made of constants
_DROP_REPEATED = f"""
DELETE FROM files WHERE {_IN_WINDOW} AND file_no <> (SELECT paths.file_no FROM paths
    WHERE paths.load = files.load AND paths.volume = files.volume AND paths.path = files.path)
"""  # noqa: S608 - made of constants

_WRONG_PATH = """
SELECT 1 FROM paths LEFT JOIN files USING (load, file_no)
WHERE files.path IS NOT paths.path OR files.volume IS NOT paths.volume LIMIT 1
"""
_PATHS_MISSING = """
SELECT 1 FROM manifests WHERE (SELECT count(*) FROM paths WHERE paths.load = manifests.load)
    <> (SELECT count(*) FROM files WHERE files.load = manifests.load AND file_no < indexed) LIMIT 1
"""
_DROP_WRONG_TURNS = """
DELETE FROM turns WHERE load IN (
    SELECT load FROM turns LEFT JOIN files USING (load, place, file_no) GROUP BY load
    HAVING count(*) FILTER (WHERE state NOT IN ('skipped', 'gone')) <> count(*) OR count(*) <> (
        SELECT count(*) FROM files AS all_files
        WHERE all_files.load = turns.load AND state NOT IN ('skipped', 'gone')))
"""

_ANY_PLACE = "SELECT 1 FROM files WHERE load = ? AND place > 0 LIMIT 1"
_DROP_TURNS = """
DELETE FROM turns WHERE load = ?1 AND (place, file_no) IN (
    SELECT place, file_no FROM turns WHERE load = ?1 ORDER BY place, file_no LIMIT ?2)
"""
_FILL_TURNS = f"""
INSERT OR IGNORE INTO turns (load, place, file_no)
SELECT load, place, file_no FROM files WHERE {_IN_WINDOW} AND state NOT IN ('skipped', 'gone')
ORDER BY place, file_no
"""  # noqa: S608 - made of constants

_WINDOW_END = """
SELECT max(file_no) FROM (SELECT file_no FROM files WHERE load = ? AND file_no > ? ORDER BY file_no LIMIT ?)
"""

_KEEP_LEFT = """
UPDATE files SET state = 'gone' WHERE load = ? AND file_no > ? AND file_no <= ? AND seen <> ?
    AND state <> 'stored' AND key IS NOT NULL
"""

_DROP_UNSEEN = """
DELETE FROM files WHERE load = ? AND file_no > ? AND file_no <= ? AND seen <> ?
    AND state NOT IN ('stored', 'gone')
"""

_FORGET_SAID = "DELETE FROM expected WHERE load = ? AND file_no > ? AND file_no <= ? AND seen <> ?"

_STORE_ANEW = """
UPDATE files SET state = 'pending' WHERE load = ? AND file_no > ? AND file_no <= ? AND seen = ?
    AND state = 'stored' AND EXISTS (
        SELECT 1 FROM expected WHERE expected.load = files.load AND expected.file_no = files.file_no
            AND met IS NOT expected.guard AND NOT (algorithm = 'sha256' AND digest = sha256))
"""

_CLOSING = (_KEEP_LEFT, _DROP_UNSEEN, _FORGET_SAID, _STORE_ANEW)
"""What is done to each window of rows at the end of a survey."""

_GONE = "state = 'stored' AND seen <> :survey"
_CHANGED = "changed = 1"


def check_copies(sql: sqlite3.Connection) -> bool:
    """Whether `paths` has what the files have, as SQLite compares an index with its table. A reading order
    that is not that of the files, as after a survey that was broken off, is given up: there is another."""
    sql.execute(_DROP_WRONG_TURNS)
    return not any(sql.execute(statement).fetchone() for statement in (_WRONG_PATH, _PATHS_MISSING))


def begin(sql: sqlite3.Connection, load: int) -> Numbers:
    """The survey that runs from now on."""
    numbers = read_numbers(sql, load)
    numbers = numbers._replace(survey=numbers.survey + 1)
    write_numbers(sql, load, numbers)
    return numbers


def running(sql: sqlite3.Connection, load: int, survey: int | None) -> Numbers:
    """What the manifest counts. Raises Cancelled when another survey runs than this one, None for any."""
    numbers = read_numbers(sql, load)
    if survey not in (None, numbers.survey):
        raise Cancelled
    return numbers


def append(sql: sqlite3.Connection, load: int, entries: Sequence[FileEntry], survey: int | None) -> int:
    """Put in files of a manifest that had none when this survey began; the number of the next file."""
    numbers = running(sql, load, survey)
    _put(sql, "files", load, entries, numbers)
    next_file_no = numbers.next_file_no + len(entries)
    write_numbers(sql, load, numbers._replace(next_file_no=next_file_no))
    return next_file_no


def compare(sql: sqlite3.Connection, load: int, entries: Sequence[FileEntry], survey: int | None) -> None:
    """Put in what is new, and let known files be seen. Every file has to be indexed before."""
    numbers = running(sql, load, survey)
    sql.execute(_MAKE_BATCH)
    _put(sql, "batch", load, entries, numbers)
    for statement in (_NEW_PATHS, _KNOWN, _NEW_FILES, _KEEP):
        sql.execute(statement)
    for different in sql.execute(_FOLLOW).fetchall():
        sql.execute("DELETE FROM uploads WHERE load = ? AND file_no = ?", different)
    sql.execute("DELETE FROM batch")
    next_file_no = numbers.next_file_no + len(entries)
    write_numbers(sql, load, numbers._replace(next_file_no=next_file_no, indexed=next_file_no))


def _put(
    sql: sqlite3.Connection, table: str, load: int, entries: Sequence[FileEntry], numbers: Numbers
) -> None:
    file_no = numbers.next_file_no
    for (volume, skip), group in groupby(entries, itemgetter(0, 5)):
        shared = (load, numbers.survey, "skipped" if skip else "pending", skip, volume)
        for rows in _in_parts(entry_rows(list(group))):
            sql.execute(_insert(table, len(rows)), (*shared, file_no, *chain.from_iterable(rows)))
            file_no += len(rows)


def _in_parts(rows: Sequence[Row]) -> Iterator[Sequence[Row]]:
    at = 0
    for together in _TOGETHER:
        while len(rows) - at >= together:
            yield rows[at : at + together]
            at += together


def index(writing: Writing, load: int, survey: int | None) -> None:
    """Let every file be found by its path, window by window. Of files of one path, which a damaged folder
    may list, the first stays."""
    while True:
        with writing() as sql:
            numbers = running(sql, load, survey)
            if numbers.indexed == numbers.next_file_no:
                return
            upto = min(numbers.indexed + _WINDOW_ROWS, numbers.next_file_no)
            window = (load, numbers.indexed, upto)
            (files,) = sql.execute(_COUNT, window).fetchone()
            if sql.execute(_INDEX, window).rowcount < files:
                sql.execute(_DROP_REPEATED, window)
            write_numbers(sql, load, numbers._replace(indexed=upto))


def close(writing: Writing, load: int, survey: int | None) -> None:
    """Drop what a survey has not seen, window by window; `writing` begins a transaction for each."""
    after: int | None = -1
    while after is not None:
        with writing() as sql:
            survey = running(sql, load, survey).survey
            after = _close_window(sql, load, survey, after)


def take_turns(writing: Writing, load: int, survey: int | None, placed: bool | None) -> None:
    """Fix the order in which files are read, which is that of the survey unless one of them has a place:
    `placed`, or None where that is not known."""
    with writing() as sql:
        next_file_no = running(sql, load, survey).next_file_no
        if placed is None:
            placed = sql.execute(_ANY_PLACE, (load,)).fetchone() is not None
    dropped = _WINDOW_ROWS
    while dropped == _WINDOW_ROWS:
        with writing() as sql:
            running(sql, load, survey)
            dropped = sql.execute(_DROP_TURNS, (load, _WINDOW_ROWS)).rowcount
    if placed:
        add_turns(writing, load, survey, 0, next_file_no)


def add_turns(writing: Writing, load: int, survey: int | None, first: int, upto: int) -> None:
    """Give their turns to the files of these numbers, window by window."""
    for begin in range(first, upto, _WINDOW_ROWS):
        with writing() as sql:
            running(sql, load, survey)
            sql.execute(_FILL_TURNS, (load, begin, min(begin + _WINDOW_ROWS, upto)))


def differences(sql: sqlite3.Connection, load: int, survey: int | None) -> SurveyDifferences:
    survey = running(sql, load, survey).survey
    gone, gone_count = _differences(sql, load, survey, _GONE)
    changed, changed_count = _differences(sql, load, survey, _CHANGED)
    return SurveyDifferences(gone=gone, changed=changed, count=gone_count + changed_count)


def _close_window(sql: sqlite3.Connection, load: int, survey: int, after: int) -> int | None:
    """Drop what this survey has not seen from one window of rows; where the next window begins."""
    window_end: int | None = sql.execute(_WINDOW_END, (load, after, _WINDOW_ROWS)).fetchone()[0]
    if window_end is not None:
        for statement in _CLOSING:
            sql.execute(statement, (load, after, window_end, survey))
    return window_end


def _differences(
    sql: sqlite3.Connection, load: int, survey: int, condition: str
) -> tuple[tuple[bytes, ...], int]:
    """The first paths for which the condition holds, and for how many it does."""
    where = f"FROM files WHERE load = :load AND {condition}"
    values = {"load": load, "survey": survey}
    count: int = sql.execute(f"SELECT count(*) {where}", values).fetchone()[0]
    if not count:
        return (), 0
    paths = sql.execute(f"SELECT path {where} ORDER BY file_no LIMIT {DIFFERENCES_MAX}", values)
    return tuple(path for (path,) in paths), count
