"""A journal that is damaged, missing, foreign, full or not writable: refused in words or unharmed, and
never begun anew behind anybody's back."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.core.jobs import Jobs
from ingestd.core.messages import Record, SaveUplink
from ingestd.core.model import LoadId
from ingestd.journal import database
from ingestd.journal.database import FILE_NAME, MARKER_NAME
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError, PartRecord
from tests.support.journals import (
    Picture,
    encode,
    entry,
    event,
    open_journal,
    picture,
    save_job,
    save_load,
)
from tests.support.journals import expected as said
from tests.support.mounts import needs_root, tmpfs

IDENTITIES = ("spool:a", "spool:b", "spool:never")
REMEDY = "backup|newer version|configuration|user of ingestd|another ingestd"
FLIPS = 500
MIB = 1 << 20


def fill(journal: Journal) -> None:
    """Something of everything."""
    journal.commit([save_job(n) for n in range(3)] + [save_load("load-1")], at=1.0, identities=IDENTITIES[:1])
    journal.commit([event(n) for n in range(5)], at=2.0, identities=IDENTITIES[1:2])
    journal.commit([save_load("load-2", released=True)], at=2.0)
    journal.commit([SaveUplink(rate_bytes_per_second=50_000_000, burst_bytes=None)], at=2.0)
    journal.mark_sent([journal.outbox(1)[0].sequence])
    manifest = journal.manifest(LoadId("load-1"))
    manifest.begin_survey()
    manifest.add([entry(f"scans/page-{n:03d}.tif.gpg") for n in range(30)])
    manifest.add([entry(f"notes/{n}.txt", skip="not-announced") for n in range(5)])
    manifest.expect([said(f"scans/page-{n:03d}.tif.gpg", b"e" * 32, "notice") for n in range(1, 30)])
    manifest.end_survey()
    manifest.record_attempt([(n, bytes([n]) * 32, b"harrow/job/page-%d" % n) for n in range(13)])
    manifest.record_stored([(n, bytes([n]) * 32, b"harrow/job/page-%d" % n) for n in range(10)], found={3})
    manifest.record_failed(10, "unreadable")
    manifest.record_upload(11, "token", 50)
    manifest.record_parts([PartRecord(11, n, bytes(32)) for n in (1, 2)])


def look(folder: Path) -> Picture:
    """Everything that the journal in a folder says; it is closed again whatever happens."""
    journal = open_journal(folder)
    try:
        return picture(journal, "load-1", IDENTITIES)
    finally:
        journal.close()


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a journal that was closed in good order."""
    folder = tmp_path_factory.mktemp("sound")
    journal = open_journal(folder)
    fill(journal)
    journal.close()
    return folder


@pytest.fixture(scope="module")
def expected(sound: Path, tmp_path_factory: pytest.TempPathFactory) -> Picture:
    folder = tmp_path_factory.mktemp("expected") / "copy"
    shutil.copytree(sound, folder)
    return look(folder)


def refused_or_unharmed(folder: Path, expected: Picture) -> bool:
    """Whether the journal was refused. What is refused is left as it was found, for people to save."""
    before = (folder / FILE_NAME).read_bytes()
    try:
        found = look(folder)
    except JournalError as error:
        assert any(word in str(error) for word in REMEDY.split("|")), error
        return True
    assert found == expected
    assert (folder / FILE_NAME).stat().st_size == len(before)
    return False


# -- flipped bits and cut files -------------------------------------------------------------------


def flipped(content: bytes, at: int, bit: int) -> bytes:
    damaged = bytearray(content)
    damaged[at] ^= 1 << bit
    return bytes(damaged)


def test_a_flipped_bit_is_refused_or_does_no_harm(sound: Path, expected: Picture, tmp_path: Path) -> None:
    """All over the file, and in the bytes of its header one by one."""
    chance = random.Random(11)
    content = (sound / FILE_NAME).read_bytes()
    places = [*range(100), *(chance.randrange(len(content)) for _ in range(FLIPS))]
    refused = 0
    for at in places:
        shutil.rmtree(tmp_path)
        shutil.copytree(sound, tmp_path)
        (tmp_path / FILE_NAME).write_bytes(flipped(content, at, chance.randrange(8)))
        refused += refused_or_unharmed(tmp_path, expected)
    assert 20 < refused < len(places), "some bits matter and some do not"


