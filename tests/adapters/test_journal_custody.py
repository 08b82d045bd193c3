"""Records of custody in the journal, and the files that are made of them."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from ingestd.core.custody import About, Action, Deed, Entry, Surroundings, entry_after
from ingestd.core.custody_check import check
from ingestd.core.drive import CustodyHead, DriveIdentity
from ingestd.core.messages import SaveCustody
from ingestd.core.model import BayName, LoadId
from ingestd.journal.database import FILE_NAME
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.runtime import custody_files
from ingestd.runtime.custody_files import CustodyFiles
from tests.support.daemon import wait_for
from tests.support.journals import event, open_journal, save_load

LOAD = LoadId("quay-03.bay-1.20310517T082000250Z")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = open_journal(tmp_path)
    yield opened
    opened.close()


def entries(count: int, load_id: LoadId = LOAD) -> list[Entry]:
    about = About(
        load_id=load_id,
        drive=DriveIdentity(serial="KELP000001"),
        bay=BayName("bay-1"),
        station="quay-03",
        surroundings=Surroundings(),
    )
    made: list[Entry] = []
    head: CustodyHead | None = None
    for number in range(count):
        action = Action.PLUGGED_IN if number == 0 else Action.SURVEYED
        made.append(entry_after(head, Deed(action=action), about, 1.0 + number))
        head = made[-1].head
    return made


def saved(some: list[Entry]) -> list[SaveCustody]:
    return [SaveCustody(entry=entry) for entry in some]


def test_entries_survive_in_their_order(journal: Journal, tmp_path: Path) -> None:
    made = entries(5)
    journal.commit([*saved(made[:2]), event(1)], at=1.0)
    journal.commit(saved(made[2:]), at=2.0)
    assert journal.custody(LOAD) == tuple(made)
    journal.close()
    again = open_journal(tmp_path)
    assert again.custody(LOAD) == tuple(made)
    assert again.custody_lengths() == {LOAD: 5}
    assert again.custody(LoadId("another")) == ()
    again.close()


def test_an_entry_is_committed_with_its_decision_or_not_at_all(journal: Journal) -> None:
    made = entries(2)
    journal.commit(saved(made[:1]), at=1.0)
    journal.custody_changes()
    with pytest.raises(JournalError):
        journal.commit([*saved(made[1:]), event(1), *saved(made[:1])], at=2.0)
    assert journal.custody(LOAD) == tuple(made[:1])
    assert journal.outbox(10) == []
    assert journal.custody_changes() == frozenset()


def test_what_has_grown_is_told_once(journal: Journal) -> None:
    journal.commit(saved(entries(2)), at=1.0)
    assert journal.custody_changes() == {LOAD}
    assert journal.custody_changes() == frozenset()


def test_a_record_goes_with_its_load_and_no_sooner(journal: Journal) -> None:
    over, plugged, going_on = LoadId("over"), LoadId("plugged"), LoadId("going-on")
    for load_id in (over, plugged, going_on):
        journal.commit(saved(entries(3, load_id)), at=1.0)
    journal.commit([save_load(over, released=True, bay=None), save_load(plugged, released=True)], at=10.0)
    journal.commit([save_load(going_on)], at=10.0)
    assert not journal.prune(before=10.0).loads
    assert set(journal.custody_lengths()) == {over, plugged, going_on}
    assert journal.prune(before=20.0).loads == 1
    assert set(journal.custody_lengths()) == {plugged, going_on}
    assert len(journal.custody(plugged)) == 3


def raised(error: JournalError) -> None:
    raise error


# -- files -----------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "custody"
    made.mkdir()
    return made


def following(folder: Path, journal: Journal, keep_days: float = 30.0) -> CustodyFiles:
    return CustodyFiles(str(folder), journal, raised, lambda: keep_days, every_s=0.01)


def written(some: list[Entry]) -> bytes:
    return b"".join(entry.line + b"\n" for entry in some)


def test_files_follow_the_journal(journal: Journal, folder: Path) -> None:
    made = entries(4)
    journal.commit(saved(made[:2]), at=1.0)
    files = following(folder, journal)
    files.start()
    path = folder / f"{LOAD}.jsonl"
    wait_for(lambda: path.exists() and path.read_bytes() == written(made[:2]), what="two entries")
    journal.commit(saved(made[2:]), at=2.0)
    files.stop()
    assert path.read_bytes() == written(made)


def test_files_whose_load_is_gone_go_too(journal: Journal, folder: Path) -> None:
    journal.commit([*saved(entries(2)), save_load(LOAD, released=True, bay=None)], at=1.0)
    files = following(folder, journal, keep_days=1.0)
    files.write()
    (folder / ".half.jsonl.1.tmp").write_bytes(b"{")
    assert journal.prune(before=10.0).loads == 1
    files.write()
    assert (folder / f"{LOAD}.jsonl").exists()
    files.look_over()
    files.write()
    # The journal may have been lost: then the file is the only copy.
    assert [each.name for each in folder.iterdir()] == [f"{LOAD}.jsonl"]
    two_days_ago = time.time() - 2 * 86_400
    os.utime(folder / f"{LOAD}.jsonl", (two_days_ago, two_days_ago))
    files.look_over()
    files.write()
    assert list(folder.iterdir()) == []


def test_a_record_that_goes_while_the_files_are_looked_over(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the loop, which prunes; of the record there was an empty file, after a loss of power."""
    monkeypatch.setattr(journal, "custody_lengths", lambda: {LOAD: 2})
    (folder / f"{LOAD}.jsonl").touch()
    following(folder, journal).write()
    assert (folder / f"{LOAD}.jsonl").read_bytes() == b""


