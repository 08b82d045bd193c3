"""The journal: facts and outbox in one transaction, one process at a time."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import types
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from ingestd.core.job_record import DriveClaim, JobStatus, Unsettled
from ingestd.core.jobs import Jobs
from ingestd.core.messages import SaveJob, SaveLoad, SaveUplink
from ingestd.core.model import LoadId, Outcome
from ingestd.core.outgoing import Publish
from ingestd.journal import database as database_module
from ingestd.journal.codec import guard
from ingestd.journal.database import FILE_NAME, Database
from ingestd.journal.journal import Journal, Pruned, Restored
from ingestd.journal.schema import Migration, shipped_migrations
from ingestd.ports import JournalError, PartRecord, Said, SurveyDifferences
from tests.support.journals import encode, entry, event, open_journal, save_job, save_load

KILLS = 40


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = open_journal(tmp_path)
    yield opened
    opened.close()


def reopened(journal: Journal, folder: Path) -> Journal:
    journal.close()
    return open_journal(folder)


# -- facts ----------------------------------------------------------------------------------------


def test_a_new_journal_is_empty(journal: Journal) -> None:
    assert journal.restore() == Restored(jobs=Jobs(), loads=(), uplink=None)
    assert journal.outbox(10) == []
    assert journal.outbox_depth() == (0, None)
    assert journal.version == sqlite3.sqlite_version


def test_facts_survive_in_their_last_form(journal: Journal, tmp_path: Path) -> None:
    journal.commit([save_job(2), save_job(1), save_load("load-1", stored_files=1)], at=1.0)
    journal.commit([save_job(2, version=5), save_load("load-1", stored_files=2)], at=2.0)
    journal.commit([SaveUplink(rate_bytes_per_second=50_000_000, burst_bytes=None)], at=3.0)
    journal.commit([SaveUplink(rate_bytes_per_second=None, burst_bytes=4096)], at=4.0)
    again = reopened(journal, tmp_path)
    assert again.restore() == Restored(
        jobs=Jobs([save_job(2, version=5).record, save_job(1).record]),
        loads=(save_load("load-1", stored_files=2).load,),
        uplink=SaveUplink(rate_bytes_per_second=None, burst_bytes=4096),
    )
    again.close()


def test_a_released_load_is_restored_only_while_its_drive_is_plugged_in(journal: Journal) -> None:
    plugged = save_load("load-1", released=True)
    journal.commit([plugged, save_load("load-2"), save_load("load-3", bay=None)], at=1.0)
    journal.commit([save_load("load-4", released=True, bay=None)], at=1.0)
    assert [load.load_id for load in journal.restore().loads] == ["load-1", "load-2", "load-3"]
    journal.commit([SaveLoad(load=replace(plugged.load, bay=None))], at=2.0)
    assert [load.load_id for load in journal.restore().loads] == ["load-2", "load-3"]


@pytest.mark.parametrize(
    ("status", "restored"),
    [(JobStatus.PENDING, True), (JobStatus.FAILED, True), (JobStatus.LOADED, False)],
)
def test_a_load_is_not_over_while_its_job_may_want_its_data_back(
    journal: Journal, status: JobStatus, restored: bool
) -> None:
    done = save_load("load-1", released=True, bay=None)
    claim = DriveClaim(drive_index=0, load_id=done.load.load_id, outcome=Outcome.LOADED)
    left = Unsettled(load_id=done.load.load_id, station=None, version=1)
    record = replace(save_job(1).record, status=status, claims=(claim,), unsettled=(left,))
    journal.commit([done, SaveJob(record=record)], at=1.0)
    assert [load.load_id for load in journal.restore().loads] == (["load-1"] if restored else [])


def test_what_is_to_be_kept_is_not_pruned(journal: Journal) -> None:
    journal.commit([save_load(x, released=True, bay=None) for x in ("load-1", "load-2")], at=1.0)
    assert journal.prune(before=10.0, keep={LoadId("load-1")}).loads == 1
    assert journal.prune(before=10.0).loads == 1


def test_a_serial_number_that_is_no_text_is_kept(journal: Journal, tmp_path: Path) -> None:
    strange = save_load("load-1")
    facts = replace(strange.load.facts, identity=replace(strange.load.drive, serial="KELP\udc80\udcff"))
    record = SaveLoad(load=replace(strange.load, facts=facts))
    journal.commit([record], at=1.0)
    again = reopened(journal, tmp_path)
    assert again.restore().loads == (record.load,)
    again.close()


def test_identities_of_notices_are_known_from_their_commit_on(journal: Journal, tmp_path: Path) -> None:
    strange = "\ud800 of any length " * 1000
    assert not journal.knows("spool:a")
    journal.commit([save_job(1)], at=1.0, identities=["spool:a", "spool:c"])
    journal.commit([], at=1.0, identities=[strange])
    journal.commit([], at=2.0, identities=["spool:a"])
    again = reopened(journal, tmp_path)
    assert again.knows("spool:a")
    assert again.knows("spool:c")
    assert again.knows(strange)
    assert not again.knows("spool:b")
    assert again.known(["spool:b", "spool:c", strange, "spool:c"]) == {"spool:c", strange}
    assert again.known([]) == set()
    again.close()


def test_nothing_to_record_does_nothing(journal: Journal) -> None:
    journal.commit([], at=1.0)
    assert journal.restore().jobs == Jobs()
    assert journal.outbox_depth() == (0, None)


# -- outbox ---------------------------------------------------------------------------------------


def test_events_leave_in_the_order_of_their_commits(journal: Journal, tmp_path: Path) -> None:
    journal.commit([event(1), save_job(1), event(2)], at=1.0)
    journal.commit([event(3)], at=2.0)
    first, second, third = journal.outbox(10)
    assert [first.body, second.body, third.body] == [encode(event(n)) for n in (1, 2, 3)]
    assert first.sequence < second.sequence < third.sequence
    assert first.event_id == event(1).event_id
    assert (first.subject, first.type) == ("quay-03", "ingest.notice.refused")
    assert journal.outbox(2) == [first, second]
    again = reopened(journal, tmp_path)
    assert again.outbox(10) == [first, second, third]
    again.close()


def test_what_is_sent_is_not_sent_again(journal: Journal, tmp_path: Path) -> None:
    journal.commit([event(1), event(2)], at=1.0)
    journal.commit([event(3)], at=7.0)
    assert journal.outbox_depth() == (3, 1.0)
    first, second, third = journal.outbox(10)
    journal.mark_sent([second.sequence, first.sequence])
    journal.mark_sent([first.sequence])
    journal.mark_sent([])
    assert journal.outbox(10) == [third]
    assert journal.outbox_depth() == (1, 7.0)
    again = reopened(journal, tmp_path)
    assert again.outbox_depth() == (1, 7.0)
    again.mark_sent([third.sequence])
    assert again.outbox_depth() == (0, None)
    again.commit([event(4)], at=9.0)
    assert again.outbox_depth() == (1, 9.0)
    again.close()


def test_an_event_id_twice_is_an_error_and_leaves_nothing(journal: Journal, tmp_path: Path) -> None:
    journal.commit([event(1), save_job(1)], at=1.0)
    with pytest.raises(JournalError, match=r"error in ingestd.*event_id"):
        journal.commit([save_job(1, version=9), event(2), event(1)], at=2.0, identities=["spool:x"])
    assert journal.broken
    assert journal.outbox_depth() == (1, 1.0)
    with pytest.raises(JournalError, match="nothing is recorded any more"):
        journal.commit([save_job(3)], at=3.0)
    assert [e.event_id for e in journal.outbox(10)] == [event(1).event_id]
    again = reopened(journal, tmp_path)
    assert again.restore().jobs == Jobs([save_job(1).record])
    assert not again.knows("spool:x")
    again.commit([save_job(3)], at=3.0)
    again.close()


def test_an_event_that_cannot_be_encoded_leaves_nothing(tmp_path: Path) -> None:
    def fussy(publish: Publish) -> bytes:
        if publish.number == 13:
            raise ValueError("thirteen")
        return encode(publish)

    journal = Journal.open(str(tmp_path), encode=fussy)
    with pytest.raises(ValueError, match="thirteen"):
        journal.commit([save_job(1), event(1), event(13)], at=1.0)
    assert journal.restore().jobs == Jobs()
    assert not journal.broken
    journal.commit([save_job(1), event(1)], at=1.0)
    assert journal.outbox_depth() == (1, 1.0)
    journal.close()


def test_the_outbox_can_be_read_without_some_subjects(journal: Journal) -> None:
    journal.commit([event(1), event(2, "it's \u201cload\u201d-1"), event(3)], at=1.0)
    first, second, third = journal.outbox(10)
    assert journal.outbox(10, without=[second.subject, "load-7"]) == [first, third]
    assert journal.outbox(1, without=[first.subject]) == [second]
    assert journal.outbox(10, without=[first.subject, second.subject]) == []


def test_who_waits_for_the_outbox_is_woken_by_a_commit(journal: Journal) -> None:
    assert not journal.wait_outbox(0.01)
    committer = threading.Timer(0.05, lambda: journal.commit([event(1)], at=1.0))
    committer.start()
    begun = time.monotonic()
    assert journal.wait_outbox(20.0)
    assert time.monotonic() - begun < 10.0
    committer.join()
    assert journal.wait_outbox(0.0)


def test_closing_lets_go_of_who_waits(journal: Journal) -> None:
    closer = threading.Timer(0.05, journal.close)
    closer.start()
    begun = time.monotonic()
    assert not journal.wait_outbox(20.0)
    assert time.monotonic() - begun < 10.0
    closer.join()


# -- manifests, age -------------------------------------------------------------------------------


def begin_upload(journal: Journal, load_id: str, token: str, *, files: int = 1) -> None:
    manifest = journal.manifest(LoadId(load_id))
    manifest.begin_survey()
    manifest.add([entry(f"kelp-{n}.gpg", place=n) for n in range(files)])
    assert manifest.sum_below("volume-1", b"") == (0, 0)
    manifest.end_survey()
    first = manifest.pending(-1, 1)[0].file_no
    manifest.record_upload(first, token, 1 << 22)
    manifest.record_parts([PartRecord(first, n, bytes(32)) for n in range(5)])


def test_uploads_of_every_load_that_is_not_released_are_live(journal: Journal) -> None:
    for load_id in ("load-1", "load-2", "load-3", "load-4"):
        begin_upload(journal, load_id, f"token of {load_id}")
    journal.commit([save_load("load-1"), save_load("load-2", released=True)], at=1.0)
    journal.forget_manifest(LoadId("load-4"))
    assert journal.live_uploads() == ("token of load-1", "token of load-3")


def test_a_forgotten_manifest_is_empty_and_its_rows_are_gone(journal: Journal, tmp_path: Path) -> None:
    begin_upload(journal, "load-1", "a", files=25_000)
    begin_upload(journal, "load-2", "b", files=3)
    old = journal.manifest(LoadId("load-1"))
    journal.forget_manifest(LoadId("load-1"))
    journal.forget_manifest(LoadId("load-that-never-was"))
    assert journal.manifest(LoadId("load-1")).ledger().discovered_files == 0
    assert journal.manifest(LoadId("load-2")).ledger().discovered_files == 3
    with pytest.raises(JournalError, match="forgotten"):
        old.add([entry("kelp.gpg")])
    journal.close()
    assert rows_in(tmp_path) == {
        "files": 3,
        "paths": 3,
        "turns": 3,
        "uploads": 1,
        "parts": 5,
        "manifests": 2,
    }


def rows_in(folder: Path) -> dict[str, int]:
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as sql:
        return {
            table: sql.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("files", "paths", "turns", "uploads", "parts", "manifests")
        }


def test_old_things_are_pruned_once_they_are_over(journal: Journal, tmp_path: Path) -> None:
    for load_id in ("over", "still-plugged", "going-on", "over-later"):
        begin_upload(journal, load_id, load_id, files=10)
    journal.commit([save_load("over", released=True, bay=None)], at=10.0)
    journal.commit([save_load("still-plugged", released=True)], at=10.0)
    journal.commit([save_load("going-on"), event(1), event(2), save_job(1)], at=10.0, identities=["old"])
    journal.commit([save_load("over-later", released=True, bay=None), event(3)], at=20.0, identities=["new"])
    first, _, third = journal.outbox(10)
    journal.mark_sent([first.sequence, third.sequence])

    pruned = journal.prune(before=20.0)
    assert pruned == Pruned(events=1, identities=1, loads=1, manifest_rows=15)
    assert journal.prune(before=20.0) == Pruned(0, 0, 0, 0)
    assert not journal.prune(before=20.0).anything

    assert [e.event_id for e in journal.outbox(10)] == [event(2).event_id]
    assert (journal.knows("old"), journal.knows("new")) == (False, True)
    assert journal.restore().jobs == Jobs([save_job(1).record])
    assert [load.load_id for load in journal.restore().loads] == ["still-plugged", "going-on"]
    for load_id, files in (("over", 0), ("still-plugged", 10), ("going-on", 10), ("over-later", 10)):
        assert journal.manifest(LoadId(load_id)).ledger().discovered_files == files
    sequence = journal.outbox(10)[0].sequence
    journal.mark_sent([sequence])
    while journal.prune(before=100.0).anything:
        pass
    journal.commit([event(1)], at=30.0)
    assert journal.outbox(10)[0].sequence > third.sequence, "numbers are never given out twice"


def test_pruning_is_bounded_and_gives_space_back(journal: Journal) -> None:
    for commit in range(12):
        numbers = range(commit * 1000, commit * 1000 + 1000)
        journal.commit([event(n, padding="x" * 200) for n in numbers], at=1.0)
    while entries := journal.outbox(5000):
        journal.mark_sent([e.sequence for e in entries])
    full = journal.size_bytes()
    assert journal.prune(before=2.0).events == 10_000
    assert journal.prune(before=2.0).events == 2_000
    while journal.prune(before=2.0).anything:
        pass
    journal.close()
    assert journal.size_bytes() < full / 4


# -- one process, many threads --------------------------------------------------------------------


def test_a_second_opening_is_refused(journal: Journal, tmp_path: Path) -> None:
    journal.commit([save_job(1)], at=1.0)
    with pytest.raises(JournalError, match="another ingestd is running on this journal"):
        open_journal(tmp_path)
    read_it = "import sqlite3, sys; sqlite3.connect(sys.argv[1], timeout=0).execute('SELECT * FROM jobs')"
    command = [sys.executable, "-c", read_it, str(tmp_path / FILE_NAME)]
    other = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "database is locked" in other.stderr
    assert not (tmp_path / (FILE_NAME + "-shm")).exists(), "a shared index would invite other processes"
    journal.commit([save_job(2)], at=1.0)
    assert len(journal.restore().jobs) == 2


def test_closing_leaves_one_file_and_refuses_what_comes_later(journal: Journal, tmp_path: Path) -> None:
    journal.commit([save_job(1)], at=1.0)
    journal.close()
    journal.close()
    assert sorted(os.listdir(tmp_path)) == ["journal.created", "journal.db"]
    with pytest.raises(JournalError, match="has been closed"):
        journal.commit([save_job(2)], at=1.0)
    with pytest.raises(JournalError, match="has been closed"):
        journal.restore()


def test_others_cannot_read_customers_names_in_it(journal: Journal, tmp_path: Path) -> None:
    journal.commit([save_job(1)], at=1.0)
    assert {(tmp_path / name).stat().st_mode & 0o007 for name in os.listdir(tmp_path)} == {0}


def test_threads_share_it(journal: Journal) -> None:
    """Every commit is whole, none is lost, and the outbox is in step, whoever wrote at the same time."""
    rounds = 60

    def decide(thread: int) -> None:
        for n in range(rounds):
            journal.commit([save_job(thread * 1000 + n), event(n, f"thread-{thread}")], at=float(n))

    def load(thread: int) -> None:
        manifest = journal.manifest(LoadId(f"load-{thread}"))
        manifest.begin_survey()
        for n in range(rounds):
            manifest.add([entry(f"{n}-{i}.gpg") for i in range(20)])
            assert manifest.ledger().balanced
            manifest.record_stored([(f.file_no, bytes(32), f.path) for f in manifest.pending(-1, 10)])

    def relay() -> None:
        sent = 0
        while sent < 2 * rounds and journal.wait_outbox(10.0):
            entries = journal.outbox(7)
            journal.mark_sent([e.sequence for e in entries])
            sent += len(entries)

    with ThreadPoolExecutor(5) as threads:
        work = [
            threads.submit(decide, 1),
            threads.submit(decide, 2),
            threads.submit(load, 1),
            threads.submit(load, 2),
            threads.submit(relay),
        ]
    for item in work:
        item.result()
    assert len(journal.restore().jobs) == 2 * rounds
    assert journal.outbox_depth() == (0, None)
    for number in (1, 2):
        ledger = journal.manifest(LoadId(f"load-{number}")).ledger()
        assert (ledger.stored_files, ledger.discovered_files) == (10 * rounds, 20 * rounds)


# -- kill -9 --------------------------------------------------------------------------------------


def commit_until_killed(folder: Path, number: int, told: int) -> None:
    """Record one number as a job's version, as the uplink's rate, as a load's count, in a manifest and in
    the outbox; tell each number through the descriptor `told` once its commit has returned."""
    journal = open_journal(folder)
    manifest = journal.manifest(LoadId("load-1"))
    while True:
        number += 1
        records = (
            save_job(1, version=number),
            event(number, padding="x" * 30_000),
            save_load("load-1", stored_files=number),
            SaveUplink(rate_bytes_per_second=number, burst_bytes=None),
        )
        journal.commit(records, at=float(number), identities=[f"notice-{number}"])
        manifest.add([entry(f"kelp-{number}.gpg"), entry(f"notes-{number}.gpg")])
        os.write(told, b"%d\n" % number)


def last_told(read_end: int) -> int:
    """The last number that came through a pipe whose writer is dead."""
    with open(read_end, "rb") as pipe:
        lines = pipe.read().splitlines()
    return int(lines[-1]) if lines else 0


def kill_while_committing(folder: Path, number: int, after_s: float) -> int:
    """Kill a process that commits from `number` on; the last number that it knew to be recorded."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            commit_until_killed(folder, number, write_end)
        os._exit(1)
    os.close(write_end)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the process ended by itself"
    return max(number, last_told(read_end))