def test_a_journal_too_large_for_the_long_check_is_still_checked(
    sound: Path, expected: Picture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The short check does not compare indexes with tables; broken pages and contents it does see. The
    paths by which files are found stand before the files."""
    monkeypatch.setattr(database, "_THOROUGH_CHECK_MAX_BYTES", 0)
    content = (sound / FILE_NAME).read_bytes()
    for place, complaint in ((b"KELP000001", "is not what was written"), (b"volume-1scans/", "is damaged")):
        at = content.rindex(place)
        shutil.rmtree(tmp_path)
        shutil.copytree(sound, tmp_path)
        (tmp_path / FILE_NAME).write_bytes(flipped(content, at, 0))
        with pytest.raises(JournalError, match=complaint):
            look(tmp_path)


def test_a_flipped_bit_in_the_paths_by_which_files_are_found_is_refused(
    sound: Path, expected: Picture, tmp_path: Path
) -> None:
    content = (sound / FILE_NAME).read_bytes()
    at = content.index(b"volume-1scans/")
    assert at < content.rindex(b"volume-1scans/")
    for bit in (8 * at, 8 * (at + len(b"volume-1scans/page-0"))):
        shutil.rmtree(tmp_path)
        shutil.copytree(sound, tmp_path)
        (tmp_path / FILE_NAME).write_bytes(flipped(content, bit // 8, bit % 8))
        assert refused_or_unharmed(tmp_path, expected)


@pytest.mark.parametrize("change", ["place = 7", "file_no = 100", "load = 9"])
def test_a_wrong_reading_order_is_given_up(tmp_path: Path, change: str) -> None:
    """All files are there, in the order of the survey."""
    journal = open_journal(tmp_path)
    manifest = journal.manifest(LoadId("load-1"))
    manifest.begin_survey()
    manifest.add([entry(f"{n}", place=9 - n) for n in range(3)])
    manifest.end_survey()
    assert [file.file_no for file in manifest.pending(-1, 9)] == [2, 1, 0]
    journal.close()
    with contextlib.closing(sqlite3.connect(tmp_path / FILE_NAME)) as sql:
        sql.execute(f"UPDATE turns SET {change} WHERE file_no = 1")
        sql.commit()
    journal = open_journal(tmp_path)
    assert [file.file_no for file in journal.manifest(LoadId("load-1")).pending(-1, 9)] == [0, 1, 2]
    journal.close()


def test_a_file_cut_short_is_refused(sound: Path, expected: Picture, tmp_path: Path) -> None:
    content = (sound / FILE_NAME).read_bytes()
    pages = len(content) // 4096
    for length in {1, 50, 100, 512, 4095, 4096, *(page * 4096 + 7 * page for page in range(1, pages, 5))}:
        shutil.rmtree(tmp_path)
        shutil.copytree(sound, tmp_path)
        (tmp_path / FILE_NAME).write_bytes(content[:length])
        assert refused_or_unharmed(tmp_path, expected), length
        assert (tmp_path / FILE_NAME).read_bytes() == content[:length]


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a killed process leaves it: what was recorded last is in the log only."""
    folder, copy = tmp_path_factory.mktemp("killed") / "a", tmp_path_factory.mktemp("killed") / "b"
    folder.mkdir()
    journal = open_journal(folder)
    for number in range(40):
        journal.commit([save_job(0, version=number), event(number)], at=float(number))
    shutil.copytree(folder, copy)
    journal.close()
    return copy


def recorded_prefix(folder: Path) -> int:
    """How many of the commits are there; each is there whole, and all those before it."""
    journal = open_journal(folder)
    try:
        events = journal.outbox(100)
        jobs = journal.restore().jobs
    finally:
        journal.close()
    assert [e.body for e in events] == [encode(event(n)) for n in range(len(events))]
    assert jobs == Jobs([save_job(0, version=len(events) - 1).record] if events else [])
    return len(events)


def test_a_damaged_log_never_leaves_a_commit_half_done(interrupted: Path, tmp_path: Path) -> None:
    """SQLite takes the log up to the first frame that does not bear out its checksum."""
    log = FILE_NAME + "-wal"
    content = (interrupted / log).read_bytes()
    chance = random.Random(5)
    cut = [content[: chance.randrange(len(content))] for _ in range(40)]
    hurt = [flipped(content, chance.randrange(len(content)), chance.randrange(8)) for _ in range(40)]
    found = set()
    for damaged in [content, b"", *cut, *hurt]:
        shutil.rmtree(tmp_path)
        shutil.copytree(interrupted, tmp_path)
        (tmp_path / log).write_bytes(damaged)
        try:
            found.add(recorded_prefix(tmp_path))
        except JournalError as error:
            assert "backup" in str(error)
    assert 40 in found
    assert len(found) > 10


# -- missing, empty, foreign ----------------------------------------------------------------------


def remove(folder: Path) -> None:
    (folder / FILE_NAME).unlink()


def empty(folder: Path) -> None:
    (folder / FILE_NAME).write_bytes(b"")


def put_bare_database(folder: Path) -> None:
    (folder / FILE_NAME).unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as sql:
        sql.execute("PRAGMA journal_mode = WAL")


@pytest.mark.parametrize("lose", [remove, empty, put_bare_database])
def test_a_lost_journal_is_not_begun_anew(sound: Path, tmp_path: Path, lose: Callable[[Path], None]) -> None:
    shutil.copytree(sound, tmp_path, dirs_exist_ok=True)
    lose(tmp_path)
    before = sorted(os.listdir(tmp_path))
    for _ in range(2):
        with pytest.raises(JournalError, match=r"put it back from a backup, or move everything in .* aside"):
            open_journal(tmp_path)
    assert sorted(os.listdir(tmp_path)) == before
    for name in os.listdir(tmp_path):
        (tmp_path / name).unlink()
    journal = open_journal(tmp_path)
    assert journal.restore().jobs == Jobs(), "the remedy works"
    journal.close()


def test_a_journal_put_back_without_its_marker_gets_one(
    sound: Path, expected: Picture, tmp_path: Path
) -> None:
    shutil.copy(sound / FILE_NAME, tmp_path)
    assert look(tmp_path) == expected
    assert (tmp_path / MARKER_NAME).exists()


def kill_while_creating(folder: Path, after_s: float) -> None:
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            open_journal(folder)
            time.sleep(60)
        os._exit(1)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def test_a_creation_that_was_broken_off_is_begun_again(tmp_path: Path) -> None:
    """Before the marker is there nothing can have been recorded, whatever is in the file."""
    chance = random.Random(7)
    before_the_marker = 0
    for number in range(40):
        folder = tmp_path / str(number)
        folder.mkdir()
        if number == 0:
            (folder / FILE_NAME).touch()
        elif number == 1:
            put_bare_database(folder)
        else:
            kill_while_creating(folder, chance.uniform(0.0, 0.015))
        before_the_marker += not (folder / MARKER_NAME).exists()
        journal = open_journal(folder)
        journal.commit([save_job(1)], at=1.0)
        journal.close()
    assert before_the_marker > 2, "some were killed on the way"


def foreign_text(folder: Path) -> None:
    (folder / FILE_NAME).write_text("these are the harbour master's notes\n" * 200)


def foreign_database(folder: Path) -> None:
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as sql:
        sql.executescript("CREATE TABLE tides (at REAL); INSERT INTO tides VALUES (1.0);")


def other_application(folder: Path) -> None:
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as sql:
        sql.executescript("PRAGMA application_id = 7; PRAGMA user_version = 1; CREATE TABLE tides (at REAL);")


@pytest.mark.parametrize("put", [foreign_text, foreign_database, other_application])
def test_what_is_not_ours_is_refused_and_left_alone(tmp_path: Path, put: Callable[[Path], None]) -> None:
    put(tmp_path)
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(JournalError, match=r"not a journal of ingestd|not a database"):
        open_journal(tmp_path)
    assert (tmp_path / FILE_NAME).read_bytes() == before
    assert not (tmp_path / MARKER_NAME).exists()


def test_tables_that_were_tampered_with_are_refused(sound: Path, tmp_path: Path) -> None:
    shutil.copytree(sound, tmp_path, dirs_exist_ok=True)
    with contextlib.closing(sqlite3.connect(tmp_path / FILE_NAME)) as sql:
        sql.execute("DROP INDEX outbox_unsent")
    with pytest.raises(JournalError, match="tables are not as they were made"):
        open_journal(tmp_path)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match=r"nowhere does not exist: mount or make it, or correct the conf"):
        open_journal(tmp_path / "nowhere")
    assert os.listdir(tmp_path) == []


