"""Drives that cannot be accepted: every finding in one event, and nothing left in the store."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import TENANT, Station, sealed, tree, wait_for

NORTH, SOUTH = sealed(400_000, 1), sealed(200_000, 2)
PLAIN = b"In the margin, in another hand: see plate XII.\n" * 3000
FILES = {b"north.enc": NORTH, b"south.enc": SOUTH}
ITEMS = [{"name": "north.enc"}, {"name": "south.enc"}]
OTHER_SUM = hashlib.sha256(b"the version before").hexdigest()


def failed(station: Station, files: dict[bytes, bytes], **job: Any) -> dict[str, Any]:
    """What is said of the job of a drive with these files, once the drive is released."""
    station.write_drive("KELP-0071", files)
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071", **job)
    station.start()
    released = station.wait_released("KELP-0071")
    assert released["outcome"] == "failed"
    (event,) = station.told("ingest.job.failed")
    assert event["text"] == released["text"]
    assert not station.told("ingest.job.loaded")
    return event


def blocking(event: dict[str, Any]) -> list[tuple[str, str]]:
    """Code and subject of the findings that made the job fail."""
    return [(f["code"], f["subject"]) for f in event["findings"] if f["severity"] == "blocking"]


def nothing_left(archive: Path) -> bool:
    return [path for path in archive.rglob("*") if path.name != ".ingest-parts"] == []


def with_sums(**sums: bytes) -> bytes:
    return b"".join(b"%s  %s.enc\n" % (digest, name.encode()) for name, digest in sums.items())


def test_a_checksum_that_the_notice_gives_and_the_file_has_not(station: Station) -> None:
    items = [{"name": "north.enc", "sha256": OTHER_SUM}, {"name": "south.enc"}]
    event = failed(station, FILES, items=items)
    assert blocking(event) == [("checksum-mismatch", "volume-1/north.enc")]
    (finding,) = [f for f in event["findings"] if f["code"] == "checksum-mismatch"]
    assert finding["evidence"] == {"expected": OTHER_SUM, "found": hashlib.sha256(NORTH).hexdigest()}
    assert (event["cause"], event["observations"], event["data_kept"]) == ("data", 2, False)
    assert nothing_left(station.archive)


def test_a_checksum_list_on_the_drive_that_is_not_borne_out(station: Station) -> None:
    right = hashlib.sha256(NORTH).hexdigest().encode()
    listing = with_sums(north=right, south=OTHER_SUM.encode())
    event = failed(station, {**FILES, b"SHA256SUMS": listing})
    assert blocking(event) == [("checksum-mismatch", "volume-1/south.enc")]
    assert "SHA256SUMS" in event["text"]
    assert nothing_left(station.archive)


def test_a_checksum_list_that_names_a_file_which_is_not_there(station: Station) -> None:
    listing = with_sums(west=OTHER_SUM.encode())
    event = failed(station, {**FILES, b"transect.sha256": listing})
    assert blocking(event) == [("listed-file-missing", "volume-1/transect.sha256")]
    assert "west.enc" in event["text"]


def test_an_archive_that_is_not_encrypted(station: Station) -> None:
    event = failed(station, {b"north.enc": NORTH, b"books.txt": PLAIN})
    assert blocking(event) == [("not-encrypted", "volume-1/books.txt")]
    assert event["cause"] == "requirement"
    assert nothing_left(station.archive)


def test_an_item_that_is_missing(station: Station) -> None:
    event = failed(station, {b"north.enc": NORTH}, items=ITEMS)
    assert blocking(event) == [("item-missing", "south.enc")]
    assert nothing_left(station.archive)


@pytest.mark.parametrize("place", [b"archives/south.enc", b"South.ENC"])
def test_an_item_that_lies_in_a_folder_or_has_another_case_is_named(station: Station, place: bytes) -> None:
    event = failed(station, {b"north.enc": NORTH, place: SOUTH}, items=ITEMS)
    assert blocking(event) == [("item-not-in-root", "south.enc")]
    assert f"volume-1/{place.decode()}" in event["text"]


def test_an_item_of_another_size_than_announced(station: Station) -> None:
    items = [{"name": "north.enc", "size_bytes": len(NORTH) + 1}, {"name": "south.enc"}]
    event = failed(station, FILES, items=items)
    assert blocking(event) == [("item-wrong-size", "north.enc")]
    assert "it is 1 bytes shorter" in event["text"]


def test_all_that_is_wrong_is_told_at_once(station: Station) -> None:
    items = [{"name": "north.enc", "size_bytes": 7}, {"name": "south.enc"}, {"name": "books.txt"}]
    event = failed(station, {b"north.enc": NORTH, b"books.txt": PLAIN}, items=items)
    assert sorted(blocking(event)) == [
        ("item-missing", "south.enc"),
        ("item-wrong-size", "north.enc"),
        ("not-encrypted", "volume-1/books.txt"),
    ]
    assert event["text"].endswith("(2 more)")
    assert all(f["remedy_customer"] and f["remedy_floor"] for f in event["findings"])


def test_a_drive_with_nothing_on_it(station: Station) -> None:
    event = failed(station, {b"lost+found/x": b"?"})
    assert blocking(event) == [("nothing-to-load", "drive")]


def test_names_that_are_reserved_for_receipts(station: Station) -> None:
    event = failed(station, {b"north.enc": NORTH, b".ingest/x.sha256": b"0"})
    assert ("reserved-name", "drive") in blocking(event)
    assert nothing_left(station.archive)


def test_what_a_failed_load_stored_stays_when_the_job_says_so(station: Station) -> None:
    items = [{"name": "north.enc"}, {"name": "south.enc", "sha256": OTHER_SUM}]
    event = failed(station, FILES, items=items, keep_on_failure=True)
    assert event["data_kept"] is True
    assert tree(station.archive / TENANT / "TW-2041") == {b"north.enc": NORTH}
    assert not list(station.archive.glob(".ingest-parts/*"))


def test_other_files_beside_the_destination_are_left_alone(station: Station) -> None:
    beside = station.archive / TENANT / "TW-2041" / "notes.txt"
    beside.parent.mkdir(parents=True)
    beside.write_text("put here by somebody else")
    items = [{"name": "north.enc"}, {"name": "south.enc", "sha256": OTHER_SUM}]
    failed(station, FILES, items=items)
    assert tree(station.archive) == {b"tidewrack-survey/TW-2041/notes.txt": b"put here by somebody else"}


def test_one_drive_that_fails_takes_back_what_the_others_stored(station: Station) -> None:
    station.write_drive("KELP-1", {b"north.enc": NORTH})
    station.write_drive("KELP-2", {b"books.txt": PLAIN})
    station.announce("TW-2041", "KELP-1", "KELP-2")
    station.plug("bay-1", "KELP-1")
    station.start()
    assert station.wait_released("KELP-1")["outcome"] == "loaded"
    station.plug("bay-2", "KELP-2")
    assert station.wait_released("KELP-2")["outcome"] == "failed"
    assert station.wait_released("KELP-1", count=2)["outcome"] == "withdrawn"
    wait_for(lambda: nothing_left(station.archive), what="the store empty again")
    assert not station.told("ingest.job.loaded")


def test_the_same_after_a_restart_with_the_first_drive_gone(station: Station) -> None:
    station.write_drive("KELP-1", {b"north.enc": NORTH})
    station.write_drive("KELP-2", {b"books.txt": PLAIN})
    station.announce("TW-2041", "KELP-1", "KELP-2")
    station.plug("bay-1", "KELP-1")
    station.start()
    station.wait_released("KELP-1")
    station.pull("bay-1")
    wait_for(lambda: station.load("KELP-1") is None, what="the bay empty")
    assert station.stop() == 0
    station.plug("bay-2", "KELP-2")
    station.start()
    assert station.wait_released("KELP-2")["outcome"] == "failed"
    wait_for(lambda: nothing_left(station.archive), 5.0, "the store empty again")