def recorded_number(journal: Journal) -> int:
    """The number that everything in the journal agrees on."""
    restored = journal.restore()
    if not restored.jobs:
        assert (restored.loads, restored.uplink, journal.outbox(1)) == ((), None, [])
        return 0
    job = next(iter(restored.jobs.values())).job
    assert job is not None
    assert restored.uplink == SaveUplink(rate_bytes_per_second=job.version, burst_bytes=None)
    assert restored.loads == (save_load("load-1", stored_files=job.version).load,)
    outbox = journal.outbox(1_000_000)
    assert [e.event_id for e in outbox] == [
        event(n, padding="x" * 30_000).event_id for n in range(1, job.version + 1)
    ]
    assert journal.outbox_depth() == (job.version, 1.0)
    assert journal.knows(f"notice-{job.version}")
    assert not journal.knows(f"notice-{job.version + 1}")
    return job.version


def test_kill_9_at_any_moment_keeps_facts_and_outbox_in_step(tmp_path: Path) -> None:
    chance = random.Random(3)
    number = 0
    for _ in range(KILLS):
        told = kill_while_committing(tmp_path, number, chance.uniform(0.01, 0.12))
        journal = open_journal(tmp_path)
        number = recorded_number(journal)
        assert number in (told, told + 1), "what was acknowledged is there, and at most one commit more"
        ledger = journal.manifest(LoadId("load-1")).ledger()
        assert ledger.balanced
        assert ledger.discovered_files in (2 * number, 2 * number - 2)
        if number:  # the last one's files may be missing: make the count even again
            journal.manifest(LoadId("load-1")).add(
                [entry(f"kelp-{number}.gpg"), entry(f"notes-{number}.gpg")]
            )
        journal.close()
    assert number > KILLS, "the processes were killed before they did anything"


