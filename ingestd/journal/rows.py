"""Manifest rows to values and back, each value borne out by its guard."""

from __future__ import annotations

import contextlib
import sqlite3
import struct
from collections.abc import Sequence
from typing import Any, NamedTuple
from zlib import crc32

from ingestd.core.digests import SHA256
from ingestd.journal.codec import guard
from ingestd.journal.words import damaged
from ingestd.ports import FileEntry, JournalError, LeftFile, PendingFile, Said, StoredFile

Row = tuple[Any, ...]
"""As SQLite takes and gives it, in the order of the columns named below."""

ENTRY_NAMES = ("path", "size_bytes", "mtime_ns", "inode", "guard", "place")
"""Columns of the rows that `entry_rows` makes."""

FACT_NAMES = "files.file_no, volume, path, size_bytes, mtime_ns, inode, files.guard"
"""Columns that every row to be read back begins with."""


class Numbers(NamedTuple):
    """What a manifest counts."""

    survey: int = 0
    """The running survey, or the last one."""
    next_file_no: int = 0
    attempt: int = -1
    """The one that has claimed the manifest."""
    indexed: int = 0
    """Files with numbers below this one can be found by their paths."""


def read_numbers(sql: sqlite3.Connection, load: int) -> Numbers:
    """Raises JournalError when the manifest has been forgotten, or its row is not what was written."""
    row = sql.execute(
        "SELECT survey, next_file_no, attempt, indexed, guard FROM manifests"
        " WHERE load = ? AND load_id IS NOT NULL",
        (load,),
    ).fetchone()
    if row is None:
        raise JournalError(
            "this manifest has been forgotten, since its load is over; this is an error in ingestd"
        )
    numbers = Numbers(*row[:4])
    if _numbers_guard(numbers) != row[4]:
        raise damaged("the row of a manifest")
    return numbers


def write_numbers(sql: sqlite3.Connection, load: int, numbers: Numbers) -> None:
    sql.execute(
        "UPDATE manifests SET survey = ?, next_file_no = ?, attempt = ?, indexed = ?, guard = ?"
        " WHERE load = ?",
        (*numbers, _numbers_guard(numbers), load),
    )


def entry_rows(entries: Sequence[FileEntry]) -> list[Row]:
    """A row of ENTRY_NAMES for each. Made column by column: there may be millions."""
    volumes, paths, sizes, all_times, all_inodes, _, places = zip(*entries, strict=True)
    times, inodes = _all_fitting(all_times), _all_fitting(all_inodes)
    begun = {volume: crc32(volume.encode()) for volume in set(volumes)}
    try:
        guards = [
            crc32(path, crc32(_PACK(size_bytes, mtime_ns, inode), begun[volume]))
            for volume, path, size_bytes, mtime_ns, inode in zip(
                volumes, paths, sizes, times, inodes, strict=True
            )
        ]
    except struct.error:
        facts = zip(volumes, paths, sizes, times, inodes, strict=True)
        guards = [_facts_guard(*each) for each in facts]
    return list(zip(paths, sizes, times, inodes, guards, places, strict=True))


def pending_file(row: Row, expected: tuple[Said, ...]) -> PendingFile:
    """Raises JournalError for a row that is not what was written."""
    file_no, volume, path, size_bytes, mtime_ns, inode, mark, *rest = row
    left, upload = rest[:4], rest[4:]
    _require(_are_facts(mark, volume, path, size_bytes, mtime_ns, inode), file_no)
    _require(left[1] is None or stored_guard(*left[:3]) == left[3], file_no)
    ours = left[1] is not None and not left[0]
    token, part_bytes = (None, None) if upload[0] is None else sound_upload(file_no, *upload)
    return PendingFile(
        file_no=file_no,
        volume=volume,
        path=path,
        size_bytes=size_bytes,
        mtime_ns=int(mtime_ns),
        inode=int(inode),
        expected=expected,
        upload_token=token,
        part_bytes=part_bytes,
        left_sha256=left[1] if ours else None,
        left_key=left[2] if ours else None,
    )


def said(file_no: int, algorithm: str, digest: bytes, by: str, mark: int) -> Said:
    """Raises JournalError for a row that is not what was written."""
    known = Said(algorithm, digest, by)
    as_before = algorithm == SHA256 and mark == guard(digest, by.encode())
    _require(as_before or mark == said_guard(file_no, known), file_no)
    return known


def upload_row(load: int, file_no: int, token: str, part_bytes: int) -> Row:
    return load, file_no, token, part_bytes, _upload_guard(file_no, token, part_bytes)


def sound_upload(file_no: int, token: str, part_bytes: int, mark: int) -> tuple[str, int]:
    """Token and size of parts. Raises JournalError for an upload that is not what was written."""
    if _upload_guard(file_no, token, part_bytes) != mark:
        raise damaged(f"the row of the upload of file {file_no}")
    return token, part_bytes


def stored_file(row: Row) -> StoredFile:
    """Raises JournalError for a row that is not what was written."""
    file_no, volume, path, size_bytes, mtime_ns, inode, mark, found, sha256, key, stored_mark = row
    _require(_are_facts(mark, volume, path, size_bytes, mtime_ns, inode), file_no)
    _require(stored_guard(found, sha256, key) == stored_mark, file_no)
    return StoredFile(file_no, volume, path, size_bytes, sha256, key, bool(found))


def left_file(row: Row) -> LeftFile:
    """Raises JournalError for a row that is not what was written."""
    file_no, state, found, sha256, key, stored_mark = row
    _require(stored_guard(found, sha256, key) == stored_mark, file_no)
    return LeftFile(file_no, sha256, key, pending=state == "pending")


def stored_guard(found: int, sha256: bytes, key: bytes) -> int:
    return guard(b"found " if found else b"", sha256, key)


def said_guard(file_no: int, said: Said) -> int:
    return guard(f"{file_no} {said.algorithm} ".encode(), said.digest, said.by.encode())


def _upload_guard(file_no: int, token: str, part_bytes: int) -> int:
    return guard(f"{file_no} {part_bytes} {token}".encode())


def _numbers_guard(numbers: Numbers) -> int:
    # Without paths as it was before there was such a number.
    return guard(" ".join(map(str, numbers if numbers.indexed else numbers[:3])).encode())


def _all_fitting(numbers: Sequence[int]) -> Sequence[int | str]:
    """As SQLite can keep them: inode numbers have no sign, and a hostile time stamp can lie anywhere."""
    if min(numbers) >= -(1 << 63) and max(numbers) < 1 << 63:
        return numbers
    return [number if -(1 << 63) <= number < 1 << 63 else str(number) for number in numbers]


_PACK = struct.Struct("<qqq").pack


def _facts_guard(volume: str, path: bytes, size_bytes: int, mtime_ns: int | str, inode: int | str) -> int:
    return guard(f"{size_bytes} {mtime_ns} {inode} {volume}\0".encode(), path)


def _are_facts(
    mark: int, volume: str, path: bytes, size_bytes: int, mtime_ns: int | str, inode: int | str
) -> bool:
    """Whether this guard stands for them: the quick one, or for numbers that do not fit, and as it was
    before, the one of their digits."""
    with contextlib.suppress(struct.error):
        if guard(volume.encode(), _PACK(size_bytes, mtime_ns, inode), path) == mark:
            return True
    return _facts_guard(volume, path, size_bytes, mtime_ns, inode) == mark


def _require(sound: bool, file_no: int) -> None:
    if not sound:
        raise damaged(f"the manifest's row of file {file_no}")
