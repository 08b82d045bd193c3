"""Trouble with the store: a load is held or waits, and never fails for it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, tree, wait_for
from tests.support.mounts import needs_root, remount, tmpfs

FILES = {b"south.enc": sealed(200_000, 2), b"north.enc": sealed(2_500_000, 1)}
"""In the order in which they are stored."""


def waiting(station: Station) -> Station:
    """The station, with a drive in a bay and its job announced."""
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    return station


def held_for_store(station: Station) -> dict[str, Any]:
    return station.wait_told("ingest.load.held", cause="dependency")


def lift(station: Station) -> None:
    lifted = station.ingestd("lift", "bay-1", "--by", "ines")
    assert lifted.returncode == 0, lifted.stderr


def ends_right(station: Station) -> None:
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"
    assert tree(station.archive / TENANT / "TW-2041") == FILES
    assert not station.told("ingest.job.failed")
    assert not list(station.archive.glob(".ingest-parts/*"))


def test_a_store_that_is_not_mounted_holds_its_loads_and_is_never_made(station: Station) -> None:
    waiting(station)
    station.archive.rename(station.root / "unmounted")
    station.start()
    held = held_for_store(station)
    assert held["reason"] == "store-missing"
    assert str(station.archive) in held["text"]
    assert "mount its file system" in held["text"]
    assert not station.archive.exists()

    (station.root / "unmounted").rename(station.archive)
    lift(station)
    ends_right(station)
    assert any("ines" in resumed["text"] for resumed in station.told("ingest.load.resumed"))


def test_a_store_that_goes_away_in_mid_load(make_station: MakeStation) -> None:
    station = waiting(
        make_station(uplink={"rate_bytes_per_second": 2_000_000}, transfer={"buffer_bytes": 65_536})
    )
    station.start()
    wait_for(lambda: list(station.archive.glob(".ingest-parts/*")), what="a file on its way")
    station.archive.rename(station.root / "unmounted")
    held = held_for_store(station)
    assert held["reason"] == "store-missing"
    (station.root / "unmounted").rename(station.archive)
    lift(station)
    ends_right(station)


def test_other_stores_go_on_while_one_is_missing(station: Station) -> None:
    shelf = station.root / "shelf"
    with station.config.open("a") as config:
        config.write(f'[[stores]]\nname = "shelf"\nfolder = "{shelf}"\n')
    station.write_drive("DOME-1180", FILES)
    destination = {"store": "shelf", "prefix": f"{TENANT}/TW-1"}
    station.announce("TW-1", "DOME-1180", destination=destination)
    station.plug("bay-2", "DOME-1180")
    waiting(station).start()
    assert held_for_store(station)["job_id"] == "TW-1"
    ends_right(station)
    (line,) = station.lines("store_not_swept")
    assert line["store"] == "shelf"


@pytest.fixture
def small_archive(make_station: MakeStation) -> Iterator[Station]:
    """A station whose store has room for two megabytes."""
    station = make_station(transfer={"buffer_bytes": 65_536})
    with tmpfs(station.archive, "2m"):
        yield station
        station.end()


@needs_root
def test_a_full_store_holds_the_load_and_with_room_again_it_ends_right(small_archive: Station) -> None:
    waiting(small_archive).start()
    held = held_for_store(small_archive)
    assert held["reason"] == "store-full"
    assert "free some space" in held["text"]
    remount(small_archive.archive, "size=8m")
    lift(small_archive)
    ends_right(small_archive)


@needs_root
def test_a_store_that_fills_up_while_small_files_go_there(small_archive: Station) -> None:
    files = {b"day/%d.enc" % n: sealed(9_000, n) for n in range(300)}
    small_archive.write_drive("KELP-0071", files)
    small_archive.announce("TW-2041", "KELP-0071")
    small_archive.plug("bay-1", "KELP-0071")
    small_archive.start()
    held_for_store(small_archive)
    remount(small_archive.archive, "size=8m")
    lift(small_archive)
    assert small_archive.wait_released("KELP-0071")["outcome"] == "loaded"
    assert tree(small_archive.archive / TENANT / "TW-2041") == files


@needs_root
def test_a_store_that_became_read_only_holds_the_load(small_archive: Station) -> None:
    waiting(small_archive)
    remount(small_archive.archive, "ro")
    small_archive.start()
    held = held_for_store(small_archive)
    assert held["reason"] == "store-refused"
    remount(small_archive.archive, "rw,size=8m")
    lift(small_archive)
    ends_right(small_archive)


def test_what_lies_in_the_way_is_never_overwritten(station: Station) -> None:
    waiting(station)
    there = station.archive / TENANT / "TW-2041" / "south.enc"
    there.parent.mkdir(parents=True)
    there.write_bytes(b"of an order long ago")
    station.start()
    held = held_for_store(station)
    assert held["reason"] == "store-conflict"
    assert there.read_bytes() == b"of an order long ago"
    there.unlink()
    lift(station)
    ends_right(station)


def test_a_link_planted_in_the_store_is_not_followed(station: Station, tmp_path: Path) -> None:
    waiting(station)
    elsewhere = tmp_path / "lumen-dome"
    elsewhere.mkdir()
    os.symlink(elsewhere, station.archive / TENANT)
    station.start()
    assert held_for_store(station)["reason"] == "store-conflict"
    assert list(elsewhere.iterdir()) == []


def test_stored_data_that_is_gone_when_it_is_proved_is_stored_again(make_station: MakeStation) -> None:
    station = waiting(
        make_station(uplink={"rate_bytes_per_second": 2_000_000}, transfer={"buffer_bytes": 65_536})
    )
    station.announce("TW-2041", "KELP-0071", version=2, proof="full")
    station.start()
    first = station.archive / TENANT / "TW-2041" / "south.enc"
    wait_for(first.exists, what="the first file stored")
    first.unlink()
    ends_right(station)