def test_a_folder_that_somebody_made_there_is_left_alone(journal: Journal, folder: Path) -> None:
    """As when a copy that was altered is moved away, as `ingestd custody` asks for."""
    journal.commit(saved(entries(2)), at=1.0)
    two_days_ago = time.time() - 2 * 86_400
    for name in ("altered", ".snapshot"):
        (folder / name).mkdir()
        os.utime(folder / name, (two_days_ago, two_days_ago))
    with capture_logs() as lines:
        following(folder, journal, keep_days=1.0).write()
    assert lines == []
    assert sorted(each.name for each in folder.iterdir()) == [".snapshot", "altered", f"{LOAD}.jsonl"]


def test_a_folder_that_cannot_be_written_to_is_told_once_and_tried_again(
    journal: Journal, folder: Path
) -> None:
    journal.commit(saved(entries(2)), at=1.0)
    files = following(folder, journal)
    folder.rmdir()
    with capture_logs() as lines:
        files.write()
        files.write()
    assert [line["event"] for line in lines] == ["custody_not_written"]
    told = files.trouble
    assert told is not None
    assert told.startswith(f"records of custody cannot be written to {folder} (No such file or directory)")
    folder.mkdir()
    files.write()
    told = files.trouble
    assert told is None
    assert (folder / f"{LOAD}.jsonl").read_bytes() == written(entries(2))


def test_a_broken_journal_is_told(journal: Journal, folder: Path) -> None:
    told = threading.Event()
    files = CustodyFiles(str(folder), journal, lambda _: told.set(), lambda: 1.0, every_s=0.01)
    journal.close()
    files.start()
    assert told.wait(5)
    wait_for(lambda: not files.alive, what="the end of the thread")


def appended(some: list[Entry]) -> int:
    return sum(len(entry.line) + 1 for entry in some)


def test_a_record_that_grows_is_not_written_again(journal: Journal, folder: Path) -> None:
    """Only what it has grown by: a drive that comes and goes for days has thousands of entries."""
    made = entries(60)
    files, path = following(folder, journal), folder / f"{LOAD}.jsonl"
    journal.commit(saved(made[:1]), at=1.0)
    files.write()
    inode = path.stat().st_ino
    for number in range(1, 60):
        journal.commit(saved(made[number : number + 1]), at=1.0)
        files.write()
        assert path.read_bytes() == written(made[: number + 1])
    assert path.stat().st_ino == inode
    assert path.stat().st_size == appended(made)


@pytest.mark.parametrize("anew", [False, True], ids=["at the next entry", "at the start"])
@pytest.mark.parametrize(
    "spoil",
    [
        lambda body: body[:-1],
        lambda body: body[:-40],
        lambda body: body + b"{",
        lambda body: body + bytes(4096),
        lambda body: b"",
        lambda body: body[:50] + bytes(20) + body[70:],
    ],
    ids=["no end of line", "torn", "half a line more", "zeros", "empty", "zeros within"],
)
def test_a_file_that_is_not_as_it_was_left_is_mended(
    journal: Journal, folder: Path, spoil: Callable[[bytes], bytes], anew: bool
) -> None:
    made = entries(4)
    journal.commit(saved(made[:3]), at=1.0)
    files, path = following(folder, journal), folder / f"{LOAD}.jsonl"
    files.write()
    spoilt = spoil(path.read_bytes())
    path.write_bytes(spoilt)
    if anew:
        following(folder, journal).write()
        assert path.read_bytes() == written(made[:3])
    elif len(spoilt) != appended(made[:3]):
        journal.commit(saved(made[3:]), at=2.0)
        files.write()
        assert path.read_bytes() == written(made)


