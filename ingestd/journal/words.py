"""What went wrong with the journal, in words that name the file and the remedy."""

from __future__ import annotations

import os
import sqlite3

from ingestd.ports import JournalError

_RESTORE = "put it back from a backup, or move its whole folder aside to begin with an empty journal"
_PERMIT = "let the user of ingestd read and write it and its folder"
_REPORT = "this is an error in ingestd: report it, then start ingestd again"

Foreign = sqlite3.Error | UnicodeDecodeError
"""What the sqlite3 module raises. It fails to make its own error out of SQLite's words when those quote
damaged text, and raises the second one instead."""

FOREIGN = (sqlite3.Error, UnicodeDecodeError)

_WORDS = {
    sqlite3.SQLITE_FULL: "no space is left for it: free some on its file system, then start ingestd again",
    sqlite3.SQLITE_IOERR: "the disk does not read or write it: look for the disk's errors in the kernel log, "
    "mend or replace it, then start ingestd again",
    sqlite3.SQLITE_CORRUPT: f"it is damaged: {_RESTORE}",
    sqlite3.SQLITE_NOTADB: f"it is not a database, or its first page is damaged: {_RESTORE}",
    sqlite3.SQLITE_BUSY: "another ingestd is running on this journal: stop that one first",
    sqlite3.SQLITE_READONLY: f"it cannot be written: {_PERMIT}",
    sqlite3.SQLITE_CANTOPEN: f"it cannot be opened: {_PERMIT}",
    sqlite3.SQLITE_PERM: f"it cannot be opened: {_PERMIT}",
    sqlite3.SQLITE_NOMEM: "memory ran out: give the service more, then start ingestd again",
    sqlite3.SQLITE_CONSTRAINT: f"what was to be recorded contradicts what is recorded; {_REPORT}",
}


def failed(error: Foreign, path: str) -> JournalError:
    """SQLite's error, by its primary result code."""
    return _in_words(error, path, f"a statement was refused; {_REPORT}")


def not_opened(error: Foreign, path: str) -> JournalError:
    """The same while the journal is being opened: a refused statement then speaks of the file."""
    return _in_words(error, path, f"it cannot be read as a journal of ingestd: {_RESTORE}")


def _in_words(error: Foreign, path: str, otherwise: str) -> JournalError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if isinstance(error, UnicodeDecodeError | sqlite3.OperationalError) and not code:
        # The module's own complaint about text that is none. It quotes the text, which may be a file's name.
        return malformed(path, "there is text in it that is not UTF-8")
    return JournalError(f"journal {path}: {_WORDS.get(code, otherwise)} ({error})")


def inaccessible(error: OSError, path: str) -> JournalError:
    return JournalError(f"journal {path}: {error.strerror}: {_PERMIT}")


def no_folder(folder: str) -> JournalError:
    return JournalError(
        f"the journal's folder {folder} does not exist: mount or make it, or correct the configuration"
    )


def lost(path: str) -> JournalError:
    return JournalError(
        f"journal {path} is missing or empty, although one was created here: put it back from a backup, or "
        f"move everything in {os.path.dirname(path)} aside to begin with an empty journal"
    )


def malformed(path: str, complaint: str) -> JournalError:
    """For a check of the database that found fault."""
    # SQLite answers in several lines; an error is one.
    return JournalError(f"journal {path}: it is damaged: {_RESTORE} ({' '.join(complaint.split())})")


def damaged(what: str) -> JournalError:
    """For content that its guard does not bear out."""
    return JournalError(f"the journal is damaged, {what} is not what was written: {_RESTORE}")


def not_ours(path: str) -> JournalError:
    return JournalError(
        f"{path} is not a journal of ingestd, or its first page is damaged: {_RESTORE}; or correct the "
        f"journal's folder in the configuration"
    )


def too_new(path: str, version: int, known: int) -> JournalError:
    return JournalError(
        f"journal {path} was written by a newer version of ingestd (its schema is {version}, this version "
        f"knows {known}): install that version or a later one"
    )


def no_room(path: str, wanted: int, free: int) -> JournalError:
    """Before a migration that writes the tables anew is begun."""
    return JournalError(
        f"journal {path} has to be brought into the form of this version, which takes "
        f"{_mebibytes(wanted):,} MiB of room on its file system, where {_mebibytes(free):,} MiB are free: "
        "make room, then start ingestd again; the journal is as it was"
    )


def _mebibytes(length: int) -> int:
    return -(-length >> 20)


def not_done(setting: str, answer: object) -> JournalError:
    return JournalError(
        f"SQLite {sqlite3.sqlite_version} does not do {setting} here (it answers {answer}): keep the journal "
        f"on a local file system, and use an SQLite that is not built without it"
    )


def unrecordable(what: str) -> JournalError:
    return JournalError(f"{what} could not be read back if it were recorded; {_REPORT}")