def test_a_folder_in_the_place_of_the_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(JournalError, match=FILE_NAME):
        open_journal(tmp_path)


# -- full disks -----------------------------------------------------------------------------------


def fill_up(journal: Journal, number: int = 0) -> tuple[int, JournalError]:
    """Commit until the journal refuses; the first number that it refused, and how."""
    while True:
        number += 1
        records: list[Record] = [save_job(1, version=number), event(number, padding="x" * 20_000)]
        try:
            journal.commit(records, at=1.0, identities=[f"notice-{number}"])
            journal.manifest(LoadId("load-1")).add([entry(f"{number}-{n}.gpg") for n in range(20)])
        except JournalError as error:
            return number, error


def last_in_step(journal: Journal) -> int:
    """The number of the last commit, on which facts, outbox and identities agree."""
    job = next(iter(journal.restore().jobs.values())).job
    assert job is not None
    assert [e.event_id for e in journal.outbox(100_000)][-1] == event(job.version, padding="").event_id
    assert len(journal.outbox(100_000)) == job.version
    assert journal.knows(f"notice-{job.version}")
    assert not journal.knows(f"notice-{job.version + 1}")
    assert journal.manifest(LoadId("load-1")).ledger().discovered_files in (
        20 * job.version,
        20 * job.version - 20,
    )
    return job.version