def test_a_disk_that_is_full_for_a_while(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = entries(4)
    journal.commit(saved(made[:3]), at=1.0)
    files, path = following(folder, journal), folder / f"{LOAD}.jsonl"
    files.write()

    def torn(path: str, added: bytes) -> None:
        with open(path, "ab") as file:
            file.write(added[:20])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    journal.commit(saved(made[3:]), at=2.0)
    with monkeypatch.context() as full:
        full.setattr(custody_files, "_append", torn)
        files.write()
    assert path.read_bytes() != written(made)
    files.write()
    assert path.read_bytes() == written(made)


# -- damage ----------------------------------------------------------------------------------------


def damage(folder: Path, number: int, change: str) -> None:
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as sql:
        sql.execute(f"UPDATE custody SET {change} WHERE load_id = ? AND number = ?", (LOAD, number))
        sql.commit()


DAMAGE = {
    "an entry": "line = CAST(replace(CAST(line AS TEXT), 'quay-03', 'quay-04') AS BLOB)",
    "no JSON": "line = substr(line, 1, 30)",
    "a hash": "sha256 = replace(sha256, substr(sha256, 1, 1), 'z')",
    "no text": "sha256 = CAST(x'b1' || substr(CAST(sha256 AS BLOB), 2) AS TEXT)",
}


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("change", DAMAGE.values(), ids=DAMAGE)
def test_an_entry_that_was_damaged_in_the_journal_is_mended_from_the_file(
    journal: Journal, folder: Path, tmp_path: Path, change: str, number: int
) -> None:
    made = entries(4)
    journal.commit(saved(made[:3]), at=1.0)
    following(folder, journal).write()
    journal.close()
    damage(tmp_path, number, change)
    again = open_journal(tmp_path)
    again.commit(saved(made[3:]), at=2.0)
    with capture_logs() as lines:
        following(folder, again).write()
    assert [(line["event"], line["load"]) for line in lines] == [("custody_mended", LOAD)]
    assert again.custody(LOAD) == tuple(made)
    assert (folder / f"{LOAD}.jsonl").read_bytes() == written(made)
    again.close()


IDS = {
    "no text": "load_id = CAST(CAST(load_id AS BLOB) || x'b1' AS TEXT)",
    "a folder": "load_id = replace(load_id, '03.', '03/')",
    "another": "load_id = replace(load_id, 'bay-1', 'bay-0')",
    "hidden": "load_id = '.' || load_id",
}


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("change", IDS.values(), ids=IDS)
@pytest.mark.parametrize("with_file", [True, False])
def test_an_entry_whose_load_was_damaged_costs_nothing_but_itself(
    journal: Journal, folder: Path, tmp_path: Path, change: str, number: int, with_file: bool
) -> None:
    """It is missed, unless the file has it and another one follows on it."""
    made, others = entries(4), entries(2, LoadId("another"))
    journal.commit([*saved(made[:3]), *saved(others)], at=1.0)
    if with_file:
        following(folder, journal).write()
    journal.close()
    damage(tmp_path, number, change)
    again = open_journal(tmp_path)
    files = following(folder, again)
    files.write()
    again.commit(saved(made[3:]), at=2.0)
    files.write()
    assert files.trouble is None
    assert (folder / "another.jsonl").read_bytes() == written(others)
    body = (folder / f"{LOAD}.jsonl").read_bytes()
    if with_file and number < 3:
        assert body == written(made)
        assert again.custody(LOAD) == tuple(made)
    else:
        assert body.splitlines() == [entry.line for entry in made if entry.number != number]
        assert check(body.splitlines(keepends=True), made[3].sha256).problems
    again.close()


@pytest.mark.parametrize("number", [1, 2, 3])
def test_an_entry_that_was_damaged_everywhere_costs_nothing_but_itself(
    journal: Journal, folder: Path, tmp_path: Path, number: int
) -> None:
    """The record is given as it is, other records and the daemon go on, and who verifies it is told."""
    made, others = entries(4), entries(2, LoadId("another"))
    journal.commit([*saved(made[:3]), *saved(others)], at=1.0)
    journal.close()
    damage(tmp_path, number, "line = CAST(replace(CAST(line AS TEXT), 'unknown', 'unknowm') AS BLOB)")
    again = open_journal(tmp_path)
    files = following(folder, again)
    with capture_logs() as lines:
        files.write()
        assert len(custody_files.record_of(again, str(folder), LOAD)) == 3
    assert {line["event"] for line in lines} == {"custody_damaged"}
    again.commit(saved(made[3:]), at=2.0)
    files.write()
    body = (folder / f"{LOAD}.jsonl").read_bytes()
    assert body.splitlines()[3] == made[3].line
    problems = check(body.splitlines(keepends=True), made[3].sha256).problems
    assert len(problems) == 1
    assert problems[0].startswith(f"line {number}: was altered")
    assert (folder / "another.jsonl").read_bytes() == written(others)
    again.close()