# -- schema ---------------------------------------------------------------------------------------

FIRST = Migration(
    1, "0001_first.sql", "CREATE TABLE berths (name TEXT) STRICT; INSERT INTO berths VALUES ('a');"
)
SECOND = Migration(
    2, "0002_second.sql", "ALTER TABLE berths ADD COLUMN depth REAL; UPDATE berths SET depth = 4;"
)
BROKEN = Migration(2, "0002_broken.sql", "INSERT INTO berths VALUES ('b'); INSERT INTO nowhere VALUES (1);")


def berths(database: Database) -> list[tuple[object, ...]]:
    with database.reading() as sql:
        return sql.execute("SELECT * FROM berths").fetchall()


def test_migrations_run_once_each_and_in_order(tmp_path: Path) -> None:
    for migrations, expected in (([FIRST], [("a",)]), ([FIRST, SECOND], [("a", 4.0)])):
        for _ in range(2):
            database = Database.open(str(tmp_path), migrations=migrations)
            assert berths(database) == expected
            database.close()


def test_a_migration_is_not_begun_without_room_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Database.open(str(tmp_path), migrations=[FIRST]).close()
    before = (tmp_path / FILE_NAME).read_bytes()
    real, free = os.statvfs(tmp_path), 15 << 20
    short = types.SimpleNamespace(f_frsize=4096, f_bavail=free // 4096)
    monkeypatch.setattr(os, "statvfs", lambda _: short)
    with pytest.raises(JournalError, match=r"takes 1\d MiB of room .* 15 MiB are free: make room"):
        Database.open(str(tmp_path), migrations=[FIRST, SECOND])
    assert (tmp_path / FILE_NAME).read_bytes() == before
    # What needs no migration opens.
    Database.open(str(tmp_path), migrations=[FIRST]).close()
    monkeypatch.setattr(os, "statvfs", lambda _: real)
    database = Database.open(str(tmp_path), migrations=[FIRST, SECOND])
    assert berths(database) == [("a", 4.0)]
    database.close()


def test_a_migration_takes_no_more_room_than_is_asked_for(tmp_path: Path) -> None:
    """The largest of them, of a journal with as many files as keep its log below what it is cut to."""
    before = Database.open(str(tmp_path), migrations=shipped_migrations()[:5])
    with before.transaction() as sql:
        sql.execute(
            "INSERT INTO manifests VALUES (1, 'load-1', 1, 20000, 20000, ?)", (guard(b"1 20000 20000"),)
        )
        sql.executemany(
            "INSERT INTO files (load, file_no, state, size_bytes, seen, mtime_ns, inode, guard, volume,"
            " path, place) VALUES (1, ?, 'pending', 9, 1, 0, ?, 0, 'volume-1', ?, ?)",
            [(n, n, b"transects/2031/line-%09d.tar.age" % n, n + 1) for n in range(20_000)],
        )
    before.close()
    size = _size_of(tmp_path)
    after = Database.open(str(tmp_path))
    taken = _size_of(tmp_path) - size
    after.close()
    assert 0 < taken < database_module.COPIES_OF_MIGRATION * size


def _size_of(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.iterdir())


def test_a_migration_that_fails_leaves_nothing(tmp_path: Path) -> None:
    Database.open(str(tmp_path), migrations=[FIRST]).close()
    with pytest.raises(JournalError, match="no such table: nowhere"):
        Database.open(str(tmp_path), migrations=[FIRST, BROKEN])
    database = Database.open(str(tmp_path), migrations=[FIRST, SECOND])
    assert berths(database) == [("a", 4.0)]
    database.close()


@pytest.mark.parametrize("places", [(30, 10, 20, 0), (0, 0, 0, 0)], ids=["places", "no-places"])
def test_a_load_goes_on_after_the_upgrade_to_a_lean_manifest(tmp_path: Path, places: tuple[int, ...]) -> None:
    """Its files, parts and sums were recorded by schema 5."""
    before = Database.open(str(tmp_path), migrations=shipped_migrations()[:5])
    with before.transaction() as sql:
        mark = guard(b"1 4 3")
        sql.execute("INSERT INTO manifests VALUES (1, 'load-1', 1, 4, 3, ?)", (mark,))
        for file_no, place in enumerate(places):
            path = b"file-%d" % file_no
            facts = guard(f"9 0 {file_no} volume-1\0".encode(), path)
            sql.execute(
                "INSERT INTO files (load, file_no, state, size_bytes, seen, mtime_ns, inode, guard, volume,"
                " path, place) VALUES (1, ?, 'pending', 9, 1, 0, ?, ?, 'volume-1', ?, ?)",
                (file_no, file_no, facts, path, place),
            )
        sql.execute("INSERT INTO uploads VALUES (1, 2, 'token', 5, ?)", (guard(b"2 5 token"),))
        sql.execute("INSERT INTO parts VALUES (1, 2, 1, ?)", (bytes(32),))
        said = Said("md5", bytes(16), "list")
        row = (1, 3, *said, 1, guard(b"3 md5 ", bytes(16), b"list"), None)
        sql.execute("INSERT INTO expected VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
    before.close()
    journal = open_journal(tmp_path)
    manifest = journal.manifest(LoadId("load-1"))
    manifest.claim(3)
    in_turn = sorted(range(4), key=lambda file_no: (places[file_no], file_no))
    assert [file.file_no for file in manifest.pending(-1, 9)] == in_turn
    assert (manifest.uploads(), manifest.parts(2)) == ([(2, "token")], {1: bytes(32)})
    assert manifest.file(3).expected == (said,)
    manifest.record_stored([(2, bytes(32), b"in/file-2")])
    manifest.begin_survey()
    manifest.add([entry(f"file-{n}", size_bytes=9, mtime_ns=0, inode=n) for n in (5, 3, 2, 1)])
    assert manifest.end_survey() == SurveyDifferences(gone=(), changed=(), count=0)
    assert [file.path for file in manifest.pending(-1, 9)] == [b"file-1", b"file-3", b"file-5"]
    assert [file.path for file in manifest.stored(-1, 9)] == [b"file-2"]
    journal.close()


def test_what_was_expected_of_files_outlives_the_change_of_where_it_is_kept(tmp_path: Path) -> None:
    """A load that is under way while a station is upgraded from schema 3."""
    before = Database.open(str(tmp_path), migrations=shipped_migrations()[:3])
    with before.transaction() as sql:
        sql.execute("INSERT INTO manifests (load_id) VALUES ('load-1')")
        for file_no, (state, by) in enumerate([("pending", "notice"), ("stored", "volume-1/SHA256SUMS")]):
            digest, path = bytes([file_no]) * 32, b"file-%d" % file_no
            mark = guard(digest, by.encode())
            facts = guard(f"0 0 {file_no} volume-1\0".encode(), path)
            sql.execute(
                "INSERT INTO files (load, file_no, state, size_bytes, seen, mtime_ns, inode, guard, volume,"
                " path, expected_sha256, expected_by, expected_guard)"
                " VALUES (1, ?, ?, 0, 1, 0, ?, ?, 'volume-1', ?, ?, ?, ?)",
                (file_no, state, file_no, facts, path, digest, by, mark),
            )
    before.close()
    journal = open_journal(tmp_path)
    manifest = journal.manifest(LoadId("load-1"))
    assert manifest.file(0).expected == (Said("sha256", bytes(32), "notice"),)
    assert manifest.file(1).expected == (Said("sha256", b"\1" * 32, "volume-1/SHA256SUMS"),)
    assert manifest.ledger().stored_files == 1
    journal.close()


def test_a_journal_from_the_future_is_refused_and_left_alone(tmp_path: Path) -> None:
    Database.open(str(tmp_path), migrations=[FIRST, SECOND]).close()
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(
        JournalError, match=r"newer version of ingestd \(its schema is 2, this version knows 1\)"
    ):
        Database.open(str(tmp_path), migrations=[FIRST])
    assert (tmp_path / FILE_NAME).read_bytes() == before


def test_what_is_shipped_takes_an_empty_database_to_the_last_schema(tmp_path: Path) -> None:
    open_journal(tmp_path).close()
    with contextlib.closing(sqlite3.connect(tmp_path / FILE_NAME)) as sql:
        assert sql.execute("PRAGMA user_version").fetchone() == (len(shipped_migrations()),)
        assert sql.execute("PRAGMA application_id").fetchone() == (int.from_bytes(b"ingj"),)
        assert sql.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert sql.execute("PRAGMA foreign_key_check").fetchall() == []
