"""Trouble with the station's own disk: clear words, nothing decided unrecorded, nothing lost."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, checked, files_now, sealed, tree, wait_for
from tests.support.mounts import needs_root, tmpfs

FILES = {b"north.enc": sealed(300_000, 1), b"south.enc": sealed(200_000, 2)}


@pytest.fixture
def rested(station: Station) -> Station:
    """A station that holds a drive and was stopped; since then, a job has been announced."""
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.start()
    station.wait_told("ingest.load.held")
    assert station.stop() == 0
    station.announce("TW-2042", "KELP-0072")
    return station


def refuses_to_start(station: Station) -> str:
    """Its last words; nothing else has changed by the attempt."""
    before = contents(station.spool), contents(station.archive)
    ended = station.ingestd("run")
    assert ended.returncode == 1
    assert (contents(station.spool), contents(station.archive)) == before
    assert "Traceback" not in ended.stderr
    return ended.stderr.splitlines()[-1]


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def journal_of(station: Station) -> Path:
    return station.state / "journal" / "journal.db"


# -- a journal that cannot be trusted --------------------------------------------------------------


@pytest.mark.parametrize("pages", ["first", "others", "cut off"])
def test_a_damaged_journal_is_left_as_it_is(rested: Station, pages: str) -> None:
    journal = journal_of(rested)
    size = journal.stat().st_size
    with journal.open("r+b") as file:
        if pages == "cut off":
            file.truncate(size // 2)
        for offset in [0] if pages == "first" else range(4096, size // 2, 4096):
            file.seek(offset)
            file.write(os.urandom(512))
    damaged = journal.read_bytes()
    words = refuses_to_start(rested)
    assert "put it back from a backup" in words
    assert "journal" in words
    assert journal.read_bytes() == damaged


@pytest.mark.parametrize("empty", [False, True], ids=["deleted", "empty"])
def test_a_lost_journal_is_not_begun_anew(rested: Station, empty: bool) -> None:
    journal = journal_of(rested)
    journal.unlink()
    if empty:
        journal.touch()
    words = refuses_to_start(rested)
    assert "is missing or empty, although one was created here" in words
    assert [journal.stat().st_size] == [0] if empty else not journal.exists()


def test_a_journal_of_somebody_else_is_not_touched(rested: Station) -> None:
    journal = journal_of(rested)
    journal.unlink()
    with sqlite3.connect(journal) as other:
        other.execute("CREATE TABLE notes (text)")
    other.close()
    before = journal.read_bytes()
    assert "is not a journal of ingestd" in refuses_to_start(rested)
    assert journal.read_bytes() == before


def test_moving_the_journal_aside_begins_an_empty_one_that_overwrites_no_event(rested: Station) -> None:
    (before,) = rested.events()
    (rested.state / "journal").rename(rested.root / "aside")
    rested.start()
    wait_for(lambda: (rested.picture() or {}).get("jobs_pending") == 1, what="the new job")
    wait_for(lambda: len(rested.events("ingest.load.held")) == 2, 5.0, "a second hold beside the first")
    assert rested.events()[0] == before


# -- folders ---------------------------------------------------------------------------------------


def test_a_state_folder_that_is_a_file_is_told_in_words(station: Station) -> None:
    station.state.rmdir()
    station.state.write_text("not a folder")
    words = refuses_to_start(station)
    assert words.startswith(f"ingestd: the state folder {station.state}")


def test_a_state_folder_whose_disk_is_not_there_is_told_in_words(make_station: MakeStation) -> None:
    station = make_station()
    station.state.rmdir()
    station.configure(station={"state_folder": "/proc/ingestd/state"})
    words = refuses_to_start(station)
    assert words.startswith("ingestd: the state folder /proc/ingestd/state")


# -- no room ---------------------------------------------------------------------------------------


@pytest.fixture
def cramped(make_station: MakeStation, tmp_path: Path) -> Iterator[Station]:
    """A station with a small disk of its own for its state."""
    station = make_station(uplink={"rate_bytes_per_second": 1_000_000}, transfer={"buffer_bytes": 65_536})
    with tmpfs(station.state, "4m"):
        yield station
        station.end()


def fill(folder: Path) -> Path:
    """Take all the room that is left."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while file.write(bytes(4096)):
                pass
        except OSError:
            return ballast
    raise AssertionError("a write of no bytes")


@needs_root
def test_a_full_state_disk_stops_the_daemon_and_with_room_again_the_load_ends_right(
    cramped: Station,
) -> None:
    files = {b"day/%d.enc" % n: sealed(9_000, n) for n in range(300)}
    cramped.write_drive("KELP-0071", files)
    cramped.announce("TW-2041", "KELP-0071")
    cramped.plug("bay-1", "KELP-0071")
    cramped.start()
    wait_for(lambda: files_now(cramped.archive, ".enc"), what="the first files stored")
    ballast = fill(cramped.state)
    assert cramped.wait_end() == 1
    assert "Traceback" not in cramped.logged
    assert "no space is left for it: free some on its file system" in cramped.logged.splitlines()[-1]
    (line,) = cramped.lines("journal_broken")
    assert line["level"] == "critical"

    ballast.unlink()
    cramped.start()
    assert cramped.wait_released("KELP-0071")["outcome"] == "loaded"
    folder = cramped.archive / TENANT / "TW-2041"
    assert tree(folder) == files
    (manifest,) = (folder / ".ingest").glob("*.sha256")
    assert checked(folder, manifest) == []
    assert cramped.stop() == 0


@needs_root
def test_a_state_disk_that_is_full_at_the_start_is_told_in_words(cramped: Station) -> None:
    fill(cramped.state)
    words = refuses_to_start(cramped)
    assert words.startswith(f"ingestd: the state folder {cramped.state} cannot be used (No space left")


def test_a_status_that_cannot_be_written_costs_the_status_only(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.start()
    station.status_path.unlink()
    station.status_path.mkdir()
    station.plug("bay-1", "KELP-0071")
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"
    wait_for(lambda: station.lines("status_not_written"), what="the log to say so")
    assert station.stop() == 0
    assert len(station.lines("status_not_written")) == 1
