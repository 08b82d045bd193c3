"""What is said of files' content: attached as a survey reads it, and read with the files."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager

from ingestd.journal.rows import said, said_guard
from ingestd.journal.survey import running
from ingestd.ports import Expectation, Said, Unmet

_FILE = """
SELECT file_no, listed FROM paths JOIN files USING (load, file_no)
WHERE paths.load = ? AND paths.volume = ? AND paths.path = ? AND seen = ?
"""
_LISTED = "UPDATE files SET listed = listed | ? WHERE load = ? AND file_no = ?"

_SAID = "SELECT algorithm, digest FROM expected WHERE load = ? AND file_no = ? AND algorithm = ? AND seen = ?"
_SAY = """
INSERT INTO expected (load, file_no, algorithm, digest, source, seen, guard) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET seen = excluded.seen, source = excluded.source, guard = excluded.guard,
    met = CASE WHEN met = guard THEN excluded.guard END
"""
_TELLING = 2
"""No file has two digests by one algorithm, so that a third would say nothing new."""

_MET = "UPDATE expected SET met = guard WHERE load = ? AND file_no = ?"

_OF_FILES = """
SELECT file_no, algorithm, digest, source, guard FROM expected
WHERE load = ? AND file_no IN (SELECT value FROM json_each(?))
ORDER BY file_no, source <> 'notice', algorithm, digest
"""

_BELOW = """
FROM paths CROSS JOIN files USING (load, file_no)
WHERE paths.load = ? AND paths.volume = ? AND paths.path > ? AND paths.path <= ? AND seen = ?
"""
_UNLISTED = f"{_BELOW} AND (listed & ? = ?) = ?"
_SUM = f"SELECT count(*), sum(size_bytes >> 32), sum(size_bytes & 0xffffffff) {_BELOW}"

_WINDOW_END = """
SELECT max(path) FROM (
    SELECT path FROM paths WHERE load = ? AND volume = ? AND path > ? AND path < ? ORDER BY path LIMIT ?)
"""
_WINDOW_ROWS = 10_000
"""How many files of a bag are looked at while nobody else has the journal."""

Reading = Callable[[], AbstractContextManager[sqlite3.Connection]]


def expect(
    sql: sqlite3.Connection, load: int, expected: Sequence[Expectation], survey: int | None, listed_by: int
) -> Unmet:
    number = running(sql, load, survey).survey
    missing, repeated = list[bytes](), list[bytes]()
    for volume, path, one in expected:
        row = sql.execute(_FILE, (load, volume, path, number)).fetchone()
        if row is None:
            missing.append(path)
            continue
        file_no, listed = row
        if listed & listed_by:
            repeated.append(path)
        elif listed_by:
            sql.execute(_LISTED, (listed_by, load, file_no))
        _say(sql, load, file_no, one, number)
    return Unmet(missing, repeated)


def _say(sql: sqlite3.Connection, load: int, file_no: int, one: Said, survey: int) -> None:
    before = sql.execute(_SAID, (load, file_no, one.algorithm, survey)).fetchall()
    if len(before) < _TELLING and (one.algorithm, one.digest) not in before:
        sql.execute(_SAY, (load, file_no, *one, survey, said_guard(file_no, one)))


def met(sql: sqlite3.Connection, load: int, file_nos: Iterable[int]) -> None:
    """These files were stored, held against all that is said of them."""
    sql.executemany(_MET, [(load, file_no) for file_no in file_nos])


def of_files(sql: sqlite3.Connection, load: int, file_nos: Sequence[int]) -> dict[int, tuple[Said, ...]]:
    """Raises JournalError for a row that is not what was written."""
    found: dict[int, tuple[Said, ...]] = {}
    for file_no, *row in sql.execute(_OF_FILES, (load, json.dumps(file_nos))):
        found[file_no] = (*found.get(file_no, ()), said(file_no, *row))
    return found


def unlisted(
    reading: Reading,
    load: int,
    where: tuple[str, bytes],
    survey: int | None,
    wanting: tuple[int, int, bool],
    limit: int,
) -> tuple[int, list[bytes]]:
    """`wanting`: the bits looked at, with what, and whether having that is what is looked for, or not."""
    counts, found = list[int](), list[bytes]()

    def look(sql: sqlite3.Connection, window: _Window) -> None:
        values = (*window, *wanting)
        counts.append(sql.execute(f"SELECT count(*) {_UNLISTED}", values).fetchone()[0])
        paths = sql.execute(
            f"SELECT paths.path {_UNLISTED} ORDER BY paths.path LIMIT ?", (*values, limit - len(found))
        )
        found.extend(path for (path,) in paths)

    _each_window(reading, load, where, survey, look)
    return sum(counts), found


def sum_below(reading: Reading, load: int, where: tuple[str, bytes], survey: int | None) -> tuple[int, int]:
    sums = list[tuple[int, int]]()

    def look(sql: sqlite3.Connection, window: _Window) -> None:
        files, high, low = sql.execute(_SUM, window).fetchone()
        sums.append((files, ((high or 0) << 32) + (low or 0)))

    _each_window(reading, load, where, survey, look)
    return sum(files for files, _ in sums), sum(size_bytes for _, size_bytes in sums)


_Window = tuple[int, str, bytes, bytes, int]
"""Load, volume, the path behind which it begins, its last path, and the survey."""


def _each_window(
    reading: Reading,
    load: int,
    where: tuple[str, bytes],
    survey: int | None,
    look: Callable[[sqlite3.Connection, _Window], None],
) -> None:
    """Look at what lies below a folder, a window at a time, between which others have their turn."""
    volume, folder = where
    after, end = folder + b"/", folder + b"0"
    while True:
        with reading() as sql:
            number = running(sql, load, survey).survey
            last: bytes | None = sql.execute(
                _WINDOW_END, (load, volume, after, end, _WINDOW_ROWS)
            ).fetchone()[0]
            if last is None:
                return
            look(sql, (load, volume, after, last, number))
        after = last
