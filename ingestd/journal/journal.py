"""What was decided, in one transaction with what is to be told about it."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Collection, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from types import MappingProxyType
from typing import assert_never

from ingestd.core.custody import Entry
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.jobs import Jobs
from ingestd.core.messages import (
    Record,
    SaveCustody,
    SaveJob,
    SaveLoad,
    SaveSeen,
    SaveUnsaid,
    SaveUplink,
    Say,
    Unsay,
)
from ingestd.core.model import LoadId
from ingestd.core.outgoing import Publish
from ingestd.core.phases import Load
from ingestd.journal.codec import JOBS, LOADS, UPLINKS, guard
from ingestd.journal.custody import CustodyRows
from ingestd.journal.database import Database
from ingestd.journal.manifest import SqliteManifest, forget, open_manifest, sweep_forgotten
from ingestd.journal.outbox import ADDITIONS, Outbox, Statement
from ingestd.journal.rows import sound_upload
from ingestd.journal.words import damaged
from ingestd.ports import OutboxEntry

_CHUNK_ROWS = 10_000
"""Most rows that one transaction deletes: some tens of milliseconds in which others wait."""

_PRUNED_LOADS = 100
"""Most loads that one call of `prune` ends; each may leave a million rows to later calls."""

_GIVEN_BACK_PAGES = 2_000
"""Most pages of 4 KiB by which one call of `prune` shrinks the file."""

_SAVE_JOB = """
INSERT INTO jobs (job_id, guard, body) VALUES (?, ?, ?)
ON CONFLICT (job_id) DO UPDATE SET guard = excluded.guard, body = excluded.body
"""

_SAVE_LOAD = """
INSERT INTO loads (load_id, phase, bay, saved_at, guard, body) VALUES (?, ?, ?, ?, ?, ?)
ON CONFLICT (load_id) DO UPDATE SET phase = excluded.phase, bay = excluded.bay,
    saved_at = excluded.saved_at, guard = excluded.guard, body = excluded.body
