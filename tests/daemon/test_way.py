"""The whole way of a drive, from plugged in to released, as people outside see it."""

from __future__ import annotations

import hashlib
import json
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, checked, sealed, tree, wait_for

FILES = {
    b"north-transect.enc": sealed(700_000, 1),
    b"south-transect.enc": sealed(300_000, 2),
    b"logs/day-1.enc": sealed(70_000, 3),
}
WAY = [
    "ingest.load.started",
    "ingest.job.loaded",
    "ingest.drive.released",
]


def folder_of(station: Station, job_id: str) -> Path:
    return station.archive / TENANT / job_id


def record(station: Station, job_id: str, pattern: str) -> Path:
    (path,) = (folder_of(station, job_id) / ".ingest").glob(pattern)
    return path


# -- a good drive ----------------------------------------------------------------------------------


def test_a_matched_drive_is_stored_proved_and_released(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.start()
    station.announce("TW-2041", "KELP-0071", return_label_enclosed=True)
    wait_for(lambda: list((station.spool / "accepted").iterdir()), what="the announcement taken")
    station.plug("bay-1", "KELP-0071")
    released = station.wait_released("KELP-0071")

    assert (released["outcome"], released["disposition"], released["bay"]) == ("loaded", "return", "bay-1")
    assert tree(folder_of(station, "TW-2041")) == FILES
    assert checked(folder_of(station, "TW-2041"), record(station, "TW-2041", "*.sha256")) == []
    assert station.kinds(released["load_id"]) == WAY
    assert not list(station.archive.glob(".ingest-parts/*"))
    assert station.stop() == 0


def test_the_receipt_says_what_was_stored_and_names_its_manifest(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071")
    station.start()
    station.wait_released("KELP-0071")

    receipt = json.loads(record(station, "TW-2041", "*.receipt.json").read_bytes())
    manifest = station.archive / receipt["manifest"]
    assert hashlib.sha256(manifest.read_bytes()).hexdigest() == receipt["manifest_sha256"]
    stored = sum(map(len, FILES.values()))
    assert (receipt["files"], receipt["stored_bytes"]) == (len(FILES), stored)
    assert (receipt["job_id"], receipt["serial"], receipt["station"]) == ("TW-2041", "KELP-0071", "quay-03")
    (published,) = station.told("ingest.job.loaded")[0]["receipts"]
    moments = [datetime.fromisoformat(each.pop("proved_at")) for each in (receipt, published)]
    assert published == receipt
    assert abs(moments[0] - moments[1]) < timedelta(milliseconds=1)


@pytest.mark.parametrize(
    ("level", "files", "size_bytes"),
    [("listed", 0, 0), ("sampled", 3, 1_070_000), ("full", 3, 1_070_000)],
)
def test_each_level_of_proof_says_how_much_was_read_back(
    station: Station, level: str, files: int, size_bytes: int
) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071", proof=level)
    station.start()
    station.wait_released("KELP-0071")

    (receipt,) = station.told("ingest.job.loaded")[0]["receipts"]
    assert receipt["proof"] == level
    assert (receipt["files_read_back"], receipt["bytes_read_back"]) == (files, size_bytes)


def test_only_what_was_announced_is_loaded_and_the_rest_is_told(station: Station) -> None:
    station.write_drive("KELP-0071", {**FILES, b"holiday.jpg": b"\xff\xd8\xff" + bytes(5000)})
    station.plug("bay-1", "KELP-0071")
    items = [{"name": "north-transect.enc"}, {"name": "logs", "kind": "folder"}]
    station.announce("TW-2041", "KELP-0071", items=items)
    station.start()
    station.wait_released("KELP-0071")

    assert sorted(tree(folder_of(station, "TW-2041"))) == [b"logs/day-1.enc", b"north-transect.enc"]
    (loaded,) = station.told("ingest.job.loaded")
    assert [finding["code"] for finding in loaded["findings"]] == ["unexpected-item"]
    assert loaded["receipts"][0]["skipped_files"] == 2


def test_the_first_byte_is_stored_within_a_second_of_the_drive_appearing(station: Station) -> None:
    station.write_drive("KELP-0071", {b"north.enc": sealed(6_000_000, 1)})
    station.announce("TW-2041", "KELP-0071")
    station.start()
    wait_for(lambda: list((station.spool / "accepted").iterdir()), what="the announcement taken")
    began = time.monotonic()
    station.plug("bay-1", "KELP-0071")
    wait_for(lambda: _stored_bytes(station) > 0, what="the first byte")
    # The aim is one second on a quiet machine; the benchmark prints the figure, this is the alarm.
    assert time.monotonic() - began < 3.0


def _stored_bytes(station: Station) -> int:
    return sum(path.stat().st_size for path in station.archive.rglob("*") if path.is_file())


# -- several drives, and drives before their jobs --------------------------------------------------


def test_a_job_of_several_drives_is_loaded_once_when_the_last_of_them_is(station: Station) -> None:
    for number in (1, 2, 3):
        station.write_drive(f"KELP-{number}", {b"part.enc": sealed(200_000, number)})
    station.announce("TW-2041", "KELP-1", "KELP-2", "KELP-3")
    station.start()
    for number in (3, 1, 2):
        station.plug(f"bay-{number}", f"KELP-{number}")
    for number in (1, 2, 3):
        station.wait_released(f"KELP-{number}")

    (loaded,) = station.told("ingest.job.loaded")
    assert {receipt["serial"] for receipt in loaded["receipts"]} == {"KELP-1", "KELP-2", "KELP-3"}
    folder = folder_of(station, "TW-2041")
    stored = tree(folder)
    assert sorted(stored) == [b"drive-1/part.enc", b"drive-2/part.enc", b"drive-3/part.enc"]
    assert stored[b"drive-2/part.enc"] == sealed(200_000, 2)
    for manifest in (folder / ".ingest").glob("*.sha256"):
        assert checked(folder, manifest) == []


def test_an_item_may_lie_on_any_drive_of_its_job(station: Station) -> None:
    station.write_drive("KELP-1", {b"north.enc": sealed(100_000, 1)})
    station.write_drive("KELP-2", {b"south.enc": sealed(100_000, 2)})
    items = [{"name": "north.enc"}, {"name": "south.enc"}]
    station.announce("TW-2041", "KELP-1", "KELP-2", items=items)
    station.start()
    station.plug("bay-1", "KELP-1")
    assert station.wait_released("KELP-1")["outcome"] == "loaded"
    station.plug("bay-2", "KELP-2")
    assert station.wait_released("KELP-2")["outcome"] == "loaded"
    assert len(station.told("ingest.job.loaded")) == 1


def test_several_jobs_at_once_end_in_their_own_places(station: Station) -> None:
    for number in range(6):
        station.write_drive(f"DOME-{number}", {b"show.enc": sealed(150_000, number)})
        station.announce(f"LD-{number}", f"DOME-{number}")
        station.plug(f"bay-{number}", f"DOME-{number}")
    station.start()
    for number in range(6):
        assert station.wait_released(f"DOME-{number}")["job_id"] == f"LD-{number}"
        assert tree(folder_of(station, f"LD-{number}")) == {b"show.enc": sealed(150_000, number)}


def test_a_drive_that_comes_before_its_announcement_waits_for_it(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.start()
    station.plug("bay-1", "KELP-0071")
    held = station.wait_told("ingest.load.held")
    assert held["reason"] == "no-matching-job"
    assert any("KELP-0071" in tried for tried in held["tried"])
    station.announce("TW-2041", "KELP-0071")
    released = station.wait_released("KELP-0071")
    assert released["outcome"] == "loaded"
    assert station.kinds(released["load_id"]) == ["ingest.load.held", "ingest.load.resumed", *WAY]


def test_an_unknown_drive_is_released_unclaimed(make_station: MakeStation) -> None:
    station = make_station(station={"unclaimed_after_seconds": 0.3})
    station.write_drive("NOBODY-9", FILES)
    station.start()
    station.plug("bay-4", "NOBODY-9")
    released = station.wait_released("NOBODY-9")
    assert (released["outcome"], released["job_id"]) == ("unclaimed", None)
    (unclaimed,) = station.told("ingest.drive.unclaimed")
    assert unclaimed["tried"]
    assert tree(station.archive) == {}


def test_a_drive_pulled_halfway_goes_on_where_it_stopped(make_station: MakeStation) -> None:
    station = make_station(
        uplink={"rate_bytes_per_second": 2_000_000},
        transfer={"buffer_bytes": 65_536},
        station={"progress_every_seconds": 0.1},
    )
    drive = {b"long.enc": sealed(3_000_000, 1), b"short.enc": sealed(60_000, 2)}
    station.write_drive("KELP-0071", drive)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    station.start()
    wait_for(lambda: _arrived(station) > 500_000, what="half a megabyte")
    station.pull("bay-1")
    away = station.wait_told("ingest.load.away")
    station.plug("bay-2", "KELP-0071")
    released = station.wait_released("KELP-0071")

    assert (released["outcome"], released["bay"]) == ("loaded", "bay-2")
    assert away["load_id"] == released["load_id"]
    assert tree(folder_of(station, "TW-2041")) == drive
    assert station.told("ingest.load.resumed")[0]["after"] == "away"


def _arrived(station: Station) -> int:
    """Bytes that the last report of progress gives as stored, or on the way there."""
    told = station.told("ingest.load.progressed")
    return told[-1]["ledger"]["stored_bytes"] + told[-1]["ledger"]["arrived_bytes"] if told else 0


# -- after the end ---------------------------------------------------------------------------------


def test_a_released_drive_stays_released_in_its_bay_also_over_a_restart(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071")
    station.start()
    station.wait_released("KELP-0071")
    before = station.events()
    assert station.stop() == 0
    station.start()
    load = station.wait_phase("KELP-0071", "released")
    assert (load["outcome"], load["bay"]) == ("loaded", "bay-1")
    time.sleep(0.3)
    assert station.events() == before


def test_a_drive_that_was_loaded_is_held_as_done_when_it_is_plugged_in_again(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071")
    station.start()
    station.wait_released("KELP-0071")
    station.pull("bay-1")
    wait_for(lambda: station.load("KELP-0071") is None, what="the bay empty")
    station.plug("bay-1", "KELP-0071")
    held = station.wait_told("ingest.load.held")
    assert held["reason"] == "already-done"
    assert "TW-2041" in held["text"]
    assert len(station.told("ingest.job.loaded")) == 1


def test_two_drives_of_the_same_identity_are_not_mixed_up(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.start()
    station.plug("bay-1", "KELP-0071")
    station.wait_told("ingest.load.held", reason="no-matching-job")
    station.plug("bay-2", "KELP-0071")
    held = station.wait_told("ingest.load.held", reason="duplicate-identity")
    assert "bay-1" in held["text"]


# -- changes on the way ----------------------------------------------------------------------------


def test_an_amendment_in_time_changes_what_is_demanded(station: Station) -> None:
    station.write_drive("PRESS-33", {b"books.txt": b"In the margin, in another hand.\n" * 4000})
    station.start()
    station.announce("AP-0077", "PRESS-33", requirements={"not-encrypted": "blocking"})
    station.announce("AP-0077", "PRESS-33", version=2, requirements={"not-encrypted": "off"})
    wait_for(lambda: len(list((station.spool / "accepted").iterdir())) == 2, what="both taken")
    station.plug("bay-1", "PRESS-33")
    assert station.wait_released("PRESS-33")["outcome"] == "loaded"


def test_an_amendment_may_not_move_a_load_that_has_begun(make_station: MakeStation) -> None:
    station = _slow_station(make_station)
    destination = {"store": "archive", "prefix": f"{TENANT}/elsewhere"}
    station.announce("TW-2041", "KELP-0071", version=2, destination=destination)
    (problem,) = station.wait_told("ingest.notice.refused")["problems"]
    assert problem.startswith("data.destination: ")


def test_a_withdrawn_load_stops_and_leaves_nothing(make_station: MakeStation) -> None:
    station = _slow_station(make_station)
    wait_for(lambda: _stored_bytes(station) > 100_000, what="something stored")
    station.withdraw("TW-2041")
    completed = station.wait_told("ingest.job.withdrawal-completed")
    assert completed == {
        "job_id": "TW-2041",
        "taken_back": True,
        "text": "what was stored has been taken back",
    }
    assert station.wait_released("KELP-0071")["outcome"] == "withdrawn"
    _assert_nothing_left(station)


def test_a_job_withdrawn_before_its_drive_came_is_answered_at_once(station: Station) -> None:
    station.start()
    station.announce("TW-2041", "KELP-0071")
    station.withdraw("TW-2041")
    assert station.wait_told("ingest.job.withdrawal-completed")["taken_back"] is False


def test_a_withdrawal_after_the_end_is_answered_and_takes_nothing_back(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071")
    station.start()
    station.wait_released("KELP-0071")
    station.withdraw("TW-2041")
    completed = station.wait_told("ingest.job.withdrawal-completed")
    assert (completed["taken_back"], "loaded already" in completed["text"]) == (False, True)
    assert tree(folder_of(station, "TW-2041")) == FILES


def _slow_station(make_station: MakeStation) -> Station:
    """A station in the middle of a load that takes half a minute."""
    station = make_station(uplink={"rate_bytes_per_second": 200_000}, transfer={"buffer_bytes": 65_536})
    files: dict[bytes, Any] = {b"long.enc": sealed(5_000_000, 1)}
    files |= {b"day/%d.enc" % n: sealed(20_000, n) for n in range(30)}
    station.write_drive("KELP-0071", files)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    station.start()
    station.wait_told("ingest.load.started")
    return station


def _assert_nothing_left(station: Station) -> None:
    left = [path for path in station.archive.rglob("*") if path.name != ".ingest-parts"]
    assert left == []
