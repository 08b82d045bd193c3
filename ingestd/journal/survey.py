"""A survey's batches: what is new, what is as it was, what is different, what is gone."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager

from ingestd.journal.rows import (
    ENTRY_NAMES,
    Numbers,
    Row,
    entry_row,
    read_numbers,
    write_numbers,
)
from ingestd.ports import Cancelled, FileEntry, SurveyDifferences

Writing = Callable[[], AbstractContextManager[sqlite3.Connection]]

DIFFERENCES_MAX = 20
"""How many paths of a kind `end_survey` lists."""

_WINDOW_ROWS = 10_000
"""How many rows one transaction of `end_survey` looks at."""


def _as_it_was(new: str) -> str:
    """The condition under which a known file, found again with the facts in `new`, keeps state and sums."""
    return (
        f"size_bytes = {new}size_bytes AND mtime_ns = {new}mtime_ns AND (state = 'stored'"
        f" OR (state = 'skipped' AND {new}state = 'skipped' AND reason = {new}reason)"
        f" OR (state IN ('pending', 'failed') AND {new}state = 'pending'))"
    )


_ADD = f"""
INSERT INTO files ({", ".join(ENTRY_NAMES)}) VALUES ({", ".join("?" * len(ENTRY_NAMES))})
ON CONFLICT (load, volume, path) DO UPDATE SET seen = excluded.seen,
    inode = excluded.inode, place = excluded.place, guard = excluded.guard, listed = 0
WHERE {_as_it_was("excluded.")}
"""  # noqa: S608 - made of constants

_FOLLOW = f"""
UPDATE files SET seen = :seen, changed = changed OR state = 'stored', state = :state, reason = :reason,
    size_bytes = :size_bytes, mtime_ns = :mtime_ns, inode = :inode, place = :place, guard = :guard,
    listed = 0
WHERE load = :load AND volume = :volume AND path = :path AND NOT ({_as_it_was(":")})
RETURNING file_no
"""  # noqa: S608 - made of constants
"""What lies in the store of the file as it was stays on record, until it has been removed."""

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


def begin(sql: sqlite3.Connection, load: int) -> int:
    """The number of the survey that runs from now on."""
    numbers = read_numbers(sql, load)
    write_numbers(sql, load, numbers._replace(survey=numbers.survey + 1))
    return numbers.survey + 1


def running(sql: sqlite3.Connection, load: int, survey: int | None) -> Numbers:
    """What the manifest counts. Raises Cancelled when another survey runs than this one, None for any."""
    numbers = read_numbers(sql, load)
    if survey not in (None, numbers.survey):
        raise Cancelled
    return numbers


def add(sql: sqlite3.Connection, load: int, entries: Sequence[FileEntry], survey: int | None) -> None:
    numbers = running(sql, load, survey)
    rows = [
        entry_row(load, file_no, numbers.survey, entry)
        for file_no, entry in enumerate(entries, numbers.next_file_no)
    ]
    taken = sql.executemany(_ADD, rows).rowcount
    if taken < len(rows):
        for row in rows:
            _follow(sql, row)
    write_numbers(sql, load, numbers._replace(next_file_no=numbers.next_file_no + len(rows)))


def _follow(sql: sqlite3.Connection, row: Row) -> None:
    """Let a known file that is not as it was begin anew; what an upload of it had sent is void."""
    values = dict(zip(ENTRY_NAMES, row, strict=True))
    for (file_no,) in sql.execute(_FOLLOW, values).fetchall():
        sql.execute("DELETE FROM uploads WHERE load = ? AND file_no = ?", (values["load"], file_no))


def end(writing: Writing, load: int, survey: int | None) -> SurveyDifferences:
    """Close a survey window by window; `writing` begins a transaction for each."""
    after: int | None = -1
    while after is not None:
        with writing() as sql:
            survey = running(sql, load, survey).survey
            after = _close_window(sql, load, survey, after)
    with writing() as sql:
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
