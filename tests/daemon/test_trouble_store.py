"""Trouble with the store: a load is held or waits, and never fails for it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, tree, wait_for
from tests.support.mounts import needs_root, remount, tmpfs

FILES = {b"north.enc": sealed(2_500_000, 1), b"south.enc": sealed(200_000, 2)}


def waiting(station: Station) -> Station:
    """The station, with a drive in a bay and its job announced."""
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    return station


def lift(station: Station) -> None:
    station.wait_phase("KELP-0071", "held")
    lifted = station.ingestd("lift", "bay-1", "--by", "ines")
    assert lifted.returncode == 0, lifted.stderr


def ends_right(station: Station) -> None:
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"
    assert tree(station.vault / TENANT / "TW-2041") == FILES
    assert not station.told("ingest.job.failed")
    assert not list(station.vault.glob(".ingest-parts/*"))


def test_a_store_that_is_not_mounted_holds_its_loads_and_is_never_made(station: Station) -> None:
    waiting(station)
    station.vault.rename(station.root / "unmounted")
    station.start()
    held = station.wait_told("ingest.load.held")
    assert (held["reason"], held["cause"]) == ("store-missing", "dependency")
    assert str(station.vault) in held["text"]
    assert "mount its file system" in held["text"]
    assert not station.vault.exists()

    (station.root / "unmounted").rename(station.vault)
    lift(station)
    ends_right(station)
    assert station.told("ingest.load.resumed")[0]["text"] == "again by ines"


def test_a_store_that_goes_away_in_mid_load(make_station: MakeStation) -> None:
    station = waiting(
        make_station(uplink={"rate_bytes_per_second": 2_000_000}, transfer={"buffer_bytes": 65_536})
    )
    station.start()
    wait_for(lambda: list(station.vault.glob(".ingest-parts/*")), what="a file on its way")
    station.vault.rename(station.root / "unmounted")
    held = station.wait_told("ingest.load.held")
    assert held["reason"] == "store-missing"
    (station.root / "unmounted").rename(station.vault)
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
    assert station.wait_told("ingest.load.held")["job_id"] == "TW-1"
    ends_right(station)
    (line,) = station.lines("store_not_swept")
    assert line["store"] == "shelf"


@pytest.fixture
def small_vault(make_station: MakeStation) -> Iterator[Station]:
    """A station whose store has room for two megabytes."""
    station = make_station(transfer={"buffer_bytes": 65_536})
    with tmpfs(station.vault, "2m"):
        yield station
        station.end()


@needs_root
def test_a_full_store_holds_the_load_and_with_room_again_it_ends_right(small_vault: Station) -> None:
    waiting(small_vault).start()
    held = small_vault.wait_told("ingest.load.held")
    assert held["cause"] == "dependency"
    assert "free some space" in held["text"]
    remount(small_vault.vault, "size=8m")
    lift(small_vault)
    ends_right(small_vault)


@needs_root
def test_a_store_that_fills_up_while_small_files_go_there(small_vault: Station) -> None:
    files = {b"day/%d.enc" % n: sealed(9_000, n) for n in range(300)}
    small_vault.write_drive("KELP-0071", files)
    small_vault.announce("TW-2041", "KELP-0071")
    small_vault.plug("bay-1", "KELP-0071")
    small_vault.start()
    assert small_vault.wait_told("ingest.load.held")["cause"] == "dependency"
    remount(small_vault.vault, "size=8m")
    lift(small_vault)
    assert small_vault.wait_released("KELP-0071")["outcome"] == "loaded"
    assert tree(small_vault.vault / TENANT / "TW-2041") == files


@needs_root
def test_a_store_that_became_read_only_holds_the_load(small_vault: Station) -> None:
    waiting(small_vault)
    remount(small_vault.vault, "ro")
    small_vault.start()
    held = small_vault.wait_told("ingest.load.held")
    assert (held["reason"], held["cause"]) == ("store-refused", "dependency")
    remount(small_vault.vault, "rw,size=8m")
    lift(small_vault)
    ends_right(small_vault)


def test_what_lies_in_the_way_is_never_overwritten(station: Station) -> None:
    waiting(station)
    there = station.vault / TENANT / "TW-2041" / "south.enc"
    there.parent.mkdir(parents=True)
    there.write_bytes(b"of an order long ago")
    station.start()
    held = station.wait_told("ingest.load.held")
    assert held["reason"] == "store-conflict"
    assert there.read_bytes() == b"of an order long ago"
    there.unlink()
    lift(station)
    ends_right(station)


def test_a_link_planted_in_the_store_is_not_followed(station: Station, tmp_path: Path) -> None:
    waiting(station)
    elsewhere = tmp_path / "lumen-dome"
    elsewhere.mkdir()
    os.symlink(elsewhere, station.vault / TENANT)
    station.start()
    assert station.wait_told("ingest.load.held")["reason"] == "store-conflict"
    assert list(elsewhere.iterdir()) == []


def test_stored_data_that_is_gone_when_it_is_proved_is_stored_again(make_station: MakeStation) -> None:
    station = waiting(
        make_station(uplink={"rate_bytes_per_second": 2_000_000}, transfer={"buffer_bytes": 65_536})
    )
    station.announce("TW-2041", "KELP-0071", version=2, proof="full")
    station.start()
    first = station.vault / TENANT / "TW-2041" / "south.enc"
    wait_for(first.exists, what="the first file stored")
    first.unlink()
    ends_right(station)