"""

_SAVE_SETTING = """
INSERT INTO settings (name, guard, body) VALUES (?, ?, ?)
ON CONFLICT (name) DO UPDATE SET guard = excluded.guard, body = excluded.body
"""

_SAVE_SEEN = """
INSERT INTO stations (station, seen_at) VALUES (?, ?)
ON CONFLICT (station) DO UPDATE SET seen_at = excluded.seen_at
"""

_SAVE_POSITION = """
INSERT INTO positions (stream, "offset") VALUES (?, ?)
ON CONFLICT (stream) DO UPDATE SET "offset" = excluded."offset"
"""

_REMEMBER = "INSERT OR REPLACE INTO identities (identity, at) VALUES (?, ?)"

_KNOWN = "SELECT identity FROM identities WHERE identity IN ({})"

_LIVE_LOADS = (
    "SELECT load_id, guard, body FROM loads WHERE phase <> 'released' OR bay IS NOT NULL ORDER BY rowid"
)

_RELEASED_LOAD = (
    "SELECT load_id, guard, body FROM loads WHERE load_id = ? AND phase = 'released' AND bay IS NULL"
)

_LIVE_UPLOADS = """
SELECT file_no, token, part_bytes, uploads.guard
FROM uploads JOIN manifests USING (load) LEFT JOIN loads USING (load_id)
WHERE load_id IS NOT NULL AND phase IS NOT 'released' ORDER BY load, file_no
"""

_PRUNE_IDENTITIES = """
DELETE FROM identities WHERE identity IN (SELECT identity FROM identities WHERE at < ? ORDER BY at LIMIT ?)
"""

_OLD_LOADS = "SELECT load_id FROM loads WHERE phase = 'released' AND bay IS NULL AND saved_at < ?"


@dataclass(frozen=True, slots=True)
class Restored:
    """What the last process left: jobs, loads that are not over or whose drive is still plugged in."""

    jobs: Jobs
    loads: tuple[Load, ...]
    uplink: SaveUplink | None
    """None when no message ever set it."""
    unsaid: Mapping[str, float] = field(default_factory=dict)
    """Messages that wait for others to say them, by id, and until when."""
    seen: Mapping[str, float] = field(default_factory=dict)
    """The last word of each station that shares the jobs."""


@dataclass(frozen=True, slots=True)
class Pruned:
    """How many of each one call has removed; all zero when there was nothing left to remove."""

    events: int
    identities: int
    loads: int
    manifest_rows: int

    @property
    def anything(self) -> bool:
        return any((self.events, self.identities, self.loads, self.manifest_rows))


class Journal:
    """Everything that must survive. All threads may use it; one process at a time.

    Memory: the database's cache of 8 MiB, and the rows of one batch. Every method raises JournalError
    when the journal cannot be read or written; after the first such error nothing is recorded any more.
    """

    version = sqlite3.sqlite_version
    """SQLite's own, for the logs."""

    def __init__(self, database: Database, encode: Callable[[Publish], bytes]) -> None:
        self._db = database
        self._encode = encode
        self._outbox = Outbox(database)
        self._custody = CustodyRows(database)

    @classmethod
    def open(cls, folder: str, *, encode: Callable[[Publish], bytes]) -> Journal:
        """The journal in `folder`; `encode` turns outgoing events into what goes on the wire.

        Raises JournalError with the remedy when it is missing though it was created before, damaged,
        of another program or a newer version, or in use.
        """
        database = Database.open(folder)
        try:
            return cls(database, encode)
        except BaseException:
            database.close()
            raise

    @property
    def broken(self) -> bool:
        """Whether an error has ended all recording until the next start."""
        return self._db.broken

    def size_bytes(self) -> int:
        """What the journal takes up on the disk."""
        return self._db.size_bytes()

    def close(self) -> None:
        """Let go of the journal. Who waits for the outbox is woken. Safe to call twice."""
        self._outbox.close()
        self._db.close()

    # -- facts --------------------------------------------------------------------------------

    def restore(self) -> Restored:
        """What the last process left. Raises JournalError for a row that is not what was written."""
        with self._db.reading() as sql:
            jobs = _guarded(sql.execute("SELECT job_id, guard, body FROM jobs ORDER BY rowid"), "job")
            known = Jobs(JOBS.decode(body) for body in jobs)
            rows = list(sql.execute(_LIVE_LOADS))
            for load_id in _with_data_of_open_jobs(known.begun()):
                rows.extend(sql.execute(_RELEASED_LOAD, (load_id,)))
            loads = _guarded(rows, "load")
            uplink = _guarded(
                sql.execute("SELECT name, guard, body FROM settings WHERE name = 'uplink'"), "setting"
            )
            return Restored(
                jobs=known,
                loads=tuple(LOADS.decode(body) for body in loads),
                uplink=next((UPLINKS.decode(body) for body in uplink), None),
                unsaid=dict(sql.execute("SELECT event_id, due_at FROM unsaid ORDER BY due_at")),
                seen=dict(sql.execute("SELECT station, seen_at FROM stations")),
            )

    def positions(self) -> dict[str, int]:
        """Of each stream, the offset up to which everything has been acted on."""
        with self._db.reading() as sql:
            return dict(sql.execute('SELECT stream, "offset" FROM positions'))

    def commit(
        self,
        records: Sequence[Record],
        *,
        at: float,
        identities: Sequence[str] = (),
        positions: Mapping[str, int] = MappingProxyType({}),
    ) -> None:
        """Record all of it durably, or nothing: facts, outgoing events in their order, that the notices
        with these identities were acted on, and how far each stream has been.

        An event id that was recorded before is an error: one decision would be told twice as two.
        """
        if not records and not identities and not positions:
            return
        statements = [statement for record in records for statement in self._statements(record, at)]
        # In order: those of one page of the index are written together.
        remembered = sorted((_digest(identity), at) for identity in identities)
        statements.extend((_SAVE_POSITION, position) for position in positions.items())
        events = 0
        with self._db.held():
            with self._db.transaction() as sql:
                for statement, values in statements:
                    done = sql.execute(statement, values)
                    events += done.rowcount if statement in ADDITIONS else 0
                sql.executemany(_REMEMBER, remembered)
            self._outbox.added(events, at)
            self._custody.added(record.entry for record in records if isinstance(record, SaveCustody))

    def _statements(self, record: Record, at: float) -> Iterator[Statement]:
        match record:
            case SaveJob(record=job):
                body = JOBS.encode(job)
                yield _SAVE_JOB, (job.job_id, _guard(job.job_id, body), body)
            case SaveLoad(load=load):
                body = LOADS.encode(load)
                mark = _guard(load.load_id, body)
                yield _SAVE_LOAD, (load.load_id, load.phase.value, load.bay, at, mark, body)
            case SaveCustody(entry=entry):
                yield CustodyRows.addition(entry)
            case SaveUplink():
                body = UPLINKS.encode(record)
                yield _SAVE_SETTING, ("uplink", _guard("uplink", body), body)
            case Publish():
                yield self._outbox.addition(record, self._encode(record), at)
            case SaveUnsaid(message=message, due_at=due_at):
                yield self._outbox.put_off(message, self._encode(message), at, due_at)
            case Say(event_id=event_id):
                yield from self._outbox.said_after_all(event_id, at)
            case Unsay(event_id=event_id):
                yield self._outbox.dropped(event_id)
            case SaveSeen(station=station, at=seen_at):
                yield _SAVE_SEEN, (station, seen_at)
            case _:
                assert_never(record)

    def knows(self, identity: str) -> bool:
        """Whether the notice with this identity has been acted on."""
        with self._db.reading() as sql:
            row = sql.execute("SELECT 1 FROM identities WHERE identity = ?", (_digest(identity),)).fetchone()
        return row is not None

    def known(self, identities: Sequence[str]) -> set[str]:
        """Those of the notices with these identities that have been acted on."""
        by_digest = {_digest(identity): identity for identity in identities}
        if not by_digest:
            return set()
        with self._db.reading() as sql:
            rows = sql.execute(_KNOWN.format(",".join("?" * len(by_digest))), list(by_digest)).fetchall()
        return {by_digest[digest] for (digest,) in rows}

    # -- outbox -------------------------------------------------------------------------------

    def outbox(self, limit: int, without: Collection[str] = ()) -> list[OutboxEntry]:
        """The first unsent events, in the order in which they were committed; none `without` subjects."""
        return self._outbox.unsent(limit, without)

    def mark_sent(self, sequences: Sequence[int]) -> None:
        """The bus has these. Said twice it changes nothing."""
        self._outbox.mark_sent(sequences)

    def outbox_depth(self) -> tuple[int, float | None]:
        """How many events are unsent, and when the oldest of them was committed. From memory."""
        return self._outbox.depth()

    def wait_outbox(self, timeout_s: float) -> bool:
        """Wait until an event is unsent, for so long at most; whether one is."""
        return self._outbox.wait(timeout_s)

    # -- records of custody -------------------------------------------------------------------

    def custody(self, load_id: LoadId, after: int = 0) -> tuple[Entry, ...]:
        """What is recorded of this load behind entry `after`, in order, as it is there: the hashes tell
        whether that is what was recorded."""
        return self._custody.after(load_id, after)

    def mend_custody(self, entries: Sequence[Entry]) -> None:
        """Put entries in the place of those of their loads and numbers, which are not what was recorded."""
        self._custody.mend(entries)

    def custody_lengths(self) -> dict[LoadId, int]:
        """Every load of which there is a record, with its number of entries."""
        return self._custody.lengths()

    def custody_changes(self) -> frozenset[LoadId]:
        """The loads whose records have grown since this was asked last."""
        return self._custody.take_changes()

    # -- manifests ----------------------------------------------------------------------------

    def manifest(self, load_id: LoadId) -> SqliteManifest:
        """The manifest of this load, an empty one when it has none yet."""
        return open_manifest(self._db, load_id)

    def live_uploads(self) -> tuple[str, ...]:
        """Tokens of the unfinished uploads of every load that is not released: not to be swept away."""
        with self._db.reading() as sql:
            return tuple(sound_upload(*upload)[0] for upload in sql.execute(_LIVE_UPLOADS))

    def forget_manifest(self, load_id: LoadId) -> None:
        """Drop the manifest of this load: at once for all who ask, its rows then a chunk at a time."""
        with self._db.transaction() as sql:
            forget(sql, load_id)
        while True:
            with self._db.transaction() as sql:
                if not sweep_forgotten(sql, _CHUNK_ROWS):
                    return

    # -- age ----------------------------------------------------------------------------------

    def prune(self, before: float, keep: Container[LoadId] = ()) -> Pruned:
        """Remove what was sent, acted on or released before that time, a bounded number of each.

        A load takes its manifest and its record of custody along. Jobs stay, and so does a released load
        whose drive is still plugged in, or that is in `keep`.
        Unused space goes back to the file system. Call it again while it removes `anything`.
        """
        with self._db.transaction() as sql:
            events = self._outbox.prune(sql, before, _CHUNK_ROWS)
            identities = sql.execute(_PRUNE_IDENTITIES, (before, _CHUNK_ROWS)).rowcount
        with self._db.transaction() as sql:
            old = (LoadId(row[0]) for row in sql.execute(_OLD_LOADS, (before,)))
            loads = list(islice((load_id for load_id in old if load_id not in keep), _PRUNED_LOADS))
            for load_id in loads:
                forget(sql, load_id)
                CustodyRows.forget(sql, load_id)
                sql.execute("DELETE FROM loads WHERE load_id = ?", (load_id,))
            rows = sweep_forgotten(sql, _CHUNK_ROWS)
        self._db.give_back(_GIVEN_BACK_PAGES)
        return Pruned(events, identities, len(loads), rows)


def _with_data_of_open_jobs(jobs: Iterable[JobRecord]) -> Iterator[LoadId]:
    """The loads that are done while their job is not: it may yet want back what they stored."""
    for job in jobs:
        if job.status in (JobStatus.PENDING, JobStatus.FAILED):
            yield from (left.load_id for left in job.unsettled)


def _digest(identity: str) -> bytes:
    return hashlib.sha256(identity.encode("utf-8", "surrogatepass")).digest()


def _guard(key: str, body: bytes) -> int:
    return guard(key.encode(), body)


def _guarded(rows: Iterable[tuple[str, int, bytes]], what: str) -> Iterator[bytes]:
    """The bodies, each borne out by its guard."""
    for key, mark, body in rows:
        if _guard(key, body) != mark:
            raise damaged(f"the record of {what} {key}")
        yield body
