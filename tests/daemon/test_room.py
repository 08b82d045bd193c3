"""Drives with more on them than the station has room to remember."""

from __future__ import annotations

import signal

import pytest

from ingestd.ports import StationFull
from ingestd.runtime.room import Room, floor_bytes
from tests.daemon.conftest import MakeStation
from tests.support.daemon import Station, sealed, wait_for
from tests.support.mounts import needs_root, tmpfs
from tests.support.visits import Visit

MANY = {b"day/%04d.enc" % n: sealed(9_000, n) for n in range(60)}
OTHER = {b"north.enc": sealed(90_000, 1)}


def test_what_surveys_leave_free() -> None:
    assert floor_bytes(5 << 30) == 512 << 20
    assert floor_bytes(4 << 40) == 1 << 30


def test_a_drive_with_too_many_files_is_held_and_no_other(make_station: MakeStation) -> None:
    station = make_station(drives={"files_max": 50})
    station.start()
    many, other = Visit(station, MANY).announce(), Visit(station, OTHER).announce()
    many.plug()
    other.plug()
    words = "there are more than 50 files on the drive: raise drives.files_max"
    assert words in many.held("station-fault")["text"]
    assert other.released()["outcome"] == "loaded"
    assert not many.folder.exists()

    station.configure(drives={"files_max": 60})
    station.signal(signal.SIGHUP)
    wait_for(lambda: station.lines("reloaded"), what="the reload")
    assert station.ingestd("lift", many.bay).returncode == 0
    assert many.released()["outcome"] == "loaded"
    assert len(many.stored()) == 60


@needs_root
def test_a_survey_stops_before_the_journals_disk_is_full_and_the_daemon_goes_on(
    make_station: MakeStation,
) -> None:
    station: Station = make_station()
    with tmpfs(station.state, "40m"):
        station.start()
        (ballast := station.state / "ballast").write_bytes(bytes(36 << 20))
        visit = Visit(station, MANY).announce().plug()
        assert "the journal's disk has " in visit.held("station-fault")["text"]
        assert station.running
        ballast.unlink()
        assert station.ingestd("lift", visit.bay).returncode == 0
        assert visit.released()["outcome"] == "loaded"
        station.end()


def test_the_remedy_is_in_the_words(tmp_path: object) -> None:
    with pytest.raises(StationFull, match=r"raise drives\.files_max, .* and lift the hold"):
        Room(str(tmp_path), lambda: 3)(4)