@needs_root
@pytest.mark.parametrize("spare_bytes", [0, 100_000, 300_000])
def test_a_full_disk_leaves_nothing_half_done(tmp_path: Path, spare_bytes: int) -> None:
    with tmpfs(tmp_path / "small", "4m") as small_disk:
        fill_up_and_free(small_disk, spare_bytes)


def fill_up_and_free(small_disk: Path, spare_bytes: int) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(MIB + spare_bytes))
    journal = open_journal(small_disk)
    refused, error = fill_up(journal)
    assert "no space is left" in str(error)
    assert refused > 3
    assert journal.broken
    with pytest.raises(JournalError, match="nothing is recorded any more"):
        journal.commit([save_job(9)], at=1.0)
    assert last_in_step(journal) in (refused - 1, refused)
    journal.close()

    with contextlib.suppress(JournalError):  # the disk is still full: either answer is right
        open_journal(small_disk).close()
    ballast.unlink()
    journal = open_journal(small_disk)
    recorded = last_in_step(journal)
    assert recorded in (refused - 1, refused)
    journal.commit([save_job(1, version=recorded + 1), event(recorded + 1)], at=1.0)
    assert not journal.broken
    journal.close()


def test_a_disk_that_fails_to_write_leaves_nothing_half_done(tmp_path: Path) -> None:
    """The system refuses to make any file longer than this, as a failing disk might."""
    journal = open_journal(tmp_path)
    unlimited = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2 * MIB, unlimited[1]))
    try:
        refused, error = fill_up(journal)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, unlimited)
    assert "the disk does not read or write it" in str(error)
    assert journal.broken
    journal.close()
    journal = open_journal(tmp_path)
    assert last_in_step(journal) in (refused - 1, refused)
    journal.close()
